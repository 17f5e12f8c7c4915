"""Use, hits and failures of a question's variants, derived from runs and incidents: rows of exposure and abuse gates.

What a filed table covers is taken from the table alone: derived use stands in for a revision and session only where no
table was filed for them, so that nothing is counted twice. Where nobody asked about durability and nothing happened to a
piece, nothing is derived: a question on handling is not told of its laps.

The hits of an abuse gate come from incidents and planned abuse alone, since tables don't say what was hit. A failure
stops a verdict at once, as a blocking concern does; clean hits of an open session count when it is closed.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from app.decisions.facts import Filed, RunFacts
from app.evidence import inputs, rows
from app.incidents.exposures import IncidentFact, hits_of, once
from app.incidents.rules import percent
from app.questions.models import Question
from app.questions.rules import AbuseRule, DeclaredRule
from app.sessions.rules import counts_as_driven

Seat = tuple[str, int | None]  # variant code, session id


def own_facts(question: Question, facts: Sequence[IncidentFact]) -> dict[str, list[IncidentFact]]:
    """Variant code -> what happened to pieces of its revisions."""
    of_revision = {link.revision_id: variant.code for variant in question.variants for link in variant.revisions}
    found: dict[str, list[IncidentFact]] = defaultdict(list)
    for fact in facts:
        if fact.revision_id in of_revision:
            found[of_revision[fact.revision_id]].append(fact)
    return found


@dataclass
class _Sums:
    """Per variant and session; `sessions`: id -> (label, whether it is closed)."""

    laps: Counter[Seat] = field(default_factory=Counter)
    minutes: dict[Seat, float] = field(default_factory=lambda: defaultdict(float))
    failures: Counter[Seat] = field(default_factory=Counter)
    impacts: Counter[Seat] = field(default_factory=Counter)
    sessions: dict[int | None, tuple[str | None, bool]] = field(default_factory=lambda: {None: (None, True)})

    def rows(self) -> list[tuple[rows.Exposure, bool]]:
        found = []
        for seat in sorted({*self.laps, *self.impacts}, key=lambda seat: (seat[0], seat[1] or 0)):
            label, closed = self.sessions[seat[1]]
            row = rows.Exposure(seat[0], self.laps[seat], round(self.minutes[seat], 2), self.failures[seat], self.impacts[seat], label)
            if row.laps or row.minutes or row.failures or row.impacts:
                found.append((row, closed))
        return found


def derived_exposures(question: Question, rule: DeclaredRule, runs: Mapping[int, RunFacts],
                      filed: Filed) -> list[tuple[rows.Exposure, bool]]:  # fmt: skip
    """One row a variant and session that no table covers, each with whether its session is closed."""
    facts, covered, sums = own_facts(question, filed.incidents), _covered(question, filed), _Sums()
    if not (rule.durability or rule.fact_failures or facts):
        return []
    timed = Counter(lap.run_id for lap in filed.measured.laps)
    for run in runs.values():
        seat: Seat = (run.variants[question.id], run.session_id)
        if counts_as_driven(run.state) and not _is_covered(covered, seat, run.parts.values()):
            sums.sessions[run.session_id] = (run.session, run.closed)
            sums.laps[seat] += timed[run.id] or run.laps_driven or 0
            sums.minutes[seat] += run.minutes
    for code, own in facts.items():
        for found in once(own):
            session = found.first.session
            at: Seat = (code, session.id if session else None)
            if _is_covered(covered, at, [fact.revision_id for fact in found.facts]):
                continue
            if session is not None:
                sums.sessions[session.id] = (session.label, session.closed)
            sums.impacts[at] += found.impacts
            sums.failures[at] += found.failed
    return sums.rows()


def _covered(question: Question, filed: Filed) -> set[tuple[int | str, int | None]]:
    """(revision id or variant code, session id) that tables were filed for; session None is all of them."""
    codes = {variant.id: variant.code for variant in question.variants}
    mine = {link.revision_id for variant in question.variants for link in variant.revisions}
    found: set[tuple[int | str, int | None]] = set()
    for use in filed.measured.exposures:
        session = use.session.id if use.session else None
        if use.revision_id in mine:
            found.add((use.revision_id, session))
        elif use.variant_id in codes:
            found.add((codes[use.variant_id], session))
    return found


def _is_covered(covered: set[tuple[int | str, int | None]], seat: Seat, revisions: Iterable[int]) -> bool:
    code, session = seat
    return any((key, at) in covered for key in (code, *revisions) for at in (session, None))


def abuse_gates(question: Question, rule: DeclaredRule,
                facts: Sequence[IncidentFact]) -> tuple[tuple[inputs.Gate, ...], tuple[inputs.Gate, ...]]:  # fmt: skip
    """The declared abuse gate of every rival: over closed sessions and the bench, and over all sessions."""
    if rule.abuse is None:
        return (), ()
    own = own_facts(question, facts)
    rivals = [variant.code for variant in question.variants if not variant.is_control]
    settled = {code: [f for f in own.get(code, ()) if f.failed or f.excused or f.session is None or f.session.closed] for code in rivals}
    return (tuple(_gate(code, rule.abuse, settled[code]) for code in rivals),
            tuple(_gate(code, rule.abuse, own.get(code, ())) for code in rivals))  # fmt: skip


def _gate(code: str, asked: AbuseRule, facts: Sequence[IncidentFact]) -> inputs.Gate:
    hits = hits_of(facts, asked.kind)
    if hits.failures:
        told = f"{code}: {len(hits.failures)} failed where {asked.words} are asked ({'; '.join(hits.failures)})"
        return inputs.Gate(asked.words, False, code, told)
    beside = f"; not counted: {'; '.join(hits.excused)}" if hits.excused else ""
    bound = f"bound {percent(hits.bound)}" if hits.clean else "nothing is known yet"
    told = f"{code}: {hits.clean} clean hits of {asked.hits} {asked.noun}, {bound}{beside}"
    return inputs.Gate(asked.words, True if hits.clean >= asked.hits else None, code, told)
