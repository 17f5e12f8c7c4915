"""What a next session would settle.

Sources: the posterior variance after more rows, by extending the design and inverting the whole precision matrix (linear
algebra, no shortcut); preposterior variance of a normal mean, Raiffa & Schlaifer (1961), *from memory*.
"""

import math
from dataclasses import replace

import numpy as np
import pytest

from app.evidence.fitted import Joint
from app.evidence.inputs import Evidence, Goal, Must, Question, Rule, Scale
from app.evidence.mixture import Mixture
from app.evidence.outlook import _after_choices, _new_noise, _told, look_ahead
from app.evidence.preferences import fit_preferences
from app.evidence.rows import Preference
from app.evidence.story import roll_up
from tests.evidence.make import pair_question, programme


def joint(n_variants=2, drivers=3, k=2, seed=0):
    """A made-up posterior over mu, beta, driver effects and g, with a random positive definite precision."""
    rng = np.random.default_rng(seed)
    g = drivers if n_variants == 2 else drivers * n_variants
    first = {"mu": 0, "beta": 1, "driver": n_variants, "g": n_variants + drivers}
    size = n_variants + drivers + g
    a = rng.normal(size=(k, size, size))
    precision = a @ a.transpose(0, 2, 1) + size * np.eye(size)
    names = tuple(f"D{i}" for i in range(drivers))
    return Joint(np.full(k, 1 / k), rng.normal(size=(k, size)), precision, 1.0, first, n_variants, names,
                 np.full(k, 0.5), np.full(k, 0.4), np.full(k, 0.3), np.full(k, 0.8))  # fmt: skip


def brute_variance(given, h, drivers, runs, rival):
    """Variance of beta after the session, run by run, every new effect a coefficient of its own."""
    size = given.precision.shape[1]
    extra = 1 + len(drivers) + (1 if given.n_variants == 2 else 2)
    whole = np.zeros((size + extra, size + extra))
    whole[:size, :size] = given.precision[h]
    sds = [given.session_sd[h]] + [given.cell_sd[h]] * len(drivers) + [given.session_variant_sd[h]] * (extra - 1 - len(drivers))
    whole[range(size, size + extra), range(size, size + extra)] = [sd**-2 for sd in sds]
    for d, name in enumerate(drivers):
        number = given.drivers.index(name)
        for v in [0, rival] * (runs // 2):
            row = np.zeros(size + extra)
            row[given.first["mu"]] = 1
            if v:
                row[given.first["beta"] + v - 1] = 1
            row[given.first["driver"] + number] = 1
            if given.n_variants == 2:
                row[given.first["g"] + number] = 0.5 if v else -0.5
                row[size + 1 + len(drivers)] = 0.5 if v else -0.5
            else:
                row[given.first["g"] + number * given.n_variants + v] = 1
                row[size + 1 + len(drivers) + (v > 0)] = 1
            row[size] = row[size + 1 + d] = 1
            whole += np.outer(row, row) / given.row_variance[h]
    beta = given.first["beta"] + rival - 1
    return np.linalg.inv(whole)[beta, beta]


@pytest.mark.parametrize(
    ("variants", "rival", "drivers", "runs"),
    [(2, 1, ("D0", "D2"), 4), (2, 1, ("D1",), 2), (3, 2, ("D0", "D1", "D2"), 6)],
)
def test_the_variance_left_is_that_of_the_extended_design(variants, rival, drivers, runs):
    given = joint(variants)
    covariance = np.linalg.inv(given.precision)
    beta = given.first["beta"] + rival - 1
    left = covariance[:, beta, beta] - _told(given, covariance, beta, rival, drivers, runs)
    expected = [brute_variance(given, h, drivers, runs, rival) for h in range(len(given.weights))]
    assert left == pytest.approx(expected, rel=1e-9)


def test_the_new_noise_is_symmetric_and_positive():
    noise = _new_noise(joint(), [(0, 0), (0, 1), (1, 0), (1, 1)], 4)
    assert np.allclose(noise, noise.transpose(0, 2, 1))
    assert (np.linalg.eigvalsh(noise) > 0).all()


def undecided(seed=3, **rule):
    marks = programme(np.random.default_rng(seed), effects=(0.0, 0.7), attributes=("grip", "calm"), sessions=3)
    return Evidence(pair_question(Scale(), musts=(Must("calm", 0.5),), drivers=2, **rule), tuple(marks))


def test_a_retest_has_candidates_ranked_by_their_chance():
    (outlook,) = look_ahead(undecided())
    assert len(outlook.candidates) == 7 * 4  # every group of three drivers, four numbers of runs
    chances = [c.p_settle for c in outlook.candidates]
    assert chances == sorted(chances, reverse=True)
    for c in outlook.candidates:
        assert c.p_settle == pytest.approx(c.p_adopt + c.p_reject + c.p_setting, abs=2e-6)
        assert 0 <= c.p_settle <= 1
        assert c.runs == c.runs_each * len(c.drivers)


def test_more_runs_of_the_same_drivers_never_leave_more_variance():
    given = joint()
    covariance = np.linalg.inv(given.precision)
    told = [_told(given, covariance, 1, 1, ("D0", "D1"), runs)[0] for runs in (2, 4, 6, 8)]
    assert told == sorted(told)
    assert 0 < told[0] < told[-1] < covariance[0, 1, 1]


def test_a_closed_gate_leaves_nothing_to_settle():
    from dataclasses import replace

    from app.evidence.inputs import OpenConcern

    blocked = replace(undecided(), concerns=(OpenConcern("C-1", "B", True),))
    (outlook,) = look_ahead(blocked)
    assert all(c.p_adopt == 0 and c.p_setting == 0 for c in outlook.candidates)
    assert "what its verdict lacks is not met by one such session" in outlook.sentence


def test_nothing_driven_gives_a_sentence_and_no_candidate():
    (outlook,) = look_ahead(Evidence(pair_question(Scale()), ()))
    assert outlook.candidates == ()
    assert "before one driver has tried B and A" in outlook.sentence


def test_the_sheet_says_it_in_the_nearest_clause():
    sheet = roll_up(undecided(), ahead=True)
    assert sheet.verdicts[0].verdict == "retest"
    assert "One more session of" in sheet.verdicts[0].nearest
    assert sheet.outlook == look_ahead(undecided())
    assert roll_up(undecided()).outlook == ()


def test_more_choices_are_forecast_from_what_choices_told_so_far():
    """Nothing is promised where choices have told nothing; else more drivers tell more, down to no less than the truth."""
    question = Question("A", ("A", "B"), {}, Rule(goals=(Goal("preference"),), drivers=2))
    asked = [Preference(f"D{d}", f"S{s}", "A", "B", "B") for d in (1, 2, 3) for s in (1, 2)]
    asked[-1] = Preference("D3", "S2", "A", "B", "A")
    evidence = Evidence(question, preferences=tuple(asked))
    fit = fit_preferences(evidence)
    alone, two, three = _after_choices(fit, "B", [(("D1",), 4), (("D1", "D2"), 4), (("D1", "D2", "D3"), 4)])
    now = fit.population["B"].sd ** 2
    assert now > alone > two > three > 0
    silent = _after_choices(replace(fit, population={"B": Mixture(np.ones(1), np.zeros(1), np.ones(1))}), "B", [(("D1",), 4)])
    assert silent == pytest.approx([1.0])
    (outlook,) = look_ahead(evidence)
    best = outlook.candidates[0]
    assert best.drivers == ("D1", "D2", "D3")
    assert best.p_adopt > 0.05


def test_the_same_evidence_gives_the_same_figures():
    assert look_ahead(undecided()) == look_ahead(undecided())
    assert all(math.isfinite(c.p_settle) for c in look_ahead(undecided())[0].candidates)
