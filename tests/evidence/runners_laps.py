"""How a reference case of a linear mixed model is computed; the runner `test_reference_cases.METHODS` takes it from here."""

import math
import re
from typing import Any

import numpy as np

from app.evidence.description import ModelDescription, code
from app.evidence.linear_mixed import LinearFit, fit_linear


def linear_mixed_model(case: dict, tables: list[dict[str, list[str]]]) -> dict[str, Any]:
    """REML or maximum likelihood, with crossed random intercepts and correlated random slopes."""
    model = case["model"]
    assert model.get("criterion") in ("REML", "ML"), f"criterion not served: {model.get('criterion')}"
    table = with_derived(tables[0], model.get("derived", ""))
    groups = [*model.get("groups", []), *(group for _, group in model.get("slopes", []))]
    named = case["expected"].get("fixed", {})
    numeric = tuple(name for name in model["fixed"] if name in named)  # a categorical column's names carry a level
    coded = code(table, ModelDescription(model["response"], tuple(model["fixed"]), tuple(groups), numeric=numeric))
    slopes = [None for _ in model.get("groups", [])]
    columns = [*slopes, *(np.array(table[name], dtype=float) for name, _ in model.get("slopes", []))]
    fit = fit_linear(
        np.array(table[model["response"]], dtype=float),
        np.column_stack([np.ones(len(coded.y)), coded.x]),
        coded.groups,
        slopes=columns,
        reml=model["criterion"] == "REML",
        fixed_names=("(Intercept)", *coded.columns),
        group_names=groups,
    )
    along = [None] * len(slopes) + [name for name, _ in model.get("slopes", [])]
    return _answers(fit, along, coded.levels)


def _answers(fit: LinearFit, along: list[str | None], levels: tuple[tuple[str, ...], ...]) -> dict[str, Any]:
    sd: dict[str, float] = {"residual": fit.residual_sd}
    for group, slope, own, cor in zip(fit.group_names, along, fit.re_sd, fit.re_cor, strict=True):
        sd[f"{group}:(Intercept)"] = float(own[0])
        if slope is not None:
            sd[f"{group}:{slope}"] = float(own[1])
            sd[f"{group}:(Intercept).cor.{slope}"] = float(cor[0, 1])

    def by_name(values: np.ndarray) -> dict[str, float]:
        return dict(zip(fit.fixed_names, map(float, values), strict=True))

    return {
        "n": fit.n,
        "REML": fit.reml,
        "criterion": fit.criterion,
        "logLik": fit.log_lik,
        "fixed": by_name(fit.fixed),
        "fixed_se": by_name(fit.fixed_se),
        "t": by_name(fit.t),
        "sd": sd,
        "singular": fit.singular,
        "re_modes": {
            group: dict(zip(names, map(float, modes[:, 0]), strict=True))
            for group, names, modes in zip(fit.group_names, levels, fit.re_modes, strict=True)
        },
    }


def with_derived(table: dict[str, list[str]], text: str) -> dict[str, list[str]]:
    """The table with columns such as 'y = log(lap_time_s); lap0 = lap - 1; clock_h = clock_s / 3600' added."""
    found = dict(table)
    for piece in filter(None, map(str.strip, text.split(";"))):
        name, formula = (part.strip() for part in piece.split("=", 1))
        if match := re.fullmatch(r"log\((\w+)\)", formula):
            values = [math.log(float(value)) for value in found[match[1]]]
        elif match := re.fullmatch(r"(\w+)\s*([-/])\s*([\d.]+)", formula):
            by = float(match[3])
            values = [float(value) - by if match[2] == "-" else float(value) / by for value in found[match[1]]]
        else:
            raise AssertionError(f"derived column not served: {piece}")
        found[name] = [repr(value) for value in values]
    return found
