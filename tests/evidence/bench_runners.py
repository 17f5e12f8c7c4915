"""Reference cases of the bench (capability, gauge study, fits, stacks, expected effects): part of `runners`, apart for length."""

from collections.abc import Callable
from typing import Any

from app.gauging import effects, iso286, stacks
from app.gauging.capability import indices
from app.gauging.clearance import Clearance, Feature, clearance
from app.gauging.study import Components, Trial, average_and_range, crossed_study

Table = dict[str, list[str]]


def capability(case: dict, tables: list[Table]) -> dict[str, Any]:
    given = {name: float(cells[0]) for name, cells in tables[0].items()}
    found = indices(given["mean"], given["s"], lower=given["lsl"], upper=given["usl"], target=given["target"])
    return {"Cp": found.cp, "Cpk": found.cpk, "Cpu": found.cpu, "Cpl": found.cpl, "k": found.k, "Cpm": found.cpm,
            "fraction_below": found.fraction_below, "fraction_above": found.fraction_above}  # fmt: skip


def gauge_study(case: dict, tables: list[Table]) -> dict[str, Any]:
    columns = (tables[0][name] for name in ("operator", "part", "trial", "value"))
    trials = [Trial(operator, part, trial, float(value)) for operator, part, trial, value in zip(*columns, strict=True)]
    study, ranges = crossed_study(trials), average_and_range(trials)
    assert ranges is not None
    named = {"operator": "operator", "part": "piece", "interaction": "interaction", "repeatability": "repeatability"}
    return {
        "operators": study.operators, "parts": study.pieces, "reps": study.repeats,
        "SS": {**{name: study.ss[own] for name, own in named.items()}, "total": sum(study.ss.values())},
        "df": {name: study.df[own] for name, own in named.items()}, "MS": {name: study.ms[own] for name, own in named.items()},
        "F_interaction": study.f_interaction, "p_interaction": study.p_interaction, "F_part": study.f_piece,
        "F_operator": study.f_operator, "with_interaction": _components(study.full), "MS_pooled": study.ms_pooled,
        "pooled_no_interaction": _components(study.pooled),
        "average_range_method": {
            "Rbarbar": ranges.mean_range, "Xdiff": ranges.operator_difference, "Rp": ranges.piece_range, "K1": 0.5908, "K2": 0.5231,
            "K3": 0.3146, "EV": ranges.repeatability, "AV": ranges.reproducibility, "GRR": ranges.gauge, "PV": ranges.piece,
            "TV": ranges.total, "ndc": int(1.41 * ranges.piece / ranges.gauge)},
    }  # fmt: skip


def _components(found: Components) -> dict[str, Any]:
    return {
        "var_repeatability": found.repeatability, "var_operator": found.operator, "var_interaction": found.interaction,
        "var_reproducibility": found.reproducibility, "var_grr": found.gauge, "var_part": found.piece, "var_total": found.total,
        "EV": found.repeatability**0.5, "AV": found.operator**0.5, "INT": found.interaction**0.5, "GRR": found.sd_gauge,
        "PV": found.sd_piece, "TV": found.total**0.5, "pct_EV": 100 * (found.repeatability / found.total) ** 0.5,
        "pct_GRR": 100 * found.share, "pct_PV": 100 * (found.piece / found.total) ** 0.5,
        "pct_contribution_GRR": 100 * found.gauge / found.total, "ndc_unrounded": found.categories,
        "ndc_1p41_unrounded": 1.41 * found.sd_piece / found.sd_gauge, "ndc": int(found.categories),
    }  # fmt: skip


def iso_286_fit(case: dict, tables: list[Table]) -> dict[str, Any]:
    fits = []
    for nominal, hole, shaft in zip(*(tables[0][name] for name in ("nominal_mm", "hole", "shaft")), strict=True):
        size = float(nominal)
        h, s = iso286.limits_of(hole, size, hole=True), iso286.limits_of(shaft, size, hole=False)
        found: Clearance = clearance(Feature(*h.sizes(size)), Feature(*s.sizes(size)), draws=1000)
        fits.append({
            "nominal_mm": int(size), "hole": hole, "shaft": shaft, "hole_upper_um": h.upper_um, "hole_lower_um": h.lower_um,
            "shaft_upper_um": s.upper_um, "shaft_lower_um": s.lower_um, "hole_max": h.sizes(size)[1], "hole_min": h.sizes(size)[0],
            "shaft_max": s.sizes(size)[1], "shaft_min": s.sizes(size)[0], "max_clearance_um": found.most * 1000,
            "min_clearance_um": found.least * 1000, "type": found.kind,
        })  # fmt: skip
    return {"fits": fits, "it_formula_um_3_to_6": {f"IT{grade}": iso286.formula_grade_um(grade, 1) for grade in (5, 6, 7, 8, 9)}}


def tolerance_stack(case: dict, tables: list[Table]) -> dict[str, Any]:
    columns = (tables[0][name] for name in ("part", "direction", "nominal", "plus", "minus"))
    found = stacks.stack([stacks.Link(part, int(sign), float(nominal), float(plus), float(minus))
                          for part, sign, nominal, plus, minus in zip(*columns, strict=True)])  # fmt: skip
    return {"nominal": found.nominal, "worst_case_max": found.worst_high, "worst_case_min": found.worst_low, "mean": found.mean,
            "rss_half": found.rss_half, "rss_max": found.likely[1], "rss_min": found.likely[0], "sigma_if_tol_is_3sigma": found.sd,
            "p_gap_below_zero_if_3sigma": found.below_zero}  # fmt: skip


def bar_stiffness(case: dict, tables: list[Table]) -> dict[str, Any]:
    answers = {}
    for d, length, modulus, force in zip(*(tables[0][name] for name in ("d_mm", "L_mm", "E_MPa", "F_N")), strict=True):
        bar = effects.round_bar(float(d), float(length), float(modulus), float(force))
        answers[f"d{d}_L{length}"] = {
            "I_mm4": bar.second_moment_mm4, "J_mm4": bar.polar_moment_mm4, "cantilever_k_N_per_mm": bar.cantilever_N_per_mm,
            "simply_supported_centre_k": bar.supported_N_per_mm, "fixed_fixed_centre_k": bar.clamped_N_per_mm,
            "cantilever_deflection_mm": bar.cantilever_mm, "torsion_k_Nmm_per_rad": bar.torsion_Nmm_per_rad,
        }  # fmt: skip
    return answers


def spring_rate(case: dict, tables: list[Table]) -> dict[str, Any]:
    wire, coil, turns, modulus = ([float(cell) for cell in tables[0][name]] for name in ("d", "D", "n_active", "G"))
    rates = [effects.spring_rate(*given) for given in zip(wire, coil, turns, modulus, strict=True)]
    return {"k_lbf_per_in": rates[0], "C": coil[0] / wire[0], "metric": {"k_N_per_mm": rates[1], "series_two": rates[1] / 2}}


def ackermann(case: dict, tables: list[Table]) -> dict[str, Any]:
    base, track = float(tables[0]["wheelbase"][0]), float(tables[0]["kingpin_track"][0])
    rows = [{"inner_deg": int(inner), "outer_ackermann_deg": effects.outer_angle_deg(float(inner), track, base),
             "cot_difference": track / base, "turn_radius_rear_axle_centre": effects.turn_radius_mm(float(inner), track, base)}
            for inner in tables[0]["inner_deg"]]  # fmt: skip
    example = case["expected"]["percent_ackermann_example"]
    percent = effects.ackermann_percent(example["inner"], example["outer_actual"], track, base)
    return {"rows": rows, "percent_ackermann_example": {**example, "percent": percent}}


BENCH_RUNNERS: dict[str, Callable[[dict, list[Table]], dict[str, Any]]] = {
    "capability": capability, "gauge_study": gauge_study, "iso_286_fit": iso_286_fit, "tolerance_stack": tolerance_stack,
    "bar_stiffness": bar_stiffness, "spring_rate": spring_rate, "ackermann": ackermann,
}  # fmt: skip
