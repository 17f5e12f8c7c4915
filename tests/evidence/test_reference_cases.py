"""Every reference case whose kind we serve, run whole against `expected.json`.

    pytest tests/evidence/test_reference_cases.py --cases DIR      (default: the folder `cases` beside this file)

Outside sources: named in each case (`source`): the R packages ordinal, lme4, survival, BradleyTerry2 and others, published
tables and textbook examples, closed forms; versions in each case.
One table, METHODS, picks the function; a case in the table fails when a key of `expected` cannot be answered.
"""

import csv
import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import ndtr

from app.evidence.description import Coded, ModelDescription, code
from app.evidence.ordinal import OrdinalFit, fit_ordinal
from tests.evidence.conftest import cases_folder
from tests.evidence.runners import RUNNERS, with_table
from tests.evidence.runners_laps import linear_mixed_model

TEXT_KEYS = {"standard_errors", "offending"}
OTHER_LIBRARY_KEYS = {"satterthwaite_df", "p_satterthwaite", "rank_sum_lsd_5pct"}


def ordinal_model(case: dict, tables: list[dict[str, list[str]]]) -> dict[str, Any]:
    """Maximum likelihood of a cumulative-link model, with crossed random intercepts or none."""
    model = case["model"]
    assert model.get("estimator") == "maximum likelihood", f"estimator not served: {model.get('estimator')}"
    nodes = _quadrature_nodes(model.get("quadrature"))
    named = {name for key in ("fixed", "fixed_se", "clmm_beta") for name in case["expected"].get(key, {})}
    numeric = tuple(name for name in model["fixed"] if name in named)  # a categorical column's names carry a level
    described = ModelDescription(
        model["response"], tuple(model["fixed"]), tuple(model.get("groups", [])), model["link"], nodes, numeric
    )
    coded = code(tables[0], described)
    return _answers(model, coded, fit_ordinal(coded.y, coded.x, coded.groups, link=model["link"], nodes=nodes))


def _quadrature_nodes(text: str | None) -> int:
    if text in (None, "Laplace"):
        return 1
    found = re.fullmatch(r"adaptive Gauss-Hermite, (\d+) nodes?", text)
    assert found, f"quadrature not served: {text}"
    return int(found[1])


def _answers(model: dict, coded: Coded, fit: OrdinalFit) -> dict[str, Any]:
    found: dict[str, Any] = {
        "n": fit.n,
        "logLik": fit.log_lik,
        "clmm_logLik": fit.log_lik,
        "logLik_clmm": fit.log_lik,
        "n_par": fit.n_par,
        "separated": fit.separated,
        "mle_exists": not fit.separated,
    }
    if fit.separated:
        return found
    columns = [name for j, name in enumerate(coded.columns) if j not in fit.aliased]
    z = fit.fixed / fit.fixed_se
    for key, names, values in (
        ("fixed", columns, fit.fixed),
        ("fixed_clmm", columns, fit.fixed),
        ("fixed_se", columns, fit.fixed_se),
        ("fixed_z", columns, z),
        ("fixed_p", columns, 2.0 * ndtr(-np.abs(z))),
        ("thresholds", coded.thresholds, fit.thresholds),
        ("thresholds_se", coded.thresholds, fit.thresholds_se),
        ("re_sd", model.get("groups", []), fit.re_sd),
        ("boundary", model.get("groups", []), fit.boundary),
    ):
        found[key] = {
            name: value.item() if hasattr(value, "item") else value for name, value in zip(names, values, strict=True)
        }
    found["re_modes"] = {
        group: dict(zip(levels, map(float, modes), strict=True))
        for group, levels, modes in zip(model.get("groups", []), coded.levels, fit.re_modes, strict=True)
    }
    return found


METHODS: dict[tuple[str, str], Callable[[dict, list[dict[str, list[str]]]], dict[str, Any]]] = {
    ("ordinal_model", "fixed only"): ordinal_model,
    ("ordinal_model", "random intercepts"): ordinal_model,
    **{("linear_mixed_model", shape): linear_mixed_model for shape in ("fixed only", "random intercepts", "random slopes")},
    **{(kind, "no model"): run for kind, run in RUNNERS.items()},
}


def method_key(case: dict) -> tuple[str, str]:
    """(kind, shape of the model): what METHODS is looked up by."""
    model = case.get("model")
    if model is None:
        return str(case.get("kind")), "no model"
    groups = model.get("groups", [])
    if not groups:
        return str(case.get("kind")), "fixed only"
    plain = all(isinstance(group, str) and re.fullmatch(r"[\w.]+(:[\w.]+)*", group) for group in groups)
    return str(case.get("kind")), "random intercepts" if plain else "random slopes"


def rule_for(case: dict, path: tuple[str, ...]) -> dict[str, float] | None:
    """The tolerance of one value, None for 'info only'. An override, by key or key.subkey, replaces the common rule."""
    tolerance = case["tolerance"]
    overrides = tolerance.get("overrides", {})
    for depth in range(len(path), 0, -1):
        own = overrides.get(".".join(path[:depth]))
        if isinstance(own, str):
            assert own.startswith("info only"), f"unknown rule {own!r}"
            return None
        if own is not None:
            return {"rel": own.get("rel", 0.0), "abs": own.get("abs", 0.0)}
    return {"rel": tolerance.get("rel", 0.0), "abs": tolerance.get("abs", 0.0)}


def is_never_compared(case: dict, path: tuple[str, ...]) -> bool:
    named = path[-1] in TEXT_KEYS | OTHER_LIBRARY_KEYS or path[-1].endswith(("_note", "_numeric"))
    return named or rule_for(case, path) is None


def never_compared(case: dict) -> list[str]:
    """Keys of `expected` that are printed instead of compared."""

    def walk(value: Any, path: tuple[str, ...]) -> list[str]:
        if path and is_never_compared(case, path):
            return [".".join(path)]
        if isinstance(value, dict):
            return [key for name, inner in value.items() for key in walk(inner, (*path, name))]
        return []

    return walk(case["expected"], ())


def differences(case: dict, expected: Any, found: Any, path: tuple[str, ...] = ()) -> list[str]:
    """Every value of `expected` that is missing from `found` or outside its tolerance, in words."""
    if path and is_never_compared(case, path):
        return []
    where = ".".join(path)
    if isinstance(expected, dict):
        if not isinstance(found, dict):
            return [f"{where}: expected a table, found {found!r}"]
        told = []
        for name, value in expected.items():
            inner = (*path, name)
            if name in found or is_never_compared(case, inner):
                told += differences(case, value, found.get(name), inner)
            else:
                told.append(f"{'.'.join(inner)}: no answer")
        return told
    if isinstance(expected, list):
        if not isinstance(found, (list, tuple)) or len(found) != len(expected):
            return [f"{where}: expected {len(expected)} values, found {found!r}"]
        return [
            t
            for i, (e, f) in enumerate(zip(expected, found, strict=True))
            for t in differences(case, e, f, (*path, str(i)))
        ]
    if isinstance(expected, (bool, str)) or expected is None:
        return (
            []
            if type(found) is type(expected) and found == expected
            else [f"{where}: expected {expected!r}, found {found!r}"]
        )
    if isinstance(found, bool) or not isinstance(found, (int, float)) or not math.isfinite(found):
        return [f"{where}: expected {expected!r}, found {found!r}"]
    if isinstance(expected, int) and isinstance(found, int):
        return [] if found == expected else [f"{where}: expected {expected}, found {found}"]
    rule = rule_for(case, path)
    assert rule is not None
    allowed = max(rule["abs"], rule["rel"] * abs(expected))
    return (
        []
        if abs(found - expected) <= allowed
        else [f"{where}: expected {expected}, found {found}, allowed {allowed:.2g}"]
    )


def read_tables(folder: Path, case: dict) -> list[dict[str, list[str]]]:
    """The case's CSV files by column, as text."""
    tables = []
    for name in case["files"]:
        with (folder / name).open(newline="", encoding="utf-8-sig") as file:
            rows = list(csv.DictReader(file))
        tables.append({column: [row[column] for row in rows] for column in rows[0]})
    return tables


def pytest_generate_tests(metafunc):
    if "case_folder" in metafunc.fixturenames:
        folders = sorted(file.parent for file in cases_folder(metafunc.config).glob("*/expected.json"))
        served = [f for f in folders if method_key(json.loads((f / "expected.json").read_text())) in METHODS]
        metafunc.parametrize("case_folder", served, ids=[f.name for f in served])


def test_reference_case(case_folder):
    case = json.loads((case_folder / "expected.json").read_text())
    tables = read_tables(case_folder, case)
    found = METHODS[method_key(case)](case, tables)
    told = differences(case, with_table(case, tables), found)
    assert not told, f"{case_folder.name}:\n" + "\n".join(told)


def test_some_case_was_found(pytestconfig):
    assert list(cases_folder(pytestconfig).glob("*/expected.json")), "no reference case in this folder"


@pytest.mark.parametrize("change", ["number", "label", "missing key"])
def test_the_runner_itself_notices_what_is_wrong(change):
    """Source: none needed; a runner that passes everything is worth nothing."""
    expected = {"n": 24, "fixed": {"variantB": 1.0}, "separated": False, "re_sd": {"driver": 0.5}}
    case = {"expected": expected, "tolerance": {"rel": 1e-3, "abs": 1e-6, "overrides": {"re_sd": {"abs": 0.02}}}}
    good = {"n": 24, "fixed": {"variantB": 1.0005}, "separated": False, "re_sd": {"driver": 0.51}}
    assert differences(case, expected, good) == []
    bad: dict[str, Any] = {**good}
    if change == "number":
        bad["re_sd"] = {"driver": 0.53}
    elif change == "label":
        bad["separated"] = True
    else:
        del bad["fixed"]
    assert len(differences(case, expected, bad)) == 1
