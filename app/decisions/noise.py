"""How noisy the panel's marks are, learned for each question once, at its first look, from the programme's other questions.

Fixed then, so that one late slip elsewhere does not move every sheet; part of the evidence and its fingerprint. Whoever
looks first at a question that has something to fit fixes it, and with it every other question in the same state.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from app.db import DatabaseFault, Db, is_writing, transaction
from app.decisions.facts import Loaded
from app.decisions.summaries import latest_sheets
from app.questions.commands import fix_panel_noise

if TYPE_CHECKING:  # types only: evidence loads with the first sheet, not with the app
    from app.evidence.inputs import Evidence
    from app.evidence.rows import PanelNoise


def take_first_looks(db: Db, programme_id: int, loaded: Mapping[int, Loaded]) -> dict[int, Loaded]:
    """Those of `loaded` that are looked at for the first time, on what the panel has taught; that is kept from now on.

    `loaded` holds every question of the programme that was not looked at yet: they learn from each other as well.
    """
    first = {
        qid: one for qid, one in loaded.items() if one.question.panel_noise is None and one.look is not None and _has_fit(one.look)
    }
    if not first:
        return {}
    from app.evidence.panel_noise import learn
    from app.evidence.story import noise_seen

    seen = {qid: sheet.noise for qid, sheet in latest_sheets(db, programme_id).items() if sheet.noise is not None}
    seen |= {qid: noise_seen(one.look) for qid, one in first.items() if one.look is not None}
    learned = {qid: learn([entry for other, entry in sorted(seen.items()) if other != qid]) for qid in first}
    _keep(db, {qid: asdict(noise) if noise is not None else {} for qid, noise in learned.items()})
    return {qid: _standing_on(one, learned[qid]) for qid, one in first.items()}


def _has_fit(look: Evidence) -> bool:
    """Is there a driver-session with two variants rated on something that decides?"""
    from app.evidence.criteria import deciding  # with numpy, which loads with the first sheet, not with the app
    from app.evidence.ratings import what_enters

    return any(name in look.question.scales and what_enters(look.marks, name)[0] for name in deciding(look.question))


def _keep(db: Db, values: Mapping[int, dict[str, Any]]) -> None:
    """In a transaction of its own unless this one is writing anyway; where it can't be written, the next look learns it."""
    if is_writing(db):
        fix_panel_noise(db, values)
        return
    try:
        with Db(db.get_bind()) as own, transaction(own):
            fix_panel_noise(own, values)
    except DatabaseFault:
        return


def _standing_on(one: Loaded, noise: PanelNoise | None) -> Loaded:
    look, running, without = one.look, one.running, one.without
    return replace(one, look=look and replace(look, panel_noise=noise), running=running and replace(running, panel_noise=noise),
                   without=without and replace(without, panel_noise=noise))  # fmt: skip
