"""The evidence sheet arranged for reading: pictures, tables and links back to runs. Computes no evidence."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from app.decisions.facts import Loaded
from app.decisions.rules import words
from app.web import charts
from app.web.filters import plural

if TYPE_CHECKING:  # types only: evidence loads with the first sheet, not with the app
    from app.evidence.results import BracketReading, Sheet

RATINGS = "ratings"


class BracketLine(NamedTuple):
    """A bracket with the ids its figures open to."""

    bracket: BracketReading
    run_id: int | None
    slip_id: int | None
    remark: str
    second_changes: Sequence[str]


class VariantPart(NamedTuple):
    """Everything the sheet shows of one rival."""

    variant: str
    title: str
    reading: Any
    reading_word: str
    verdict: Any
    brackets: Sequence[BracketLine]
    criteria: Sequence[Any]
    facts: Sequence[tuple[str, str]]


class SheetView(NamedTuple):
    parts: Sequence[VariantPart]
    counts: Sequence[tuple[str, str]]
    pictures: Sequence[tuple[str, Any]]
    strips: Sequence[tuple[str, Any]]
    effects: Any
    left_out: Sequence[tuple[str, int]]
    not_counted: Sequence[tuple[int, int, str, str]]
    after_all: Sequence[tuple[int, str, str]]  # slip id, label, the conductor's sentence
    amended_late: Sequence[tuple[int, str]]  # slip id, label: marks changed after the session was closed
    unit: str  # of effects on the attribute that the drivers are read on
    open_label: Sequence[tuple[str, int]]  # why slips of blind blocks count as open-label, and how many


def arrange(loaded: Loaded, sheet: Sheet, facts: Mapping[str, Sequence[tuple[str, str]]] | None = None, *,
            running: bool = False) -> SheetView:  # fmt: skip
    """A sheet with the rows it came from, ready for its template; `running`: with the open sessions' rows."""
    evidence = loaded.running if running else loaded.look
    titles = {variant.code: variant.title for variant in loaded.question.variants}
    verdicts = {verdict.variant: verdict for verdict in sheet.verdicts}
    readings = {reading.variant: reading for reading in sheet.panel.readings}
    parts = [
        VariantPart(
            variant, titles.get(variant, ""), readings.get(variant), words(readings[variant].reading) if variant in readings else "",
            verdicts.get(variant), _brackets(loaded, readings.get(variant)),
            [c for c in sheet.criteria if c.variant == variant], (facts or {}).get(variant, ()),
        )
        for variant in sheet.variants if variant != sheet.control
    ]  # fmt: skip
    return SheetView(parts, _counts(evidence, sheet), _pictures(evidence, sheet), _strips(evidence, sheet), _effects(evidence, sheet),
                     sorted(sheet.left_out.items()), _not_counted(loaded), _after_all(loaded), _amended_late(loaded),
                     _unit(evidence, sheet.panel.attribute), _open_label(loaded))  # fmt: skip


def _unit(evidence: Any, attribute: str | None) -> str:
    """What an effect on this attribute is counted in; on a scale with its ideal at zero the way matters."""
    bipolar = evidence is not None and attribute is not None and evidence.question.scales[attribute].kind == "ideal_zero"
    return "marks, + is nearer ideal" if bipolar else "points"


def _open_label(loaded: Loaded) -> list[tuple[str, int]]:
    """Of the slips in blind blocks only: elsewhere every slip is open-label, and that goes without saying."""
    blind = {run.run_id for block in loaded.blocks for run in block.runs}
    reasons = Counter(reason for slip_id, reason in loaded.open_labels.items() if loaded.slips[slip_id].run_id in blind)
    return sorted(reasons.items())


def _brackets(loaded: Loaded, reading: Any) -> list[BracketLine]:
    if reading is None:
        return []
    lines = []
    for bracket in reading.brackets:
        run_id = loaded.run_ids.get((bracket.session, bracket.run))
        slip = loaded.slips.get(int(bracket.source)) if str(bracket.source).isdigit() else None
        lines.append(BracketLine(bracket, run_id, slip.id if slip else None, slip.remark if slip else "",
                                 loaded.second_changes.get(run_id or 0, ())))  # fmt: skip
    return lines


def _counts(evidence: Any, sheet: Sheet) -> list[tuple[str, str]]:
    """How much stands behind the sheet, and what does not."""
    marks = [mark for mark in evidence.marks if mark.attribute == sheet.panel.attribute] if evidence else []
    raters, sessions = {mark.driver for mark in marks}, {mark.session for mark in marks}
    brackets = sum(1 for reading in sheet.panel.readings for b in reading.brackets if b.state == "counted")
    order = "order unknown" if sheet.order_unknown else "order known"
    share = sheet.panel.blind_share
    return [
        ("Marks", f"{plural(len(marks), 'mark')} by {plural(len(raters), 'judge')}"), ("Sessions", str(len(sessions))),
        ("Brackets", f"{brackets} counted" if brackets else "no brackets"), ("Running order", order),
        ("Blind share", f"{share:.0%}" if share is not None else "none yet"),
    ]  # fmt: skip


def _pictures(evidence: Any, sheet: Sheet) -> list[tuple[str, Any]]:
    """One interval picture an attribute that decides: population estimates with W and margin."""
    strand = next((item for item in sheet.strands if item.name == RATINGS), None)
    if strand is None or evidence is None:
        return []
    question = evidence.question
    margins = {must.attribute: must.margin for must in question.rule.musts}
    pictures = []
    for attribute in dict.fromkeys(key.split("|", 1)[1] for key in strand.estimates):
        rows = [
            charts.IntervalRow(variant, e.mean, e.low90, e.high90, e.n)
            for variant in sheet.variants if (e := strand.estimates.get(f"{variant}|{attribute}")) is not None
        ]  # fmt: skip
        worthwhile = question.worthwhile(attribute)
        margin = margins.get(attribute) or worthwhile  # a goal without a margin of its own: a loss as large as W
        pictures.append((attribute, charts.interval_picture(rows, worthwhile=worthwhile, margin=margin, unit=_unit(evidence, attribute))))
    return pictures


def _strips(evidence: Any, sheet: Sheet) -> list[tuple[str, Any]]:
    """(session, strip) with every mark on the primary attribute, a row a driver, in running order."""
    attribute = sheet.panel.attribute
    if evidence is None or attribute is None:
        return []
    sessions: dict[str, dict[str, list[Any]]] = {}
    for mark in sorted(evidence.marks, key=lambda m: (m.session, m.driver, m.clock_min or 0, m.order or 0, m.run)):
        if mark.attribute != attribute or mark.rating is None:
            continue
        row = sessions.setdefault(mark.session, {}).setdefault(mark.driver, [])
        row.append(charts.MarkPoint(mark.run, float(len(row)), mark.rating, mark.variant == sheet.control, not mark.spoiled,
                                    mark.variant))  # fmt: skip
    scale = evidence.question.scales[attribute]
    return [(session, charts.mark_strip(list(drivers.items()), scale.lowest, scale.highest))
            for session, drivers in sessions.items()]  # fmt: skip


def _effects(evidence: Any, sheet: Sheet) -> Any:
    rows = [
        charts.EffectRow(reading.variant, [(d.driver, d.effect) for d in reading.drivers])
        for reading in sheet.panel.readings if reading.drivers
    ]  # fmt: skip
    if not rows:
        return None
    worthwhile = next((reading.worthwhile for reading in sheet.panel.readings), 0.5)
    return charts.driver_effects(rows, worthwhile=worthwhile, unit=_unit(evidence, sheet.panel.attribute))


def _not_counted(loaded: Loaded) -> list[tuple[int, int, str, str]]:
    """(slip id, run id, run label, reasons) for every slip that does not count."""
    found = []
    for slip_id, judged in sorted(loaded.counting.items()):
        if not judged.counts:
            run = loaded.runs[loaded.slips[slip_id].run_id]
            found.append((slip_id, run.id, f"{run.session}/{run.label} {loaded.slips[slip_id].rater}", ", ".join(judged.reasons)))
    return found


def _label(loaded: Loaded, slip_id: int) -> str:
    slip = loaded.slips[slip_id]
    run = loaded.runs[slip.run_id]
    return f"{run.session}/{run.label} {slip.rater}"


def _after_all(loaded: Loaded) -> list[tuple[int, str, str]]:
    return [(slip_id, _label(loaded, slip_id), judged.after_all) for slip_id, judged in sorted(loaded.counting.items())
            if judged.after_all]  # fmt: skip


def _amended_late(loaded: Loaded) -> list[tuple[int, str]]:
    """Slips whose standing marks were made after their session was closed: others' marks could be read by then."""
    found = []
    for slip_id, slip in sorted(loaded.slips.items()):
        closed_at = loaded.runs[slip.run_id].closed_at
        if slip.amended_at is not None and closed_at is not None and slip.amended_at > closed_at:
            found.append((slip_id, _label(loaded, slip_id)))
    return found
