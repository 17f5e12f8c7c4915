"""Facts about blind blocks: who owes what, what a code may be, when the blind failed, and which slips are open-label."""

import secrets
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from enum import StrEnum
from itertools import groupby
from typing import NamedTuple

from app.blind.models import BlockKind, KeyState
from app.errors import Conflict, Refused
from app.evidence import forced_choice
from app.sessions.models import RunState

CODES = range(100, 1000)
LEAST_WHY = 10
RUNS_A_TRIAL = {BlockKind.TRIANGLE: 3, BlockKind.PAIRED: 2}
NO_ANSWER_DUE = (RunState.VOID, RunState.NOT_DRIVEN, RunState.SHORT)  # a run cut short asks for no marks
KIND_WORDS = {
    BlockKind.RATED: "rated: marks on the slip",
    BlockKind.TRIANGLE: "triangle: which of three runs was the odd one",
    BlockKind.PAIRED: "pairs: which of two runs has more of it",
}


class OpenLabel(StrEnum):
    """Why a slip counts, but not toward the blind share."""

    NOT_BLIND = "block not blind"
    HOLDER = "rater is conductor"
    HEARD = "had heard others"
    KEY_OPEN = "key opened before capture"
    NOT_PROVABLE = "blind not provable"
    FAILED = "blind probably failed"


class Fitted(NamedTuple):
    """What the holder puts behind a run: a variant, and whether it is the hidden repeat of the control."""

    variant_id: int
    repeat: bool = False


class RunInBlock(NamedTuple):
    """A run under its code. `variant` and `variant_id` are known to the holder, to others when the key is open."""

    run_id: int
    label: str
    number: int
    driver_id: int
    initials: str
    car: str
    state: str
    code: int
    rated: bool
    chosen_run_id: int | None
    variant_id: int | None
    variant: str
    repeat: bool


class Trial(NamedTuple):
    """One forced choice: consecutive runs of one rater."""

    runs: tuple[RunInBlock, ...]

    @property
    def driver_id(self) -> int:
        return self.runs[0].driver_id

    @property
    def chosen(self) -> RunInBlock | None:
        picked = self.runs[0].chosen_run_id
        return next((run for run in self.runs if run.run_id == picked), None)

    @property
    def due(self) -> bool:
        return all(run.state not in (RunState.VOID, RunState.NOT_DRIVEN) for run in self.runs)

    @property
    def driven(self) -> bool:
        return all(run.state in (RunState.DRIVEN, RunState.SHORT) for run in self.runs)


class BlockFacts(NamedTuple):
    """A block with its runs in order. What the key holds is left out for whoever may not see it yet."""

    id: int
    label: str  # S-03/B1
    session_id: int
    question_id: int
    question: str
    kind: str
    asked: str
    expected: str
    state: str
    holder_id: int
    holder: str
    holder_name: str
    opened_by: str
    opened_at: datetime | None
    opened_why: str
    missing: int | None
    time_zone: str
    guesses: int
    guesses_right: int
    variants: tuple[tuple[int, str], ...]  # (id, code) in the block, in the question's order
    control: str
    runs: tuple[RunInBlock, ...]

    @property
    def sealed(self) -> bool:
        return self.state == KeyState.SEALED

    @property
    def codes(self) -> list[int]:
        return sorted({run.code for run in self.runs})

    @property
    def trials(self) -> list[Trial]:
        size = RUNS_A_TRIAL.get(BlockKind(self.kind), 0)
        return _trials(self.runs, size) if size else []

    @property
    def due(self) -> int:
        """Slips, or forced choices, that the block asks for."""
        if self.trials:
            return sum(trial.due for trial in self.trials)
        return sum(run.state not in NO_ANSWER_DUE for run in self.runs)

    @property
    def answered(self) -> int:
        if self.trials:
            return sum(trial.due and trial.chosen is not None for trial in self.trials)
        return sum(run.state not in NO_ANSWER_DUE and run.rated for run in self.runs)

    @property
    def answer_word(self) -> str:
        return "choice" if self.trials else "slip"

    @property
    def guess_p(self) -> float | None:
        """How likely so many right guesses are by chance; None while the key is sealed, or nobody guessed."""
        return None if self.sealed else forced_choice.guess_test(self.guesses_right, self.guesses, len(self.variants))

    @property
    def blind_failed(self) -> bool:
        return self.guess_p is not None and self.guess_p < forced_choice.LEVEL

    def own_runs(self, account_id: int) -> list[RunInBlock]:
        return [run for run in self.runs if run.driver_id == account_id]

    def own_slips_in(self, account_id: int) -> bool:
        """Has this rater filed everything they owe?"""
        own = [run for run in self.own_runs(account_id) if run.state not in NO_ANSWER_DUE]
        return bool(own) and all(run.rated for run in own)

    @property
    def result(self) -> forced_choice.ChoiceResult | None:
        """What the forced choices show; None while the key is sealed, and for a rated block."""
        if self.sealed or not self.trials:
            return None
        answered = [trial for trial in self.trials if trial.driven and trial.chosen is not None]
        if self.kind == BlockKind.TRIANGLE:
            return forced_choice.triangle(sum(odd_of(trial) == trial.chosen for trial in answered), len(answered))
        wanted = self.expected or next((code for _, code in self.variants if code != self.control), "")
        picked = sum(trial.chosen is not None and trial.chosen.variant == wanted for trial in answered)
        return forced_choice.paired(picked, len(answered), variant=wanted, asked=self.asked, sides=1 if self.expected else 2)


def _trials(runs: Sequence[RunInBlock], size: int) -> list[Trial]:
    found = []
    for _, own in groupby(sorted(runs, key=lambda run: (run.initials, run.number)), key=lambda run: run.driver_id):
        listed = list(own)
        found += [Trial(tuple(listed[start : start + size])) for start in range(0, len(listed), size)]
    return found


def odd_of(trial: Trial) -> RunInBlock | None:
    """The one run whose variant no other of the trial has."""
    seen = Counter(run.variant_id for run in trial.runs)
    return next((run for run in trial.runs if seen[run.variant_id] == 1), None)


def draw_codes(taken: Collection[int], wanted: int) -> list[int]:
    """So many three-digit codes at random, none used before in the session."""
    free = [code for code in CODES if code not in set(taken)]
    if wanted > len(free):
        raise Conflict(f"{wanted} codes are needed and {len(free)} are left", "A session has 900 codes", "Plan another session.")
    return secrets.SystemRandom().sample(free, wanted)


def check_plan(kind: BlockKind, seats: Mapping[str, Sequence[Fitted]], *, asked: str, expected_id: int | None,
               control_id: int | None) -> None:  # fmt: skip
    """Refuse a block that can't answer anything. seats : driver's initials -> what is behind their runs, in order."""
    variants = {fitted.variant_id for own in seats.values() for fitted in own}
    if len(variants) < 2:
        raise Refused("A block needs at least two variants", "With one there is nothing to tell apart", "Choose one for more runs.")
    if any(fitted.repeat and fitted.variant_id != control_id for own in seats.values() for fitted in own):
        raise Refused("Only the control has a hidden repeat")
    size = RUNS_A_TRIAL.get(kind)
    for initials, own in seats.items():
        for start in range(0, len(own), size or len(own)):
            _check_trial(kind, initials, own[start : start + (size or len(own))])
    if kind == BlockKind.PAIRED:
        if len(variants) != 2:
            raise Refused(f"{len(variants)} variants in pairs", "A paired block compares exactly two")
        if len(asked.strip()) < 3:
            raise Refused("Say what each pair is asked", "Such as: steers more precisely", field="asked")
        if expected_id is not None and expected_id not in variants:
            raise Refused("The expected variant is not in the block", field="expected_id")
    elif expected_id is not None:
        raise Refused("Only pairs have an expected answer", "A triangle asks for the odd one, a rated block for marks", field="expected_id")


def _check_trial(kind: BlockKind, initials: str, trial: Sequence[Fitted]) -> None:
    size, different = RUNS_A_TRIAL.get(kind), len({fitted.variant_id for fitted in trial})
    if size is None:
        return
    if len(trial) != size:
        raise Refused(f"{initials} has {len(trial)} run{'s' if len(trial) != 1 else ''} over", f"A {kind} block takes {size} runs a trial",
                      "Add runs, or leave some out.")  # fmt: skip
    if different != 2:
        wanted = "two alike and one odd" if kind == BlockKind.TRIANGLE else "two different"
        raise Refused(f"A trial of {initials} has {different} variant{'s' if different != 1 else ''}", f"It needs {wanted}")


def open_label(block: BlockFacts | None, *, rater: str, captured_at: datetime, received_at: datetime, clock_checked: bool,
               heard_others: bool) -> OpenLabel | None:  # fmt: skip
    """Why a slip is open-label, or None when it is blind. `rater` as initials; clock_checked : was the time of capture
    read from a clock that agrees with ours? A phone's may not, and a paper card has none."""
    if block is None:
        return OpenLabel.NOT_BLIND
    if rater == block.holder:
        return OpenLabel.HOLDER
    if heard_others:
        return OpenLabel.HEARD
    if block.opened_at is not None and received_at >= block.opened_at and not clock_checked:
        return OpenLabel.NOT_PROVABLE  # a doubtful clock is read as late as can be: that says nothing of before or after
    if block.opened_at is not None and captured_at >= block.opened_at:
        return OpenLabel.KEY_OPEN
    return OpenLabel.FAILED if block.blind_failed else None


def check_why(why: str, block: BlockFacts) -> None:
    """Before every answer is in, opening says why."""
    left = block.due - block.answered
    if left and len(why.strip()) < LEAST_WHY:
        word = block.answer_word + ("s are" if left != 1 else " is")
        raise Refused(f"{left} {word} not in", f"Opening early says why, in at least {LEAST_WHY} characters", field="why")


def event_words(block: BlockFacts) -> str:
    """The opening in one line, without its time: “S-03/B1 opened early by SK: cracked, must know the piece; 5 slips not in”."""
    if block.sealed:
        runs = len([run for run in block.runs if run.state != RunState.VOID])
        return f"{runs} run{'s' if runs != 1 else ''} wait{'' if runs != 1 else 's'} for the key of block {block.label}"
    words = f"{block.label} {block.state} by {block.opened_by}"
    if block.state == KeyState.EARLY:
        word = block.answer_word + ("s" if block.missing != 1 else "")
        words += f": {block.opened_why}; {block.missing} {word} not in"
    return words


def guess_words(block: BlockFacts) -> str:
    """What the guesses say of the blind; empty without one."""
    if block.guess_p is None:
        return ""
    p = "P < 0.001" if block.guess_p < 0.0005 else f"P = {block.guess_p:.3f}"
    told = f"{block.guesses_right} of {block.guesses} guesses right among {len(block.variants)}, {p}"
    return f"Blind probably failed: {told}" if block.blind_failed else f"Guesses no better than chance: {told}"
