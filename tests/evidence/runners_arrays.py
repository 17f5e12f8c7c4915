"""Reference cases of covering arrays: arrays counted pair by pair, and the least runs of binary ones."""

from typing import Any

from app.covering.check import check_array
from app.covering.constructions import binary_array, binary_minimum, most_binary_factors
from app.covering.propose import propose
from app.covering.space import Space

Table = dict[str, list[str]]


def covering_array_check(case: dict, tables: list[Table]) -> dict[str, Any]:
    found = {}
    rows = list(zip(*(tables[0][name] for name in ("array", "row", "factor", "level")), strict=True))
    for array in dict.fromkeys(name for name, *_ in rows):
        cells: dict[int, dict[int, int]] = {}
        for name, row, factor, level in rows:
            if name == array:
                cells.setdefault(int(row), {})[int(factor)] = int(level)
        listed = [tuple(cells[row][factor] for factor in sorted(cells[row])) for row in sorted(cells)]
        check = check_array(listed, tuple(max(column) + 1 for column in zip(*listed, strict=True)))
        found[array] = {
            "runs": check.runs, "factors": check.factors, "levels": list(check.levels), "uncovered_pairs": check.uncovered,
            "strength2_covering": check.covering, "strength2_orthogonal": check.orthogonal, "lower_bound": check.lower_bound,
        }  # fmt: skip
    return found


def covering_array_minimum(case: dict, tables: list[Table]) -> dict[str, Any]:
    """`min_runs` is what is proposed (counted to be valid), not only what the formula says; `clique_check` the formula again."""
    asked = case["expected"]
    found = {}
    for factors in map(int, asked["min_runs"]):
        array = binary_array(factors) if factors > 40 else propose(Space((2,) * factors)).builds
        assert check_array(array, (2,) * factors).covering
        assert binary_minimum(factors) == len(array)
        found[str(factors)] = len(array)
    return {
        "kmax": {runs: most_binary_factors(int(runs)) for runs in asked["kmax"]},
        "min_runs": found,
        "clique_check": {runs: most_binary_factors(int(runs)) for runs in asked["clique_check"]},
    }


ARRAY_RUNNERS = {"covering_array_check": covering_array_check, "covering_array_minimum": covering_array_minimum}
