"""The season's hours: which questions can be settled in time by what is booked, and the cheapest hours that would do.

A question needs some sessions on different days, each with some minutes of cars, on or before the day it is due. The
choice is a small integer program, given to scipy's solver (HiGHS): a greedy by due date books more than it needs.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

MOST_CELLS = 4000
"""Questions times sessions; beyond any real season."""


class Due(NamedTuple):
    """What a question still needs. sessions: None = more than the outlook looks ahead, so not in sight of a verdict.

    minutes : of the hall, in each session;  due : the day by which the last session must have been driven
    """

    question: str
    sessions: int | None
    minutes: float
    due: date | None


class Block(NamedTuple):
    """Hall time: booked, or on offer at a price for the whole block. minutes: running time."""

    name: str
    on: date
    minutes: float
    booked: bool = True
    price: float = 0.0


class Season(NamedTuple):
    """Which sessions serve which question. late: question -> sessions it still lacks; bought: blocks to book, by name."""

    sessions: dict[str, tuple[str, ...]]
    late: dict[str, int]
    bought: tuple[str, ...]
    price: float


def latest_ruling(freeze: date, lead_days: int, corrections: int = 1, correction_days: int = 14) -> date:
    """The last day on which a part can be ruled on: freeze less tool lead time less correction rounds.

    First-off parts need one to three corrections; how long one takes is the shop's own figure (from memory; defaults ours).
    """
    return freeze - timedelta(days=lead_days + corrections * correction_days)


def due_day(decide_by: date | None, latest: date | None) -> date | None:
    """The earlier of the question's own date and its part's latest ruling date."""
    known = [day for day in (decide_by, latest) if day is not None]
    return min(known, default=None)


def booked_season(asked: Sequence[Due], blocks: Sequence[Block], today: date) -> Season:
    """What the booked hours settle; the earlier a question is due, the more it counts."""
    return _solve(asked, [b for b in blocks if b.booked and b.on >= today], today)


def cheapest_season(asked: Sequence[Due], blocks: Sequence[Block], today: date) -> Season:
    """The cheapest blocks on offer, beside those booked, that settle as much as can be settled at all."""
    return _solve(asked, [b for b in blocks if b.on >= today], today)


def _solve(asked: Sequence[Due], blocks: Sequence[Block], today: date) -> Season:
    """Maximise sessions given (a lack weighs more than any price), then the price, then early days."""
    wanted = sorted((q for q in asked if q.sessions), key=lambda q: (q.due or date.max, q.question))
    cells = [(i, j) for i, q in enumerate(wanted) for j, b in enumerate(blocks)
             if (q.due is None or b.on <= q.due) and b.minutes >= q.minutes]  # fmt: skip
    if not cells or len(cells) > MOST_CELLS:
        return Season({q.question: () for q in wanted}, {q.question: q.sessions or 0 for q in wanted}, (), 0.0)
    chosen, bought = _solved(wanted, blocks, cells, today)
    sessions = {q.question: tuple(blocks[j].name for k, j in sorted(chosen, key=lambda c: blocks[c[1]].on) if k == i)
                for i, q in enumerate(wanted)}  # fmt: skip
    late = {q.question: lack for q in wanted if (lack := (q.sessions or 0) - len(sessions[q.question])) > 0}
    return Season(sessions, late, tuple(blocks[j].name for j in bought), sum(blocks[j].price for j in bought))


def _solved(wanted: Sequence[Due], blocks: Sequence[Block], cells: Sequence[tuple[int, int]], today: date
            ) -> tuple[list[tuple[int, int]], list[int]]:  # fmt: skip
    """(question, block) pairs driven, and blocks to book. Variables: a cell each, a block each, a question settled each."""
    import numpy as np
    from scipy.optimize import Bounds, LinearConstraint, milp

    n, m, q = len(cells), len(blocks), len(wanted)
    dearest = sum(b.price for b in blocks if not b.booked) + 1.0
    days = max((b.on - today).days for b in blocks) + 1.0
    cost = np.zeros(n + m + q)
    cost[:n] = [1e-3 * (blocks[j].on - today).days / days / n for _, j in cells]  # early where it is free
    cost[n : n + m] = [b.price for b in blocks]
    cost[n + m :] = [-dearest * (1.0 + 0.5 * (q - i) / q) for i in range(q)]  # settled in time, the earliest due most
    rows, low, high = [], [], []
    for i, asked in enumerate(wanted):  # settled needs all its sessions, and never more than those
        row = np.zeros(n + m + q)
        row[[k for k, (own, _) in enumerate(cells) if own == i]] = 1.0
        upper = row.copy()
        row[n + m + i] = -float(asked.sessions or 0)
        rows += [row, upper]
        low += [0.0, 0.0]
        high += [np.inf, float(asked.sessions or 0)]
    for j, block in enumerate(blocks):
        row = np.zeros(n + m + q)
        for k, (i, own) in enumerate(cells):
            if own == j:
                row[k] = wanted[i].minutes
        row[n + j] = -block.minutes
        rows.append(row)
        low.append(-np.inf)
        high.append(0.0)
    cost[:n] -= 1e-2 / n  # what does not settle a question brings it nearer, in hours that are booked anyway
    found = milp(cost, integrality=np.ones(n + m + q), bounds=Bounds(0.0, 1.0), constraints=LinearConstraint(np.array(rows), low, high))
    if found.x is None:
        return [], []
    x = np.round(found.x)
    return [cell for k, cell in enumerate(cells) if x[k]], [j for j in range(m) if x[n + j] and not blocks[j].booked]
