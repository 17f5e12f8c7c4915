"""Facts about runs and builds: what two builds differ in, and when a session's block is open for a person."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from typing import Any

from app import units
from app.errors import Conflict, Refused
from app.sessions.models import Run, RunState, Session, SessionState

LEAST_LAPS = 6  # common practice, no source
TYRE_RUNS_BAND = 2  # sets within this many runs of each other are matched; common practice, no source
MOST_SETTINGS = 40
KNOWN_SETTINGS = {"ride height": units.RIDE_HEIGHT, "car weight": units.CAR_MASS, "play": units.PLAY}


@dataclass(frozen=True, slots=True)
class BuildFacts:
    """What was on the car in one run, as far as two runs can be compared.

    pieces   : part code -> revision label (every part named in the build)
    settings : set-up value name -> value as typed
    """

    pieces: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, str] = field(default_factory=dict)
    tyre_runs: int | None = None


def differences(test: BuildFacts, control: BuildFacts, under_question: Collection[str] = ()) -> list[str]:
    """What differs between two builds besides the parts under question, in words; empty when only those differ."""
    found = []
    for part in sorted(set(test.pieces) | set(control.pieces)):
        one, other = test.pieces.get(part, "not named"), control.pieces.get(part, "not named")
        if part not in under_question and one != other:
            found.append(f"{part}: {one} instead of {other}")
    one_names, other_names = _by_key(test.settings), _by_key(control.settings)
    for key in sorted(set(one_names) | set(other_names)):
        name = (one_names.get(key) or other_names[key])[0]
        here = _plain(one_names[key][1]) if key in one_names else ""
        there = _plain(other_names[key][1]) if key in other_names else ""
        if here != there:
            found.append(f"{name}: {here or 'not noted'} instead of {there or 'not noted'}")
    return found


def _by_key(settings: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Set-up values by a key under which spellings of one name meet: Anti-Roll bar mm, anti-roll bar."""
    found = {}
    for name, value in settings.items():
        key = " ".join(name.casefold().split()).removesuffix(" mm")
        found[key] = (name, value)
    return found


def _plain(value: str) -> str:
    """1,4 and 1.40 and 1.4 mm are the same set-up value."""
    text = value.strip().rstrip("!").casefold().removesuffix("mm").strip().replace(",", ".")
    try:
        return f"{float(text):g}"
    except ValueError:
        return " ".join(text.split())


def tyres_matched(test: BuildFacts, control: BuildFacts) -> bool:
    """Tyre sets whose use differs by no more than the band; unknown use is not held against a run."""
    if test.tyre_runs is None or control.tyre_runs is None:
        return True
    return abs(test.tyre_runs - control.tyre_runs) <= TYRE_RUNS_BAND


def read_settings(text: str) -> dict[str, str]:
    """“anti-roll bar mm = 1.4” a line -> {"anti-roll bar mm": "1.4"}; refuses a line it can't read."""
    found: dict[str, str] = {}
    for line in text.splitlines():
        if not line.strip():
            continue
        name, equals, value = line.partition("=")
        name, value = " ".join(name.split()), value.strip()
        if not equals or not name or not value:
            raise Refused(f"“{line.strip()[:60]}” is not a set-up value", "Write a name, = and a value: anti-roll bar mm = 1.4",
                          field="settings")  # fmt: skip
        if name in found:
            raise Refused(f"“{name}” stands twice", "Keep one of the lines", field="settings")
        if len(name) > 60 or len(value) > 60:
            raise Refused(f"“{name[:40]}” is too long", "Names and values have at most 60 characters", field="settings")
        _check_plausible(name, value)
        found[name] = value
    if len(found) > MOST_SETTINGS:
        raise Refused(f"{len(found)} set-up values", f"At most {MOST_SETTINGS} are kept with one run", field="settings")
    return found


def _check_plausible(name: str, value: str) -> None:
    """Ask about a known quantity outside its usual band, and never guess; a value with an exclamation mark is meant so."""
    known = next((quantity for word, quantity in KNOWN_SETTINGS.items() if word in name.casefold()), None)
    if known is None or value.endswith("!"):
        return
    try:
        units.parse_quantity(value, known)
    except units.TypedNumberError as doubtful:
        raise Refused(f"{name} = {value}", f"{doubtful} If it is right, write {value}!", field="settings") from doubtful


def show_settings(settings: Mapping[str, str]) -> str:
    return "\n".join(f"{name} = {value}" for name, value in settings.items())


def check_can_open(session: Session) -> None:
    if session.state != SessionState.PLANNED:
        raise Conflict(f"{session.label} is {session.state} already", "Only a planned session is opened")


def check_can_close(session: Session) -> None:
    if session.closed:
        raise Conflict(f"{session.label} is {session.state} already")
    if session.state == SessionState.PLANNED:
        raise Conflict(f"{session.label} was never opened", "", "Open it first, or leave it planned.")


def check_can_start(run: Run, session: Session) -> None:
    if session.state == SessionState.PLANNED:
        raise Conflict(f"{session.label} is not open yet", "", "Open the session first.")
    if run.state != RunState.PLANNED:
        raise Conflict(f"{run.label} is {run.state} already", "A run is started once")


def check_can_end(run: Run) -> None:
    if run.state != RunState.DRIVING:
        raise Conflict(f"{run.label} is {run.state}", "Only a run under way can be ended")


def check_swap(first: Run, second: Run) -> None:
    """Cars are swapped between two runs of one session with different cars."""
    if first.id == second.id:
        raise Refused("Choose two different runs", field="second")
    if first.session_id != second.session_id:
        raise Refused("The two runs are of different sessions", field="second")
    if first.car_id == second.car_id:
        raise Refused(f"{first.label} and {second.label} had the same car", "There is nothing to swap", field="second")


def check_not_sealed(run: Run) -> None:
    """What is on the car in a run under a sealed key is written and read by the key's holder only, on the key's own pages."""
    if run.sealed:
        raise Conflict(f"What is on the car in {run.label} is under a sealed key", f"Until it is opened the run is code {run.blind_code}",
                       "Whoever holds the key notes what is fitted on the key's page.")  # fmt: skip


def code_words(run: Any, variants: str) -> str:
    """What a list says was on the car: the code while the key is sealed, then the variant with it."""
    if run.blind_code is None:
        return variants
    return f"code {run.blind_code}" if run.sealed else f"{variants} (code {run.blind_code})".strip()


def is_own_session(people: Collection[tuple[int, str, str]], account_id: int) -> bool:
    """Nobody but this person conducts it and drives in it. people : (account id, initials, duty) of who is due."""
    return {(who, duty) for who, _, duty in people} == {(account_id, "driver"), (account_id, "conductor")}


def drive_and_conduct(people: Collection[tuple[int, str, str]]) -> list[str]:
    """Initials of those who rate what they fitted: their slips are open-label."""
    conductors = {who for who, _, duty in people if duty == "conductor"}
    return [initials for who, initials, duty in people if duty == "driver" and who in conductors]


def counts_as_driven(state: str) -> bool:
    return state in (RunState.DRIVEN, RunState.SHORT)
