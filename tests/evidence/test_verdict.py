"""The rule: every clause reached from marks or from constructed posteriors, gates before figures, and its error rates.

Source: the written rule and its thresholds, which are common practice, no source (chosen on simulated programmes).
Posteriors are constructed where a clause needs exact probabilities; scipy's normal distribution gives those.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from app.evidence.fitted import Fitted
from app.evidence.inputs import Evidence, Fact, Gate, Goal, Must, OpenConcern, Question, Rule, Scale
from app.evidence.mixture import Mixture
from app.evidence.ratings import fit_attribute, scale_in_use, what_enters
from app.evidence.results import CLAUSES, DesignReading, Flag
from app.evidence.rows import Durability, Exposure
from app.evidence.story import roll_up
from app.evidence.verdict import RULE, decide, p_gain_of
from tests.evidence.make import pair_question, programme, up_to_session

FINE = DesignReading("B", 12, 1.0, 1.0, 1.0, 36.0, 3.0, 3.0, ("D0", "D1", "D2"), ("S0", "S1", "S2"), {}, ())


def normal(mean, sd=0.4):
    return Mixture(np.ones(1), np.array([mean]), np.array([sd]))


def with_p(p, above=0.0, sd=0.4):
    """A posterior with P(improvement > above) = p."""
    return normal(above + sd * norm.ppf(p), sd)


def fitted(question, attribute, improvements, own=None, between=None):
    """A fit of one attribute whose posteriors are given; three drivers, three sessions."""
    marks = programme(np.random.default_rng(0), effects=(0.0,) * len(question.variants), lost=0, absent=0)
    marks = tuple(replace(m, attribute=attribute) for m in marks)
    rivals = dict(zip(question.rivals, improvements, strict=True))
    drivers = ("D0", "D1", "D2")
    alone = {(v, d): rivals[v] for v in rivals for d in drivers}
    alone.update(own or {})
    runs = {v: sum(m.variant == v for m in marks) for v in question.variants}
    return Fitted(
        attribute, marks, runs, drivers, ("S0", "S1", "S2"), {}, False, rivals, rivals, alone, between or {}
    )


def verdict_of(question, fits, design=FINE, **extra):
    evidence = Evidence(question, **extra)
    designs = {v: replace(design, variant=v) for v in question.rivals}
    verdicts, _ = decide(evidence, fits, designs)
    return verdicts[0] if len(verdicts) == 1 else verdicts


def one_goal(goal, must=None, design=FINE, own=None, extra=None, **rule):
    question = pair_question(Scale(), (Must("calm"),) if must is not None else (), **rule)
    fits = {"grip": fitted(question, "grip", [goal], own)}
    if must is not None:
        fits["calm"] = fitted(question, "calm", [must])
    return verdict_of(question, fits, design, **(extra or {}))


@pytest.mark.parametrize(
    "goal, must, word, clause",
    [
        (with_p(0.97), normal(0.0), "adopt", "gain"),
        (with_p(0.955), normal(0.0), "retest", "gain_not_shown"),
        (with_p(0.97), with_p(0.70, -0.5, 1.5), "retest", "must_not_shown"),
        (normal(3.0), with_p(0.70, -0.5, 0.2), "adopt", "large_gain"),
        (with_p(0.97), with_p(0.14, -0.5), "setting", "gain_with_harm"),
        (normal(0.3), with_p(0.14, -0.5), "reject", "harm"),
        (with_p(0.09), normal(0.0), "reject", "loss"),
        (with_p(0.04, 0.5, 0.25), normal(0.0), "reject", "futility"),
        (with_p(0.5, 0.5, 0.6), normal(0.0), "retest", "gain_not_shown"),
    ],
)
def test_the_rule_of_gain(goal, must, word, clause):
    found = one_goal(goal, must)
    assert (found.verdict, found.clause) == (word, clause)
    assert found.nearest


@pytest.mark.parametrize("variants, planned, p", [(2, 6, 0.96), (3, 6, 0.98), (4, 6, 0.99), (6, 6, 0.99), (2, 7, 0.97)])
def test_more_rivals_and_more_looks_ask_for_more(variants, planned, p):
    assert RULE.p_gain(variants, planned) == pytest.approx(p)


@pytest.mark.parametrize("variants, planned, p", [(2, 6, 0.976), (3, 6, 0.988), (4, 6, 0.994), (2, 7, 0.982), (4, 7, 0.995)])
def test_a_goal_of_forced_preferences_asks_for_more(variants, planned, p):
    """common practice, no source: counted on simulated programmes, see `thresholds`."""
    assert RULE.p_gain(variants, planned, by_choice=True) == pytest.approx(p)
    question = Question("A", ("A", "B", "C", "D")[:variants], {}, Rule(goals=(Goal("preference"),), planned_looks=planned))
    fit = fitted(question, "preference", [normal(0.3)] * (variants - 1))
    assert p_gain_of(question, {"preference": fit}) == pytest.approx(p)


def flagged(kind):
    return replace(FINE, flags=(Flag(kind, "B", "Something in the plan.", blocks=True),))


GOOD, LOSS = with_p(0.99), with_p(0.01)


@pytest.mark.parametrize("kind", ["aliased", "one_driver", "late_only", "inflated"])
@pytest.mark.parametrize("goal", [GOOD, LOSS, normal(0.3)], ids=["adopt", "reject", "retest"])
def test_a_hard_flag_of_the_plan_turns_any_verdict_into_a_retest(kind, goal):
    found = one_goal(goal, design=flagged(kind))
    assert (found.verdict, found.clause) == ("retest", kind)


def test_one_session_never_adopts_nor_rejects():
    single = replace(FINE, informative_sessions=("S0",), sessions_eff=1.0)
    for goal in (GOOD, LOSS):
        found = one_goal(goal, design=single)
        assert (found.verdict, found.clause) == ("retest", "sessions")
        assert "so far: 1 of 3 sessions" in found.sentence
    assert "2 sessions (now: 1 of 3 sessions)" in one_goal(GOOD, design=single).nearest


def test_declared_drivers_are_a_gate_to_adopt_only():
    two = replace(FINE, informative_drivers=("D0", "D1"), drivers_eff=2.0)
    assert one_goal(GOOD, design=two, drivers=3).clause == "drivers"
    assert one_goal(GOOD, design=two, drivers=2).verdict == "adopt"
    assert one_goal(LOSS, design=two, drivers=3).verdict == "reject"


def test_two_drivers_and_two_sessions_are_the_floor_whatever_is_declared():
    one = replace(FINE, informative_drivers=("D0",))
    assert one_goal(GOOD, design=one, drivers=1).clause == "drivers"
    assert one_goal(GOOD, design=replace(FINE, informative_sessions=("S0",)), sessions=1).clause == "sessions"


@pytest.mark.parametrize(
    "extra, rule, clause",
    [
        ({"concerns": (OpenConcern("C-01", "B", True),)}, {}, "blocked"),
        ({"gates": (Gate("20 board hits", False, "B"),)}, {}, "blocked"),
        ({"gates": (Gate("durability", False, "B"),)}, {}, "durability"),
        ({}, {"durability": Durability(1.0)}, "durability"),
        ({}, {"blind_share": 0.5}, "blind"),
        ({}, {"conditions": ("warm turf",)}, "conditions"),
    ],
)
def test_other_gates_stop_adopt_and_leave_reject(extra, rule, clause):
    assert (one_goal(GOOD, extra=extra, **rule).verdict, one_goal(GOOD, extra=extra, **rule).clause) == (
        "retest",
        clause,
    )
    assert one_goal(LOSS, extra=extra, **rule).verdict == "reject"


def test_a_concern_that_does_not_block_or_touches_another_variant_changes_nothing():
    assert (
        one_goal(GOOD, extra={"concerns": (OpenConcern("C-01", "B"), OpenConcern("C-02", "A", True))}).verdict
        == "adopt"
    )


def test_drivers_who_differ_are_a_conflict_with_an_offer():
    own = {("B", "D0"): with_p(0.85, 0.5), ("B", "D1"): with_p(0.15, -0.5)}
    found = one_goal(GOOD, own=own)
    assert (found.verdict, found.clause, found.offer) == ("retest", "conflict", "Keep both as a setting.")
    assert "D0 is better off" in found.sentence
    assert one_goal(with_p(0.04, 0.5, 0.25), own=own).clause == "conflict"  # futility too
    assert one_goal(LOSS, own=own).verdict == "reject"


def test_no_paired_run_is_too_thin():
    sheet = roll_up(Evidence(pair_question(Scale())))
    assert (sheet.verdicts[0].verdict, sheet.verdicts[0].clause) == ("retest", "thin")


def no_worse(must, values=None, design=FINE):
    fact = None if values is None else Fact("mass", values, unit="g")
    question = Question("A", ("A", "B"), {"calm": Scale()}, Rule("no_worse", musts=(Must("calm"),), fact=fact))
    return verdict_of(question, {"calm": fitted(question, "calm", [must])}, design)


@pytest.mark.parametrize(
    "must, values, word, clause",
    [
        (with_p(0.96, -0.5), {"A": 12, "B": 10}, "adopt", "no_worse"),
        (with_p(0.94, -0.5), {"A": 12, "B": 10}, "retest", "must_not_shown"),
        (with_p(0.96, -0.5), {"A": 12, "B": 13}, "reject", "loss"),
        (with_p(0.96, -0.5), {"A": 12, "B": 12}, "reject", "loss"),
        (with_p(0.14, -0.5), {"A": 12, "B": 10}, "reject", "harm"),
        (with_p(0.96, -0.5), None, "retest", "gain_not_shown"),
        (with_p(0.96, -0.5), {"A": 12}, "retest", "gain_not_shown"),
    ],
)
def test_no_worse_is_enough(must, values, word, clause):
    found = no_worse(must, values)
    assert (found.verdict, found.clause) == (word, clause)


def test_two_that_pass_need_one_clearly_ahead():
    question = Question("A", ("A", "B", "C"), {"grip": Scale()}, Rule(goals=(Goal("grip"),)))
    both = [with_p(0.999), with_p(0.99)]
    level = fitted(question, "grip", both, between={("B", "C"): with_p(0.7)})
    assert [v.clause for v in verdict_of(question, {"grip": level})] == ["two_ahead", "two_ahead"]
    ahead = fitted(question, "grip", both, between={("B", "C"): with_p(0.85)})
    assert [(v.verdict, v.clause) for v in verdict_of(question, {"grip": ahead})] == [
        ("adopt", "gain"),
        ("retest", "two_ahead"),
    ]


def test_a_weighted_index_takes_the_sd_of_correlation_one():
    """Two equal ratings at P = .96 each are still .96 together; independence would claim Phi(1.75 sqrt 2) = .993."""
    rule = Rule(goals=(Goal("grip", 0.5), Goal("calm", 0.5)))
    question = Question("A", ("A", "B"), {"grip": Scale(), "calm": Scale()}, rule)
    for p, word in ((0.961, "adopt"), (0.959, "retest")):
        fits = {name: fitted(question, name, [with_p(p)]) for name in ("grip", "calm")}
        assert verdict_of(question, fits).verdict == word


def test_every_clause_is_in_the_closed_list():
    assert len(set(CLAUSES)) == len(CLAUSES)
    assert one_goal(GOOD).clause in CLAUSES


def test_distance_from_ideal_counts_nearer_as_better():
    """Bipolar: B always at 0, A two steps off either way; the signed means are equal and would show nothing."""
    scale = Scale(-5, 5, 1, "ideal_zero")
    marks = programme(np.random.default_rng(2), effects=(0.0, 0.0), lost=0, absent=0)
    signs = {"A": (2.0, -2.0, 3.0, -3.0), "B": (0.0, 0.0, 1.0, -1.0)}
    marks = [replace(m, rating=signs[m.variant][i % 4]) for i, m in enumerate(marks)]
    fit = fit_attribute(Evidence(pair_question(scale), tuple(marks)), "grip")
    assert fit.population["B"].mean > 1
    assert fit.population["B"].p_above(0.0) > 0.98


@pytest.mark.parametrize(
    "scale, marks, step",
    [
        (Scale(1, 10, 0.5), [1.0, 6.0, 10.0], 1.0),
        (Scale(1, 10, 0.5), [1.0, 6.5], 0.5),
        (Scale(1, 10, 1.0), [1.0, 10.0], 1.0),
        (Scale(0, 100, 1), [0.0, 40.0, 70.0], 10.0),
        (Scale(0, 100, 1), [5.0, 40.0], 5.0),
        (Scale(-5, 5, 0.5, "ideal_zero"), [-2.0, 3.0], 1.0),
        (Scale(-5, 5, 1, "ideal_zero"), [-5.0, 0.0, 5.0], 1.0),
    ],
)
def test_the_scale_in_use_is_no_finer_than_the_marks(scale, marks, step):
    assert scale_in_use(scale, marks).step == step
    assert scale_in_use(scale, marks).unit_r == pytest.approx(scale.unit_r)


def test_whole_marks_answer_alike_on_both_scales():
    marks = tuple(programme(np.random.default_rng(6), sessions=4, effects=(0.0, 1.0)))
    fits = [fit_attribute(Evidence(pair_question(s), marks), "grip") for s in (Scale(), Scale(1, 10, 0.5))]
    assert fits[0].population["B"].mean == fits[1].population["B"].mean


def test_what_enters_and_what_is_left_out():
    marks = programme(np.random.default_rng(1), lost=0, absent=0, sessions=2)
    broken = replace(marks[0], pairing_only=("no closing control",))
    spoiled = replace(marks[1], spoiled=("very late",))
    silent = replace(marks[5], rating=None)
    alone = [replace(m, session="S9", run=f"x{i}") for i, m in enumerate(marks) if m.variant == "B"][:2]
    entered, left_out = what_enters([broken, spoiled, *marks[2:5], silent, *marks[6:], *alone], "grip")
    assert broken in entered
    assert left_out == {"very late": 1, "could not judge": 1, "unpaired": 2}


def test_a_part_of_another_question_is_taken_into_account():
    """B was better only when the other question's part was on: with the indicator its own gain shrinks."""
    rng = np.random.default_rng(4)
    marks = programme(rng, lost=0, absent=0, sessions=4)
    on = [rng.random() < (0.8 if m.variant == "B" else 0.2) for m in marks]
    moved = [replace(m, rating=min(10.0, m.rating + 2.0 * part)) for m, part in zip(marks, on, strict=True)]
    named = [replace(m, others=(("Q-02", "new" if part else "old"),)) for m, part in zip(moved, on, strict=True)]
    blind_fit = fit_attribute(Evidence(pair_question(Scale()), tuple(moved)), "grip").population["B"].mean
    aware_fit = fit_attribute(Evidence(pair_question(Scale()), tuple(named)), "grip").population["B"].mean
    assert aware_fit < blind_fit - 0.3


@pytest.mark.parametrize(
    "effects, must, low, high",
    [((0.0, 0.0), 0.0, 0, 4), ((0.0, 2.0), 0.0, 14, 25), ((0.0, -1.0), 0.0, 0, 0)],
    ids=["equal", "+2 points", "-1 point"],
)
def test_how_often_it_adopts(effects, must, low, high):
    """25 simulated programmes of 3 drivers, read after sessions 2, 4 and 6, first decisive verdict counts.

    The written rates are 4, 80 and 0 %; limits leave room for 25 draws. A coarse alarm, not a calibration.
    """
    adopted = 0
    for seed in range(25):
        rng = np.random.default_rng((77, seed))
        marks = programme(rng, sessions=6, effects=effects, attributes=("grip", "calm"), must_effects=(0.0, must))
        for look in (2, 4, 6):
            question = pair_question(Scale(), (Must("calm"),), drivers=2)
            (verdict,) = roll_up(Evidence(question, tuple(up_to_session(marks, look)))).verdicts
            if verdict.verdict != "retest":
                adopted += verdict.verdict == "adopt"
                break
    assert low <= adopted <= high


def test_new_part_always_last_is_never_adopted():
    for seed in range(5):
        marks = programme(np.random.default_rng((5, seed)), sessions=4, effects=(0.0, 2.0), order="AABB", lost=0)
        (verdict,) = roll_up(Evidence(pair_question(Scale()), tuple(marks))).verdicts
        assert (verdict.verdict, verdict.clause) == ("retest", "late_only")


NEAR_MUST = with_p(0.76, -0.5, 1.5)


def test_what_would_undo_a_gain_is_whichever_stands_nearer_to_its_threshold():
    """In normal quantiles (scipy): P .99 is .58 from .96, and P .76 is .03 from .75."""
    assert norm.ppf(0.76) - norm.ppf(0.75) < norm.ppf(0.99) - norm.ppf(0.96)
    found = one_goal(with_p(0.99), NEAR_MUST)
    assert found.clause == "gain"
    assert found.nearest == "It would be a retest again if P(calm no worse) fell below .75; now .76."
    assert norm.ppf(0.90) - norm.ppf(0.75) > norm.ppf(0.965) - norm.ppf(0.96)
    found = one_goal(with_p(0.965), with_p(0.90, -0.5, 1.5))
    assert found.nearest == "It would be a retest again if P(better) fell below .96; now .96."


def test_a_large_gain_is_undone_only_where_its_must_falls_further():
    """P(gain worth having) >= .96 tolerates a must down to .60, as long as P(> -2 margin) stays at .95."""
    found = one_goal(normal(2.0), with_p(0.78, -0.5, 0.2))
    assert found.clause == "gain"
    assert found.nearest == "It would be a retest again if P(calm no worse) fell below .60; now .78."
    assert one_goal(normal(2.0), with_p(0.61, -0.5, 0.2)).verdict == "adopt"
    assert one_goal(normal(2.0), with_p(0.59, -0.5, 0.2)).verdict == "retest"
    found = one_goal(normal(2.0), with_p(0.78, -0.5, 1.0))  # so unsure a must is not tolerated below .75
    assert found.nearest.endswith("fell below .75; now .78.")


def test_undoing_the_gain_of_a_setting_leaves_a_rejection():
    found = one_goal(with_p(0.97), with_p(0.05, -0.5))
    assert found.clause == "gain_with_harm"
    assert found.nearest == "It would be rejected if P(better) fell below .96; now .97."
    assert one_goal(with_p(0.95), with_p(0.05, -0.5)).verdict == "reject"
    found = one_goal(with_p(0.995), with_p(0.145, -0.5))
    assert found.nearest == "It would be a retest again if P(calm worse) fell below .85; now .85."


def test_a_rejection_names_every_ground_it_stands_on():
    both = one_goal(with_p(0.05, 0.0, 2.0), with_p(0.10, -0.5))
    assert both.clause == "harm"
    told = "P(calm worse) fell below .85 (now .90), P(worse on grip) fell below .90 (now .95) and "
    assert both.nearest == f"It would be a retest if {told}P(gain worth having) rose above .05 (now .02); all three are needed."
    assert one_goal(with_p(0.05, 0.0, 2.0), normal(0.0)).verdict == "reject"  # harm alone undone: rejected still
    harm = one_goal(normal(0.3), with_p(0.10, -0.5))
    assert harm.nearest == "It would be a retest if P(calm worse) fell below .85 (now .90)."
    lost = one_goal(with_p(0.09, 0.0, 10.0), normal(0.0))
    assert lost.clause == "loss"
    assert lost.nearest == "It would be a retest if P(worse on grip) fell below .90 (now .91)."


def test_a_harmed_must_and_a_worse_figure_are_both_named():
    fact = Fact("mass", {"A": 12.0, "B": 13.5}, unit="g")
    question = Question("A", ("A", "B"), {"calm": Scale()}, Rule(kind="no_worse", musts=(Must("calm"),), fact=fact))
    found = verdict_of(question, {"calm": fitted(question, "calm", [with_p(0.10, -0.5)])})
    assert found.clause == "harm"
    assert found.nearest == "It would be a retest if P(calm worse) fell below .85 (now .90) and its figure beat A's; both are needed."
    assert ", by more than the rule allows; as a setting" in found.sentence


def figure_alone(control, rival, design=FINE):
    fact = Fact("mass", {"A": control, "B": rival} if rival else {"A": control}, unit="g")
    return verdict_of(Question("A", ("A", "B"), {}, Rule(kind="no_worse", fact=fact)), {}, design)


def test_a_figure_without_a_must_speaks_for_itself():
    good = figure_alone(12.4, 11.3)
    assert (good.verdict, good.clause) == ("adopt", "no_worse")
    assert good.sentence == "Adopt: mass 11.3 g against 12.4 g; the question names no must, so nothing else was asked of it."
    assert good.nearest == "It would be open again if the declared figures changed: mass 11.3 g against 12.4 g."
    bad = figure_alone(12.4, 13.3)
    assert bad.sentence == "Reject: mass 13.3 g against 12.4 g, no better than A."
    assert bad.nearest == "It would be open again with a better figure."
    unknown = figure_alone(12.4, None)
    assert unknown.sentence == "Retest: the declared figure of B or A is missing."


def test_a_figure_without_a_must_still_needs_its_programme():
    once = replace(FINE, informative_sessions=("S0",))
    good, bad = figure_alone(12.4, 11.3, once), figure_alone(12.4, 13.3, once)
    assert good.sentence.startswith("Retest: mass 11.3 g against 12.4 g, but ")
    assert "mass 13.3 g against 12.4 g, no better than A, and " in bad.sentence
    assert good.nearest.startswith("Adopt needs 2 sessions")
    assert bad.nearest.endswith("and a better figure than A's.")
    none = replace(FINE, runs=0, informative_sessions=(), informative_drivers=())
    assert figure_alone(12.4, 11.3, none).sentence == "Retest: mass 11.3 g against 12.4 g, but nothing compares B with A on the track."
    assert figure_alone(12.4, 13.3, none).nearest.startswith("Adopt needs a better figure than A's, and B and A timed")


def test_failures_without_a_must_are_not_said_to_be_shown():
    question = Question("A", ("A", "B"), {}, Rule(kind="no_worse", fact_failures=True))
    assert verdict_of(question, {}).sentence == "Retest: it is not shown yet that B breaks less often than A."
    used = (Exposure("A", laps=500, failures=9), Exposure("B", laps=500, failures=0))
    shown = verdict_of(question, {}, exposures=used)
    assert shown.sentence.startswith("Adopt: B breaks less often than A; the question names no must")
    assert shown.nearest == "It would be open again if it were no longer shown that B breaks less often than A (P ≥ .90)."


@pytest.mark.parametrize(("mean", "told"), [
    (-2.0, "(2.0 marks farther from ideal, 90 % interval −2.7 to −1.3 where + is nearer,"),
    (2.0, "(+2.0 marks nearer ideal, 90 % interval +1.3 to +2.7,"),
])  # fmt: skip
def test_farther_from_ideal_is_said_so(mean, told):
    """2 -+ 1.645 x .4 (scipy's normal distribution)."""
    assert round(2.0 - norm.ppf(0.95) * 0.4, 1) == 1.3
    question = pair_question(Scale(-5, 5, 1, "ideal_zero"))
    assert told in verdict_of(question, {"grip": fitted(question, "grip", [normal(mean)])}).sentence


def test_the_rival_behind_is_told_what_it_has_to_pass():
    question = Question("A", ("A", "B", "C"), {"grip": Scale()}, Rule(goals=(Goal("grip"),)))
    fit = fitted(question, "grip", [normal(3.0), normal(2.0)], between={("B", "C"): normal(1.0)})
    ahead, behind = verdict_of(question, {"grip": fit})
    assert (ahead.clause, behind.clause) == ("gain", "two_ahead")
    assert behind.nearest == "Adopt needs C ahead of each other rival that passes with P ≥ .80."
