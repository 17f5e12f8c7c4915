"""From exposures to a close: what was counted, the exact 95 % bound, what is still missing. No database.

Hits, runs and laps are trials: with k failures of n the one-sided upper 95 % bound of the share (Clopper & Pearson 1934),
1 - .05^(1/n) without a failure. Minutes are a rate: the one-sided upper 95 % bound of a Poisson mean (Garwood 1936) over the
minutes. The number needed is the least for which the exact bound holds with the failures there were.
"""

import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import NamedTuple

from app.concerns.rules import ShowRule
from app.incidents import rules as incidents
from app.incidents.exposures import FiledUse, IncidentFact, RunUse, once

CONFIDENCE = 0.95
LESS = 0.05  # one-sided P at which one revision is said to break less than another
SHOWS_NOTHING = ("printed",)  # a printed mock-up answers fit and assembly, never strength


class Count(NamedTuple):
    """Exposures of one revision. `clean` in the rule's unit; failures are those of the concern's own trouble.

    waiting : clean ones of sessions that are still open; they count when the session is closed
    other : breaks that count neither as clean nor as failures: another cause, another part, an accident beyond design
    left_out : exposures of pieces that show nothing: printed mock-ups and pieces modified by hand
    """

    clean: float
    failures: tuple[IncidentFact, ...] = ()
    other: tuple[IncidentFact, ...] = ()
    waiting: float = 0
    left_out: float = 0
    filed: int = 0  # failures in tables of use, which name no incident

    @property
    def failed(self) -> int:
        return len(self.failures) + self.filed

    @property
    def n(self) -> float:
        return self.clean + self.failed


class Judged(NamedTuple):
    """What was said of one failure on the fixed revision."""

    same: bool
    reason: str
    version: int


class Proof(NamedTuple):
    """How far a concern is shown cured on one revision by its own closing rule."""

    rule: ShowRule
    label: str
    counted: Count

    @property
    def bound(self) -> float:
        """95 % upper bound: failures per exposure; 1 where nothing is known (a rate: infinite)."""
        return upper_bound(self.rule, self.counted.clean, self.counted.failed)

    @property
    def needed(self) -> float:
        """Clean exposures that show it, with the failures there were."""
        return clean_needed(self.rule, self.counted.failed)

    @property
    def missing(self) -> int:
        """Clean exposures still missing, rounded up; 0 when it is shown."""
        return max(0, math.ceil(self.needed - self.counted.clean - 1e-9))

    @property
    def holds(self) -> bool:
        return self.missing == 0

    @property
    def bound_words(self) -> str:
        if math.isinf(self.bound) or (self.counted.n == 0 and not self.rule.is_rate):
            return "no bound yet"
        return f"{100 * self.bound:.1f} in 100 minutes" if self.rule.is_rate else incidents.percent(self.bound)

    @property
    def sentence(self) -> str:
        """“RHP-p30 r1: 12 clean board hits, 0 failures; 95 % bound 22.1 %, asked ≤ 10 %: 17 clean ones still missing.”"""
        asked = f"{self.rule.most_per_100:g} in 100 minutes" if self.rule.is_rate else f"{self.rule.most_per_100:g} %"
        ending = "shown" if self.holds else f"{self.missing} clean {'one' if self.missing == 1 else 'ones'} still missing"
        return (f"{self.label}: {amount(self.counted.clean)} clean {self.rule.nouns}, {failures(self.counted.failed)}; "
                f"95 % bound {self.bound_words}, asked ≤ {asked}: {ending}.")  # fmt: skip

    def stored(self) -> dict[str, object]:
        """The figures a close stands on, for its event."""
        told = f"{amount(self.counted.clean)} clean {self.rule.nouns}, {failures(self.counted.failed)}, bound {self.bound_words}"
        return {"rule": self.rule.words, "clean": self.counted.clean, "failures": self.counted.failed, "bound": round(self.bound, 6),
                "exposures": told, "on": self.label}  # fmt: skip


def amount(value: float) -> str:
    return f"{value:,.0f}" if value == round(value) else f"{value:,.1f}"


def failures(count: int) -> str:
    return f"{count} failure{'' if count == 1 else 's'}"


def upper_bound(rule: ShowRule, clean: float, failed: int) -> float:
    """Exact one-sided 95 % upper bound of the failure share, or of the rate per minute."""
    from app.evidence.plan_figures import clopper_pearson, poisson_interval

    both = 2 * CONFIDENCE - 1  # a two-sided 90 % interval has 5 % above it
    if rule.is_rate:
        return poisson_interval(failed, both)[1] / clean if clean > 0 else math.inf
    n = int(clean) + failed
    return clopper_pearson(failed, n, both)[1] if n else 1.0


def clean_needed(rule: ShowRule, failed: int) -> float:
    """Least clean exposures at which the bound is no more than the rule's, with `failed` failures among them."""
    from app.evidence.plan_figures import binomial_plan, poisson_interval

    if rule.is_rate:
        return poisson_interval(failed, 2 * CONFIDENCE - 1)[1] / rule.limit
    return binomial_plan(CONFIDENCE, 1 - rule.limit, failed)[0] - failed


def interval(rule: ShowRule, count: Count) -> tuple[float, float, float] | None:
    """(share or rate, low, high): exact two-sided 95 %; None where nothing was counted."""
    from app.evidence.plan_figures import clopper_pearson, poisson_interval

    if count.n <= 0 or (rule.is_rate and count.clean <= 0):
        return None
    if rule.is_rate:
        low, high = poisson_interval(count.failed, CONFIDENCE)
        return count.failed / count.clean, low / count.clean, high / count.clean
    return (count.failed / count.n, *clopper_pearson(count.failed, int(count.n), CONFIDENCE))


def less_p(rule: ShowRule, before: Count, after: Count) -> float | None:
    """One-sided P of so many failures before, or more, if both broke equally often: Fisher's exact test, given all failures;

    for minutes the conditional binomial test (Przyborowski & Wilenski 1940). None where one of them was never exposed.
    """
    if before.n <= 0 or after.n <= 0:
        return None
    if not rule.is_rate:
        return incidents.fisher_p(before.failed, int(before.n), after.failed, int(after.n))
    from scipy.stats import binom

    if before.clean <= 0 or after.clean <= 0:
        return None
    return float(binom.sf(before.failed - 1, before.failed + after.failed, before.clean / (before.clean + after.clean)))


def compared(rule: ShowRule, before: tuple[str, Count], after: tuple[str, Count]) -> str:
    """“RHP-p25 r1 failed 2 of 14, RHP-p30 r1 0 of 12 board hits: no proof that it breaks less (one-sided P = 0.28).”"""
    p = less_p(rule, before[1], after[1])
    if p is None:
        return ""
    of = "in" if rule.is_rate else "of"
    told = (f"{before[0]} failed {before[1].failed} {of} {amount(before[1].clean if rule.is_rate else before[1].n)}, "
            f"{after[0]} {after[1].failed} {of} {amount(after[1].clean if rule.is_rate else after[1].n)} {rule.nouns}")  # fmt: skip
    shown = "shown to break less" if p <= LESS else "no proof that it breaks less"
    return f"{told}: {shown} (one-sided P = {p_words(p)})."


def p_words(p: float) -> str:
    return "< 0.001" if p < 0.001 else f"{p:.3f}" if p < 0.1 else f"{p:.2f}"


# --- counting
def count(rule: ShowRule, facts: Iterable[IncidentFact], runs: Sequence[RunUse] = (), filed: Sequence[FiledUse] = (), *,
          judged: Mapping[int, Judged] | None = None, shows_nothing: Collection[int] = (), within: bool = False) -> Count:  # fmt: skip
    """The exposures of one revision that its facts, runs and tables of use tell.

    judged : incident id -> what was said of it; unjudged, a failure is the concern's own trouble
    shows_nothing : piece ids whose exposures are left out
    within : only failures in the exposures that are counted, as a share of them must be taken. A proof counts every failure of
        the fixed revision, which makes it harder; of the revision it is held against that would make the cure look better.
    Failures count at once, clean exposures when their session is closed, and a hit that broke the part is never clean.
    """
    judged = judged or {}
    found = once(fact for fact in facts if fact.piece_id not in shows_nothing)
    failed, other = [], []
    for seen in found:
        verdict = judged.get(seen.first.id)
        if within and not _within(rule, seen.first):
            continue
        if seen.failed and (verdict is None or verdict.same):
            failed.append(seen.first)
        elif seen.failed or seen.excused:
            other.append(seen.first)
    broke = {fact.id for fact in (*failed, *other)}
    if rule.is_hit:
        hits = [seen for seen in found if incidents.matches(rule.exposure, seen.first.kind)]
        clean = [(seen.first.hits - (seen.first.id in broke), _settled(seen.first)) for seen in hits]
        left = sum(seen.first.hits for seen in once(f for f in facts if f.piece_id in shows_nothing)
                   if incidents.matches(rule.exposure, seen.first.kind))  # fmt: skip
        return Count(sum(n for n, done in clean if done), tuple(failed), tuple(other), sum(n for n, done in clean if not done), left)
    return _count_runs(rule, failed, other, [r for r in runs if r.piece_id not in shows_nothing],
                       [r for r in runs if r.piece_id in shows_nothing], filed)  # fmt: skip


def _within(rule: ShowRule, fact: IncidentFact) -> bool:
    """Did it break in what the rule counts: in such a hit, or on a run rather than on the bench?"""
    return incidents.matches(rule.exposure, fact.kind) if rule.is_hit else fact.session is not None


def _settled(fact: IncidentFact) -> bool:
    return fact.session is None or fact.session.closed


def _count_runs(rule: ShowRule, failed: list[IncidentFact], other: list[IncidentFact], runs: Sequence[RunUse],
                left: Sequence[RunUse], filed: Sequence[FiledUse]) -> Count:  # fmt: skip
    """Runs, laps or minutes. A table of use stands in for the runs of its session, and its failures for theirs."""
    covered = {row.session_id for row in filed} if rule.exposure != "run" else set()
    kept = {run.run_id: run for run in runs if None not in covered and run.session_id not in covered}
    settled = sum(_of(run, rule) for run in kept.values() if run.closed)
    waiting = sum(_of(run, rule) for run in kept.values() if not run.closed)
    tables = sum(row.minutes if rule.is_rate else row.laps for row in filed) if covered else 0
    from_tables = sum(row.failures for row in filed) if covered else 0
    mine = [fact for fact in failed if not covered or (None not in covered and (fact.session is None or fact.session.id not in covered))]
    total = settled + tables
    # of the exposures counted, those that broke are not clean; minutes before a break are minutes all the same
    clean = total if rule.is_rate else max(0, total - len(mine) - from_tables - len(other))
    return Count(round(clean, 1), tuple(mine), tuple(other), round(waiting, 1), round(sum(_of(run, rule) for run in left), 1), from_tables)


def _of(run: RunUse, rule: ShowRule) -> float:
    return 1 if rule.exposure == "run" else (run.laps or 0) if rule.exposure == "lap" else run.minutes
