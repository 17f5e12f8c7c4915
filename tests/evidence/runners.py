"""One function per kind of reference case beside the models: the case and its tables in, found values out.

`RUNNERS` maps a case's `kind` to such a function. Where `expected` names a `table_file`, `with_table` exchanges the name
for the rows themselves, and the function answers with its own rows under the same key.
"""

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np

from app.evidence import paired_comparison as pairs
from app.evidence import plan_figures as plans
from app.evidence import survival
from app.evidence import value_figures as worth
from app.planning import balance
from tests.evidence.bench_runners import BENCH_RUNNERS
from tests.evidence.rank_runners import RANK_RUNNERS
from tests.evidence.runners_arrays import ARRAY_RUNNERS

Table = dict[str, list[str]]
Runner = Callable[[dict, list[Table]], dict[str, Any]]


def with_table(case: dict, tables: list[Table]) -> dict[str, Any]:
    """`expected`, with `table_file` and `rows` replaced by the rows of that file, so that `differences` compares each."""
    expected = dict(case["expected"])
    if (name := expected.pop("table_file", None)) is not None:
        table = rows_of(tables[case["files"].index(name)])
        if "rows" in expected:
            assert expected.pop("rows") == len(table), f"{name} has {len(table)} rows"
        expected["table"] = [{key: number(cell) for key, cell in row.items()} for row in table]
    return expected


def number(cell: str) -> int | float | str | None:
    """A cell of a table: whole numbers as int, others as float, empty or NA as None, text as it is."""
    if cell in ("", "NA"):
        return None
    for kind in (int, float):
        try:
            return kind(cell)
        except ValueError:
            continue
    return cell


def rows_of(table: Table) -> list[dict[str, str]]:
    return [dict(zip(table, cells, strict=True)) for cells in zip(*table.values(), strict=True)]


def floats(table: Table, column: str) -> list[float]:
    return [float(cell) for cell in table[column]]


def _comparisons(table: Table) -> list[pairs.Comparison]:
    """Counted pairs, or one line per choice with `outcome` item1, item2 or tie."""
    if "outcome" in table:
        return [
            pairs.Comparison(r["item1"], r["item2"], r["outcome"] == "item1", r["outcome"] == "item2", r["outcome"] == "tie")
            for r in rows_of(table)
        ]
    first, second, won, lost = ("home", "away", "home_wins", "away_wins") if "home" in table else ("item1", "item2", "win1", "win2")
    tied = table.get("tie", ["0"] * len(table[first]))
    return [
        pairs.Comparison(r[first], r[second], float(r[won]), float(r[lost]), float(t)) for r, t in zip(rows_of(table), tied, strict=True)
    ]


def bradley_terry(case: dict, tables: list[Table]) -> dict[str, Any]:
    """With a home column: both models, named as the case names them. With ties: each split as half a win."""
    comparisons = _comparisons(tables[0])
    if "home" in tables[0]:
        return {
            key: _home(pairs.bradley_terry(comparisons, first_advantage=advantage, reference="Baltimore"))
            for key, advantage in (("no_home", False), ("with_home_advantage", True))
        }
    halves = [pairs.Comparison(c.first, c.second, c.first_won + c.tied / 2, c.second_won + c.tied / 2) for c in comparisons]
    fit = pairs.bradley_terry(halves)
    return {"reference": fit.reference, "log_ability": fit.ability}


def _home(fit: pairs.PairedFit) -> dict[str, Any]:
    ability, se = ({f"team{name}": value for name, value in own.items()} for own in (fit.ability, fit.se))
    if fit.extra is not None and fit.extra_se is not None:
        ability["at.home"], se["at.home"] = fit.extra, fit.extra_se
    return {"ability": ability, "se": se, "deviance": fit.deviance, "df_residual": fit.df_residual, "logLik": fit.log_lik}


def bradley_terry_existence(case: dict, tables: list[Table]) -> dict[str, Any]:
    rows = rows_of(tables[0])
    found = {}
    for name in dict.fromkeys(row["case"] for row in rows):
        own = [row for row in rows if row["case"] == name]
        table = {key: [row[key] for row in own] for key in own[0]}
        found[name] = {"mle_exists": not pairs.why_no_estimate(_comparisons(table))}
    return {"cases": found}


def davidson(case: dict, tables: list[Table]) -> dict[str, Any]:
    fit = pairs.davidson(_comparisons(tables[0]))
    assert fit.extra is not None
    return {
        "reference": fit.reference,
        "log_ability": fit.ability,
        "log_nu": fit.extra,
        "nu": float(np.exp(fit.extra)),
        "se": {**fit.se, "tie": fit.extra_se},
        "multinomial_logLik_kernel": fit.log_lik_kernel,
        "deviance": fit.deviance,
    }


def _per_row(answer: Callable[..., tuple], inputs: dict[str, Callable], outputs: tuple[str, ...]) -> Runner:
    """A runner that answers every row of the first table: the row's own inputs with the outputs beside them."""

    def run(case: dict, tables: list[Table]) -> dict[str, Any]:
        found = []
        for row in rows_of(tables[0]):
            given = {name: kind(row[name]) for name, kind in inputs.items()}
            found.append({**given, **dict(zip(outputs, answer(**given), strict=True))})
        return {"table": found}

    return run


def _intervals(count: int) -> tuple[float, ...]:
    wide, narrow = plans.poisson_interval(count, 0.95), plans.poisson_interval(count, 0.90)
    return (*wide, *narrow, narrow[1])  # one-sided .95 = upper end of the two-sided .90


def _shares(failures: int, n: int) -> tuple[float, ...]:
    return (*plans.clopper_pearson(failures, n, 0.95), *plans.wilson(failures, n, 0.95))


def mtbf_bounds(case: dict, tables: list[Table]) -> dict[str, Any]:
    outputs = ("lower_factor", "upper_factor", "lower_onesided_over_T")
    found = _per_row(plans.mtbf_factors, {"failures": int, "confidence": float}, outputs)(case, tables)
    example = case["expected"]["example"]
    mtbf = example["T"] / example["failures"]
    low, high, _ = plans.mtbf_factors(example["failures"], 0.90)
    assert low is not None
    assert high is not None
    found["example"] = {**example, "mtbf": mtbf, "lower90": mtbf * low, "upper90": mtbf * high}
    return found


def poisson_rate(case: dict, tables: list[Table]) -> dict[str, Any]:
    rate, low, high, p = plans.poisson_rate(int(tables[0]["events"][0]), float(tables[0]["exposure"][0]))
    return {"rate": rate, "ci95": [low, high], "p_value": p}


def poisson_ratio(case: dict, tables: list[Table]) -> dict[str, Any]:
    events, exposures = [int(e) for e in tables[0]["events"]], floats(tables[0], "exposure")
    ratio, low, high, p = plans.poisson_ratio((events[0], events[1]), (exposures[0], exposures[1]))
    return {"rate_ratio": ratio, "ci95": [low, high], "p_value": p}


def estimability(case: dict, tables: list[Table]) -> dict[str, Any]:
    """Columns: one, and every level but the first of driver, session and variant."""
    found = {}
    for plan in dict.fromkeys(tables[0]["plan"]):
        rows = [row for row in rows_of(tables[0]) if row["plan"] == plan]
        levels = {name: sorted({row[name] for row in rows}) for name in ("driver", "session", "variant")}
        named = [(name, level) for name in levels for level in levels[name][1:]]
        x = np.array([[1.0, *(float(row[name] == level) for name, level in named)] for row in rows])
        code = {v: np.array([0.0, *(float(item == ("variant", v)) for item in named)]) for v in levels["variant"]}
        ordered = [(a, b) for i, a in enumerate(levels["variant"]) for b in levels["variant"][i + 1 :]]
        rank, variances = plans.estimability(x, {f"{b}-{a}": code[b] - code[a] for a, b in ordered})
        found[plan] = {
            "rows": len(x),
            "columns": x.shape[1],
            "rank": rank,
            "full_rank": rank == x.shape[1],
            "contrasts": {k: {"estimable": v is not None, "variance_over_sigma2": v} for k, v in variances.items()},
        }
    return found


def alias_structure(case: dict, tables: list[Table]) -> dict[str, Any]:
    """A plan's name, such as '2^(5-2) D=AB E=AC', is its input."""
    found = {}
    for name in case["expected"]:
        size, *generators = name.split()
        factors = [chr(ord("A") + i) for i in range(int(size[3 : size.index("-")]))]
        plan = plans.alias_structure(factors, dict(g.split("=") for g in generators))
        found[name] = {
            "factors": factors,
            "runs": plan.runs,
            "defining_words": plan.defining_words,
            "resolution": plan.resolution,
            "aliases_up_to_2fi": plan.aliases,
            "clear_main_effects": plan.clear_main_effects,
        }
    return found


def carry_over_check(case: dict, tables: list[Table]) -> dict[str, Any]:
    orders = [[cell for name, cell in row.items() if name.startswith("period")] for row in rows_of(tables[0])]
    found = balance.carry_over(orders)
    return {
        "treatments": len(found.items),
        "sequences": len(orders),
        "periods": len(orders[0]),
        "latin_rows": found.latin_rows,
        "uniform_on_periods": found.uniform_on_periods,
        "carryover_counts": found.counts,
        "carryover_balanced": found.balanced,
        "lambda_carryover": found.each,
    }


def least_sequences(case: dict, tables: list[Table]) -> dict[str, Any]:
    """Searched through for the square; the number needed is that of the construction, which the square's absence doubles."""
    expected = case["expected"]
    return {
        "single_square_exists": {n: balance.single_square_exists(int(n)) for n in expected["single_square_exists"]},
        "min_sequences": {n: balance.sequences_needed(int(n)) for n in expected["min_sequences"]},
    }


def incomplete_block_check(case: dict, tables: list[Table]) -> dict[str, Any]:
    found = {}
    for design in dict.fromkeys(tables[0]["design"]):
        blocks: dict[str, list[str]] = {}
        for row in rows_of(tables[0]):
            if row["design"] == design:
                blocks.setdefault(row["block"], []).append(row["treatment"])
        one = balance.incomplete_blocks(list(blocks.values()))
        found[design] = {
            **{key: getattr(one, key) for key in ("v", "b", "k", "r", "lam", "efficiency", "replications")},
            "is_bibd": one.balanced,
            "min_pair_count": one.fewest_pairs,
            "max_pair_count": one.most_pairs,
        }
    return found


def evsi_normal(case: dict, tables: list[Table]) -> dict[str, Any]:
    """The best number is for the first case's prior."""
    expected, given = case["expected"], ("prior_mean", "prior_sd", "sigma", "n")
    first, asked = expected["cases"][0], expected["best_n"]
    prior = (first["prior_mean"], first["prior_sd"], first["sigma"])
    best, net = worth.best_sample(*prior, value=asked["value_per_unit"], fixed=asked["fixed_cost"], each=asked["cost_per_obs"])
    one = asked["value_per_unit"] * worth.evsi_normal(*prior, 1).evsi - asked["fixed_cost"] - asked["cost_per_obs"]
    inputs = {key: asked[key] for key in ("value_per_unit", "fixed_cost", "cost_per_obs")}
    return {
        "unit_normal_loss": {z: worth.unit_normal_loss(float(z)) for z in expected["unit_normal_loss"]},
        "cases": [{**{k: c[k] for k in given}, **asdict(worth.evsi_normal(*(c[k] for k in given)))} for c in expected["cases"]],
        "best_n": {**inputs, "best_n": best, "best_net": net, "net_at_1": one},
    }


def probability_of_superiority(case: dict, tables: list[Table]) -> dict[str, Any]:
    def each(kind: str, keys: tuple[str, ...], answer: Callable[..., dict]) -> list[dict]:
        return [{**{k: c[k] for k in keys}, **answer(*(c[k] for k in keys))} for c in case["expected"][kind]]

    marks = case["expected"]["vargha_delaney"]
    return {
        "normal": each("normal", ("m1", "s1", "m0", "s0"), lambda *a: {"p": worth.superior_normal(*a)}),
        "weibull": each("weibull", ("shape", "eta1", "eta0"), lambda *a: {"p": worth.superior_weibull(*a)}),
        "beta": each("beta", ("a1", "b1", "a0", "b0"), lambda *a: {"p": worth.superior_beta(*a)}),
        "gamma_rate": each("gamma_rate", ("a1", "t1", "a0", "t0"), lambda *a: {"p_rate1_greater": worth.rate_above(*a)}),
        "ordinal_clm": each(
            "ordinal_clm",
            ("theta", "eta1", "eta0"),
            lambda *a: dict(zip(("p_superior_half_ties", "p_strict"), worth.superior_marks(*a), strict=True)),
        ),
        "latent": each(
            "latent", ("delta_logit",), lambda d: dict(zip(("latent_p", "probit_latent"), worth.superior_latent(d), strict=True))
        ),
        "vargha_delaney": {**marks, "A": worth.vargha_delaney(marks["x"], marks["y"])},
    }


def _lives(table: Table, group: str | None = None) -> tuple[list[float], list[bool]]:
    rows = [row for row in rows_of(table) if group in (None, row["part_revision"])]
    return [float(row["exposure"]) for row in rows], [row["failed"] == "1" for row in rows]


def weibull(case: dict, tables: list[Table]) -> dict[str, Any]:
    return _weibull(*_lives(tables[0]))


def _weibull(amounts: list[float], failed: list[bool]) -> dict[str, Any]:
    fit = survival.fit_weibull(amounts, failed)
    assert fit is not None
    se = np.sqrt(np.diag(fit.covariance))
    found = {
        "n": fit.n,
        "failures": fit.failures,
        "shape": fit.shape,
        "scale_eta": fit.scale,
        "logLik": fit.log_lik,
        "se_log_shape": float(se[0]),
        "se_log_eta": float(se[1]),
        "shape_ci95": fit.shape_limits(0.95),
        "eta_ci95": fit.scale_limits(0.95),
        "mean": fit.mean,
    }
    for name, share in (("B10", 0.1), ("B50", 0.5)):
        found[name] = {"p": share, **dict(zip(("t", "lower95", "upper95"), fit.life(share, 0.95), strict=True))}
    return found


def weibull_two_groups(case: dict, tables: list[Table]) -> dict[str, Any]:
    first, second = (_lives(tables[0], group) for group in sorted(set(tables[0]["part_revision"])))
    fit, test = survival.fit_shared_shape(first, second), survival.log_rank(first, second)
    assert fit is not None
    assert test is not None
    names = sorted(set(tables[0]["part_revision"]))
    return {
        "per_revision": {name: _weibull(*group) for name, group in zip(names, (first, second), strict=True)},
        "common_shape": fit.shape,
        "log_life_ratio_r2_vs_r1": fit.log_life_ratio,
        "se_log_life_ratio": fit.se_log_life_ratio,
        "life_ratio": float(np.exp(fit.log_life_ratio)),
        "logLik": fit.log_lik,
        "lr_chisq": fit.chi2,
        "logrank_chisq": test.chi2,
    }


def kaplan_meier(case: dict, tables: list[Table]) -> dict[str, Any]:
    amounts, failed = _lives(tables[0])
    steps = survival.kaplan_meier(amounts, failed, 0.95)
    median, low, high = survival.median_life(steps)
    named = ("time", "at_risk", "events", "survival", "greenwood_se", "lower95_loglog", "upper95_loglog")
    table = [dict(zip(named, asdict(step).values(), strict=True)) for step in steps]
    return {"n": len(amounts), "failures": sum(failed), "median": median, "median_ci95_loglog": [low, high], "table": table}


def logrank(case: dict, tables: list[Table]) -> dict[str, Any]:
    groups = sorted(set(tables[0]["part_revision"]))
    test = survival.log_rank(*(_lives(tables[0], group) for group in groups))
    assert test is not None
    return {"chisq": test.chi2, "df": 1, "p": test.p, "observed": test.observed, "expected": test.expected, "groups": groups}


RUNNERS: dict[str, Runner] = {
    **RANK_RUNNERS,
    **ARRAY_RUNNERS,
    **BENCH_RUNNERS,
    "bradley_terry": bradley_terry,
    "bradley_terry_existence": bradley_terry_existence,
    "davidson": davidson,
    "success_run": _per_row(plans.success_run, {"confidence": float, "reliability": float}, ("n_exact", "n")),
    "binomial_plan": _per_row(
        plans.binomial_plan, {"confidence": float, "reliability": float, "failures": int}, ("n", "conf_at_n")
    ),
    "poisson_interval": _per_row(
        _intervals, {"count": int}, ("lower95", "upper95", "lower90", "upper90", "upper95_one_sided")
    ),
    "proportion_interval": _per_row(
        _shares, {"failures": int, "n": int}, ("lower95", "upper95", "wilson_lower", "wilson_upper")
    ),
    "mtbf_bounds": mtbf_bounds,
    "poisson_rate": poisson_rate,
    "poisson_ratio": poisson_ratio,
    "estimability": estimability,
    "alias_structure": alias_structure,
    "carry_over_check": carry_over_check,
    "least_sequences": least_sequences,
    "incomplete_block_check": incomplete_block_check,
    "weibull": weibull,
    "weibull_two_groups": weibull_two_groups,
    "kaplan_meier": kaplan_meier,
    "logrank": logrank,
    "evsi_normal": evsi_normal,
    "probability_of_superiority": probability_of_superiority,
}
