"""Could something else explain the difference? Read before any posterior is trusted: a prior hides an alias.

Rows are the runs of the control or one rival; x marks the rival. x is residualised on driver x session, then also on a
clock slope per session, then also on every part that changed along. What is left is what the plan can show:
VIF = |x - mean|^2 / |rest|^2 and n_eff = 4 |rest|^2, the runs of a perfectly balanced plan this one is worth.
Sources: variance inflation, Marquardt (1970), from memory; effective number of drivers = inverse Simpson index, from
memory; the cuts are common practice, no source (chosen on simulated plans, where a cut of 5 missed A-then-B orders).
"""

from collections.abc import Sequence

import numpy as np

from app.evidence.design_rows import DesignRow, rows_of
from app.evidence.inputs import Evidence, Question
from app.evidence.links import Array
from app.evidence.phrases import count, joined, percent
from app.evidence.ratings import other_parts
from app.evidence.results import DesignReading, Flag

ORDER = "the order of the runs"
ALIASED = 1e-8  # of the total; below this the rank does not rise
BLOCKING_VIF, WARNING_VIF = 4.0, 2.5
LEAST_N_EFF = 6.0
LEAST_EFFECTIVE = 1.5  # drivers or sessions; one of them then holds more than 80 % of two
WARNING_PHI = 0.8
INFORMATIVE_SHARE = 0.05


def check_design(evidence: Evidence, variant: str, criterion: str | None) -> DesignReading:
    """What the runs of `variant` and the control, as driven, rated or timed, can show about their difference."""
    return design_of(evidence.question, variant, rows_of(evidence, criterion))


def design_of(question: Question, variant: str, driven: Sequence[DesignRow]) -> DesignReading:
    """The same for runs given one by one, such as a plan before it is driven."""
    rows = [m for m in driven if m.variant in (question.control, variant)]
    runs = sum(m.variant == variant for m in rows)
    if not 0 < runs < len(rows):
        return DesignReading(variant, runs, None, None, None, 0.0, 0.0, 0.0, (), (), {}, ())
    x = np.array([m.variant == variant for m in rows], dtype=float)
    total = float(((x - x.mean()) ** 2).sum())
    cells = _codes([(m.driver, m.session) for m in rows])
    slopes = _clock_slopes(rows)
    parts = other_parts(rows, question.control)
    rest1 = _rest(x, cells, [])
    rest2 = _rest(x, cells, slopes)
    rest3 = _rest(x, cells, slopes + list(parts.values()))
    correlation = {name: _correlation(rest1, _rest(part, cells, [])) for name, part in parts.items()}
    sizes = [float(rest @ rest) for rest in (rest1, rest2, rest3)]
    partner = _alias_partner(rows, x, total, sizes, correlation, parts)
    if partner == ORDER:
        vif = round(total / sizes[0], 6)
        late = (Flag("late_only", variant, _order_sentence(question, variant, rows), blocks=True),)
        return DesignReading(variant, runs, vif, None, None, 0.0, 0.0, 0.0, (), (), correlation, late)
    if partner:
        v1, v2, v3 = (round(total / size, 6) if size > ALIASED * total else None for size in sizes)
        aliased = (_aliased_flag(variant, partner),)
        return DesignReading(variant, runs, v1, v2, v3, 0.0, 0.0, 0.0, (), (), correlation, aliased)
    driver_shares = _shares(rest3, [m.driver for m in rows])
    session_shares = _shares(rest3, [m.session for m in rows])
    vif1, vif2, vif3 = (round(total / size, 6) for size in sizes)
    n_eff = round(4.0 * sizes[2], 6)
    drivers_eff, sessions_eff = _effective(driver_shares), _effective(session_shares)
    flags = _flags(
        question, variant, rows, (vif2, vif3), n_eff, (drivers_eff, sessions_eff), driver_shares, correlation
    )
    return DesignReading(
        variant, runs, vif1, vif2, vif3, n_eff, drivers_eff, sessions_eff,
        tuple(d for d, share in driver_shares.items() if share >= INFORMATIVE_SHARE),
        tuple(s for s, share in session_shares.items() if share >= INFORMATIVE_SHARE),
        correlation, flags,
    )  # fmt: skip


def _codes(labels: Sequence[object]) -> np.ndarray:
    number = {label: i for i, label in enumerate(dict.fromkeys(labels))}
    return np.array([number[label] for label in labels], dtype=np.int64)


def _rest(x: Array, cells: np.ndarray, columns: Sequence[Array]) -> Array:
    """x with cell means and then the columns' span (singular values below 1e-8 of the largest dropped) taken out."""

    def centred(values: Array) -> Array:
        return values - (np.bincount(cells, values) / np.bincount(cells))[cells]

    rest = centred(x)
    if columns:
        u, s, _ = np.linalg.svd(np.column_stack([centred(c) for c in columns]), full_matrices=False)
        basis = u[:, s > ALIASED * max(1.0, float(s.max()))]
        rest = rest - basis @ (basis.T @ rest)
    return rest


def _clock_slopes(rows: Sequence[DesignRow]) -> list[Array]:
    """One column per session whose every run has a start time: its hours there, 0 elsewhere."""
    slopes = []
    for session in sorted({m.session for m in rows}):
        own = [m for m in rows if m.session == session]
        if all(m.clock_min is not None for m in own):
            slopes.append(np.array([(m.clock_min or 0.0) / 60.0 if m.session == session else 0.0 for m in rows]))
    return slopes


def _correlation(a: Array, b: Array) -> float:
    size = float(np.sqrt((a @ a) * (b @ b)))
    return round(float(a @ b) / size, 6) if size > 1e-12 else 0.0


def _shares(rest: Array, labels: Sequence[str]) -> dict[str, float]:
    whole = float(rest @ rest)
    return {
        label: float(sum(r * r for r, own in zip(rest, labels, strict=True) if own == label)) / whole
        for label in sorted(set(labels))
    }


def _effective(shares: dict[str, float]) -> float:
    return round(1.0 / sum(share * share for share in shares.values()), 6)


def _alias_partner(
    rows: Sequence[DesignRow], x: Array, total: float, sizes: Sequence[float], correlation: dict[str, float], parts: dict[str, Array]
) -> str:
    """What the rival cannot be told apart from, or '' if it can."""
    if sizes[0] <= ALIASED * total:
        for name in ("driver", "session"):
            rest = _rest(x, _codes([getattr(m, name) for m in rows]), [])
            if rest @ rest <= ALIASED * total:
                return name
        return "driver and session together"
    if sizes[1] <= ALIASED * total:
        return ORDER
    if sizes[2] <= ALIASED * total:
        return _part_partner(rows, x, total, correlation, parts)
    return ""


def _part_partner(
    rows: Sequence[DesignRow], x: Array, total: float, correlation: dict[str, float], parts: dict[str, Array]
) -> str:
    """The level that always came along, else the part that never was the control's, else all parts together."""
    closest = max(correlation, key=lambda name: abs(correlation[name]))
    if abs(correlation[closest]) > 1.0 - 1e-6:
        return closest
    cells, slopes = _codes([(m.driver, m.session) for m in rows]), _clock_slopes(rows)
    names = sorted({name.partition("=")[0] for name in parts})
    for own in names:
        rest = _rest(x, cells, slopes + [column for name, column in parts.items() if name.partition("=")[0] == own])
        if rest @ rest <= ALIASED * total:
            return f"another {own}"
    return joined(names)


def _aliased_flag(variant: str, partner: str) -> Flag:
    sentences = {
        "driver": f"No driver drove both {variant} and the control: a difference may be the drivers'.",
        "session": f"{variant} and the control were never driven on the same day: a difference may be the day's.",
        "driver and session together": f"No driver drove both {variant} and the control on one day.",
    }
    package = f"{variant} always came together with {partner}: only the package of both can be judged."
    return Flag("aliased", variant, sentences.get(partner, package), blocks=True)


def _flags(
    question: Question,
    variant: str,
    rows: Sequence[DesignRow],
    vifs: tuple[float, float],
    n_eff: float,
    effective: tuple[float, float],
    driver_shares: dict[str, float],
    correlation: dict[str, float],
) -> tuple[Flag, ...]:
    flags = []
    clock_vif, parts_vif = vifs
    if clock_vif >= BLOCKING_VIF:
        flags.append(Flag("late_only", variant, _order_sentence(question, variant, rows), blocks=True))
    if parts_vif >= BLOCKING_VIF and clock_vif < BLOCKING_VIF:
        partner = max(correlation, key=lambda name: abs(correlation[name]))
        worth = f"{len(rows)} runs are worth {n_eff:.0f} of a balanced plan"
        flags.append(Flag("inflated", variant, f"{variant} nearly always came with {partner}: {worth}.", blocks=True))
    elif n_eff < LEAST_N_EFF and clock_vif < BLOCKING_VIF:
        worth = f"the runs are worth {n_eff:.1f} of a balanced plan; {LEAST_N_EFF:g} are wanted"
        flags.append(Flag("inflated", variant, f"Too few runs can be compared: {worth}.", blocks=True))
    elif WARNING_VIF <= max(vifs) < BLOCKING_VIF:
        flags.append(Flag("warning", variant, f"The plan makes {variant}'s result {max(vifs):.1f} times less certain."))
    for name, phi in correlation.items():
        if abs(phi) >= WARNING_PHI:
            flags.append(Flag("warning", variant, f"{variant} and {name} changed together (correlation {phi:.2f})."))
    if effective[0] < LEAST_EFFECTIVE or max(driver_shares.values()) > 0.8:
        driver = max(driver_shares, key=lambda d: driver_shares[d])
        told = f"{percent(driver_shares[driver])} of what is known about {variant} comes from one driver, {driver}."
        flags.append(Flag("one_driver", variant, told, blocks=True))
    if len({m.session for m in rows}) > 1 and effective[1] < LEAST_EFFECTIVE:  # a single session has its own gate
        flags.append(Flag("one_session", variant, f"Nearly all that is known about {variant} comes from one session."))
    if unknown := len({m.session for m in rows if m.clock_min is None}):
        told = f"the order of runs is not known in {count(unknown, 'session')}; a change of the track is not ruled out"
        flags.append(Flag("warning", variant, f"For {variant}, {told}."))
    return tuple(flags)


def _order_sentence(question: Question, variant: str, rows: Sequence[DesignRow]) -> str:
    """Always late, or early here and late there: the same inflation, but not the same sentence."""
    late = set()
    for session in {m.session for m in rows}:
        times = {
            side: [m.clock_min for m in rows if m.session == session and m.variant == side and m.clock_min is not None]
            for side in (question.control, variant)
        }
        if all(times.values()):
            late.add(np.mean(times[variant]) > np.mean(times[question.control]))
    if late == {True}:
        return f"{variant} was always driven after the control: a change of the track cannot be told from the part."
    if late == {False}:
        return f"{variant} was always driven before the control: a change of the track cannot be told from the part."
    return f"For {variant}: within each session, order and track change can't be told apart."
