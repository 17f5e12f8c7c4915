"""Two worlds that differ in one secret only, and a crawl that must not be able to tell them apart.

(a) `mapping`: which variant is behind which code; the pieces and the sealed builds go with it. Everybody but the key's
    holder must get the same bytes: designer, manager, another conductor, gauge hand, drivers in the block or not.
(b) `marks`: what the others marked, said and guessed. A driver of the block, a driver who is not in it and a designer who
    drives in it must get the same bytes.

Same bytes: status, every header and the body, of every page that links or route patterns lead to and of posts that are
refused, after form tokens are blanked (they are random in one world already). The clock stands still.
"""

import random
import re
from collections import Counter, deque
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from html import unescape
from typing import Any

from sqlalchemy import select
from starlette.testclient import TestClient

from app import clock
from app.access.viewer import Viewer
from app.blind import commands as blind
from app.blind import rules
from app.blind.models import BlockKind
from app.blind.queries import load_block
from app.blind.rules import Fitted
from app.concerns import loop_commands as loop
from app.concerns.commands import About, raise_concern
from app.concerns.models import Danger
from app.concerns.rules import USUAL_RULE
from app.db import Database, Db, transaction
from app.demo import scenes
from app.feedback.commands import file_slip
from app.feedback.models import Confidence
from app.feedback.rules import Answers
from app.main import create_app
from app.measurements.commands import add_table
from app.measurements.models import Kind
from app.people import commands as people
from app.people.models import Hat
from app.schema import metadata
from app.sessions import commands as sessions
from app.settings import Settings
from tests import fixture, make
from tests.access.routes import all_doors
from tests.blind.gauged import gauge_pieces
from tests.blind.happenings import happen

NOW = scenes.moment(fixture.DAY, 17)
TOKENS = re.compile(r'(name="(?:form_token|token)" value=")[^"]*')
LINK = re.compile(r'href="(/[^"#]*)')
MOST_A_ROUTE = 3
SEATS = ("AQ", "MS", "TD")
WORDS = ("loose on entry", "pushes", "like rails", "the rear steps out over the jump and I can't catch it", "no grip at all today", "")


@dataclass(frozen=True)
class Spec:
    """What both worlds share, drawn from a seed."""

    seed: int
    kind: BlockKind
    each: int  # runs a driver
    driven: int  # of them, a driver
    rated: int
    classes: tuple[int, ...]  # of every run, in order: same class, same code
    fitted: tuple[str, ...]  # what may be behind the classes; "t40*" is the hidden repeat
    closed: bool
    guessed: bool
    corrected: bool
    concern: bool

    @property
    def codes(self) -> list[int]:
        wanted = len(set(self.classes)) if self.kind == BlockKind.RATED else len(self.classes)
        return random.Random(self.seed).sample(range(100, 1000), wanted)


@dataclass
class World:
    database: Database
    w: fixture.World
    people: dict[str, Viewer]
    runs: list[int] = field(default_factory=list)
    block_id: int = 0


def draw_spec(seed: int) -> Spec:
    rng = random.Random(seed)
    kind = (BlockKind.RATED, BlockKind.RATED, BlockKind.RATED, BlockKind.TRIANGLE, BlockKind.PAIRED)[seed % 5]
    if kind == BlockKind.RATED:
        each = rng.choice((4, 5))
        fitted = rng.choice((("t40", "t45"), ("t40", "t45", "t40*"), ("t40", "t45", "t50"), ("t40", "t45", "t50", "t40*")))
        classes = tuple(rng.sample(range(len(fitted)), len(fitted)) + [rng.randrange(len(fitted)) for _ in range(each - len(fitted))])
        every = tuple(c for turn in range(3) for c in rng.sample(classes, len(classes)))
    else:
        each = 3 if kind == BlockKind.TRIANGLE else 4
        fitted, every = ("t40", "t45"), tuple(range(3 * each))
    driven = rng.randint(1, each) if rng.random() < 0.4 else each
    rated = rng.randint(0, driven) if rng.random() < 0.5 else driven
    closed, guessed, corrected, concern = (rng.random() < chance for chance in (0.5, 0.5, 0.5, 0.7))
    return Spec(seed, kind, each, driven, rated, every, fitted, closed, guessed, corrected, concern)


def draw_mapping(spec: Spec, which: int) -> list[str]:
    """What each run carries in the first or the second world; never the same in both."""
    rng = random.Random(f"{spec.seed} mapping")
    if spec.kind == BlockKind.RATED:
        first = rng.sample(spec.fitted, len(spec.fitted))
        second = first
        while second == first:
            second = rng.sample(spec.fitted, len(spec.fitted))
        return [(first, second)[which][c] for c in spec.classes]
    size = 3 if spec.kind == BlockKind.TRIANGLE else 2
    patterns = [("t40", "t40", "t45"), ("t40", "t45", "t40"), ("t45", "t40", "t40"), ("t45", "t45", "t40")] if size == 3 else [
        ("t40", "t45"), ("t45", "t40")]  # fmt: skip
    found = []
    for _ in range(len(spec.classes) // size):
        found += rng.sample(patterns, 2)[which]
    return found


@contextmanager
def same_codes(spec: Spec, order: Sequence[str], runs: Sequence[int], ids: Mapping[str, int]) -> Iterator[None]:
    """Codes follow the classes in both worlds, whatever is behind them; else any two worlds would differ."""
    place: dict[tuple[int, bool, int], int] = {}
    for run_id, code, number in zip(runs, order, spec.classes, strict=True):
        place[ids[code.rstrip("*")], code.endswith("*"), 0 if spec.kind == BlockKind.RATED else run_id] = number
    drawn = rules.draw_codes
    rules.draw_codes = lambda taken, wanted: [spec.codes[place[key]] for key in sorted(place)]  # type: ignore[assignment]
    try:
        yield
    finally:
        rules.draw_codes = drawn


def build(database: Database, spec: Spec, *, mapping: int = 0, marks: int = 0, own: str = "") -> World:
    """mapping, marks : which of the two; own : whose marks are the same in both. No wall clock is read: it goes on meanwhile."""
    with database.session() as db, clock.at(scenes.moment(date(2026, 1, 5), 9)):
        w = fixture.world(db)
        with transaction(db), clock.at(scenes.moment(fixture.DAY, 8)):
            more = {name: make.member(db, w.team.OW, name, full, hats) for name, full, hats in (
                ("TD", "Tarek Dunmoor", frozenset({Hat.DESIGNER, Hat.DRIVER})), ("CC", "Corin Cade", frozenset({Hat.CONDUCTOR})),
                ("GG", "Gila Grane", frozenset({Hat.GAUGE_HAND})))}  # fmt: skip
        made = World(database, w, {**{name: w.team[name] for name in ("AQ", "MS", "PL", "RT", "OW")}, **more})
        _earlier_day(db, made)
        _plan(db, made, spec)
        order = draw_mapping(spec, mapping)
        with same_codes(spec, order, made.runs, w.q.variants):
            _seal(db, made, spec, order)
        _drive(db, made, spec, order, random.Random(f"{spec.seed} own"), random.Random(f"{spec.seed} marks {marks}"), own)
    return made


def _earlier_day(db: Db, made: World) -> None:
    w = made.w
    first = fixture.session(db, w, place="Tallowgate", day=fixture.DAY - timedelta(days=7))
    w.drive(db, first, "AQ", 1, "t40 t45 t40", "6.0 7.0 6.0", day=fixture.DAY - timedelta(days=7))
    fixture.close(db, w, first, fixture.DAY - timedelta(days=7))


def _plan(db: Db, made: World, spec: Spec) -> None:
    w = made.w
    w.session_id = fixture.session(db, w)
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 9, 30)):
        for car, initials in enumerate(SEATS):
            for index in range(spec.each):
                made.runs.append(sessions.add_run(db, w.session_id, by=w.team.SK, driver_id=made.people[initials].account_id,
                                                  car_id=w.season.cars[car],
                                                  planned_at=scenes.moment(fixture.DAY, 10, 10 * index)).id)  # fmt: skip


def _seal(db: Db, made: World, spec: Spec, order: Sequence[str]) -> None:
    w = made.w
    fitted = {run: Fitted(w.q.variants[code.rstrip("*")], code.endswith("*")) for run, code in zip(made.runs, order, strict=True)}
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 9, 40)):
        made.block_id = blind.seal_block(
            db, w.session_id, by=w.team.SK, question_id=w.question_id, kind=spec.kind, fitted=fitted,
            asked="steers more precisely" if spec.kind == BlockKind.PAIRED else "",
        ).id  # fmt: skip


def _drive(db: Db, made: World, spec: Spec, order: Sequence[str], mine: random.Random, others: random.Random, own: str) -> None:
    w, sk = made.w, made.w.team.SK
    with transaction(db):
        for index, (run_id, code) in enumerate(zip(made.runs, order, strict=True)):
            turn, initials = index % spec.each, SEATS[index // spec.each]
            start = scenes.moment(fixture.DAY, 10, 10 * turn)
            if turn >= spec.driven:
                continue
            piece = w.q.pieces[code.rstrip("*")][index // spec.each]
            for version in range(2 if spec.corrected and index == 0 else 1):
                with clock.at(start - timedelta(minutes=2)):
                    blind.note_build(db, made.block_id, run_id, by=sk, piece_ids=[piece], settings=scenes.BUILD, confirmed=True,
                                     reason="bar was 1.2" if version else "")  # fmt: skip
            with clock.at(start):
                sessions.start_run(db, run_id, by=made.people[initials])
            with clock.at(start + timedelta(minutes=5)):
                sessions.end_run(db, run_id, by=sk, laps=12)
            rng = mine if initials == own or not own else others
            said = Answers({w.q.goal_id: 50 * rng.randint(2, 20)}, rng.choice(list(Confidence)), rng.random() < 0.2, rng.choice(WORDS))
            if turn < spec.rated:
                with clock.at(start + timedelta(minutes=8)):
                    file_slip(db, run_id, by=made.people[initials], token=f"two-worlds-{index:08d}", answers=said)
    _answer(db, made, spec, mine, others, own)
    gauge_pieces(db, w)
    happen(db, made.people, w.q.pieces, made.runs[0], made.runs[spec.each], others)
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 11, 30)):
        if spec.concern:
            raise_concern(db, by=made.people["MS"], words="A crack, I think, after the second jump", danger=Danger.CRITICAL,
                          product_severity=8, about=About(run_id=made.runs[0]))  # fmt: skip
            # an instruction on a part of the question, raised apart from any run: the same in both worlds
            worry = raise_concern(db, by=sk, words="The holes look sharp", danger=Danger.NEGLIGIBLE, product_severity=7,
                                  about=About(revision_id=w.q.revisions["t45"])).id  # fmt: skip
            loop.contain(db, worry, by=sk, words="no flat landings", revision_id=w.q.revisions["t45"])
            loop.declare_rule(db, worry, by=made.people["RT"], rule=USUAL_RULE, version=0)
        label = "S-02,R-01"
        add_table(db, by=sk, kind=Kind.LAPS, text="session,run,lap,lap_time_s\n" + "\n".join(f"{label},{n},2{n}.4" for n in range(1, 4)))
        if spec.closed:
            sessions.close_session(db, w.session_id, by=sk)


def _answer(db: Db, made: World, spec: Spec, mine: random.Random, others: random.Random, own: str) -> None:
    """Guesses and choices of those who may give one."""
    facts = load_block(db, made.people["MS"], made.block_id)
    db.rollback()
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 11, 20)):
        for initials in SEATS if spec.guessed else ():
            viewer, rng = made.people[initials], mine if initials == own or not own else others
            if spec.kind == BlockKind.RATED and facts.own_slips_in(viewer.account_id):
                codes = {run.code for run in facts.own_runs(viewer.account_id)}
                blind.file_guesses(db, made.block_id, by=viewer, guesses={code: rng.choice(facts.variants)[0] for code in sorted(codes)})
            for trial in facts.trials:
                if trial.driver_id == viewer.account_id and trial.driven:
                    blind.file_choice(db, made.block_id, by=viewer, first_run_id=trial.runs[0].run_id,
                                      chosen_run_id=rng.choice(trial.runs).run_id)  # fmt: skip


# --- the crawl
@dataclass(frozen=True)
class Answer:
    status: int
    headers: tuple[tuple[str, str], ...]
    body: str


def plain(response: Any) -> Answer:
    body = TOKENS.sub(r"\1", response.text)
    headers = tuple(sorted((name, value) for name, value in response.headers.items() if name != "content-length"))
    return Answer(response.status_code, (*headers, ("length without tokens", str(len(body)))), body)


class Crawler:
    """Everything one person can fetch in one world, and what is answered to posts that are refused."""

    def __init__(self, made: World, viewer: Viewer, folder: Any, *, most: int = MOST_A_ROUTE) -> None:
        self.made, self.viewer, self.most = made, viewer, most
        settings = Settings(made.database.url, "http://testserver", folder, argon2_time=1, argon2_memory_kib=64)
        self.app = create_app(settings, made.database)
        self.client = TestClient(self.app, headers={"Origin": "http://testserver"}, follow_redirects=False)
        with made.database.session() as db, transaction(db), clock.at(NOW):
            token = people.start_sign_in(db, viewer.account_id, device="two worlds", device_token="two worlds")
        self.client.cookies.set("proveout", token)
        self.found: dict[str, Answer] = {}

    def walk(self) -> dict[str, Answer]:
        seen: set[str] = set()
        waiting = deque(["/", f"/programmes/{self.made.w.team.id}", *self.patterns()])
        fetched: Counter[str] = Counter()
        with clock.at(NOW):
            while waiting:
                path = waiting.popleft()
                shape = re.sub(r"\d+", "#", path)
                if path in seen or path.startswith(("/static", "/sign")) or fetched[shape] >= self.most:
                    continue
                seen.add(path)
                fetched[shape] += 1
                answer = plain(self.client.get(path))
                self.found[path] = answer
                where = dict(answer.headers).get("location", "")
                waiting.extend(unescape(link) for link in [*LINK.findall(answer.body), *([where] if where.startswith("/") else [])])
            self.post_what_is_refused()
        self.client.close()
        return self.found

    def patterns(self) -> list[str]:
        """Every GET route with ids that are there, at most `most` of each, the same ones in both worlds."""
        rng, ids, urls = random.Random(self.made.block_id), self._ids(), []
        for door in all_doors():
            if door.method != "GET":
                continue
            choices: list[dict[str, Any]] = [{}]
            for param in door.params:
                known = [self.made.w.team.id] if param == "programme_id" else ids.get(param, [1])
                choices = [{**chosen, param: value} for chosen in choices for value in rng.sample(known, min(len(known), self.most))]
            urls += [door.path.format(**chosen) for chosen in rng.sample(choices, min(len(choices), self.most))]
        return urls

    def _ids(self) -> dict[str, list[int]]:
        found = {}
        with self.made.database.engine.connect() as connection:
            for table in metadata.tables.values():
                column = next(iter(table.primary_key.columns))
                listed = sorted(connection.execute(select(column)).scalars())
                known = {"blind_blocks": "block", "measurement_batches": "batch", "gauge_studies": "study"}
                name = known.get(table.name, table.name.removesuffix("s"))
                found[f"{name}_id"] = listed or [1]
        return found

    def post_what_is_refused(self) -> None:
        """Whatever is tried to learn the key by a refusal: builds, keys, swaps, concerns that name the part, tables, archives."""
        w, run, block = self.made.w, self.made.runs[0], self.made.block_id
        tried: list[tuple[str, dict[str, Any]]] = [
            (f"/runs/{run}/build", {"confirmed": "yes", "piece_ids": str(w.q.pieces["t45"][0]), "reason": "I saw it"}),
            (f"/runs/{run}/build/confirm", {}), (f"/blocks/{block}/open", {"why": "I would like to know"}),
            (f"/blocks/{block}/runs/{run}/build", {"piece_ids": str(w.q.pieces["t45"][0])}),
            (f"/sessions/{w.session_id}/swap", {"first": str(run), "second": str(self.made.runs[-1]), "why": "radios swapped"}),
            (f"/sessions/{w.session_id}/reconcile", {}), ("/archive", {}), (f"/runs/{run}/slip", {"token": "x" * 20}),
            (f"/blocks/{block}/guesses", {}), (f"/blocks/{block}/choices", {"first_run_id": str(run), "chosen_run_id": "0"}),
            *((f"/sessions/{w.session_id}/preference", {"choice": f"{w.question_id}:{a}:{b}:{a}"}) for a in w.q.variants.values()
              for b in w.q.variants.values()),
            *(("/concerns", {"words": "It cracked on landing", "danger": "critical", "product_severity": "8", "run_id": str(run),
                             "revision_id": str(revision)}) for revision in w.q.revisions.values()),
            *((f"/concerns/1/{act}", {name: str(revision), "words": "nothing on this", "version": "0"})
              for act, name in (("contain", "revision_id"), ("tries", "revision_id"), ("about", "revision_id"),
                                ("fitted", "fixed_revision_id"))
              for revision in w.q.revisions.values()),
            *(("/incidents", {"run_id": str(run), "kind": "board hit, nose", "effect": "stopped", f"piece_{pieces[0]}": ["cracked"]})
              for pieces in w.q.pieces.values()),
            *(("/incidents/1/pieces", {f"piece_{pieces[0]}": ["hit"]}) for pieces in w.q.pieces.values()),
            *(("/characteristics/1/readings", {"piece_id": str(piece), "gauge_id": "1", "readings": "4.5 4.5", "taken": "after",
                                               "session_id": str(w.session_id)}) for pieces in w.q.pieces.values() for piece in pieces),
            *(("/tables/preview", {"kind": "laps", "pasted": f"session,run,lap,lap_time_s,variant\nS-02,R-01,9,22.4,{code}"})
              for code in w.q.variants),
        ]  # fmt: skip
        for number, (path, data) in enumerate(tried):
            if self.viewer.initials in ("OW", "SK") and path.endswith("/open"):
                continue  # a manager and the holder may
            answer = self.client.post(w.path(path), data=data)
            self.found[f"POST {number} {path}"] = plain(answer)


def differences(first: Mapping[str, Answer], second: Mapping[str, Answer]) -> list[str]:
    """Where two crawls differ, in words; empty when they can't be told apart."""
    found = [f"{path} is there in one world only" for path in sorted(set(first) ^ set(second))]
    for path in sorted(set(first) & set(second)):
        one, other = first[path], second[path]
        if one == other:
            continue
        if one.body != other.body:
            lines = [(a.strip(), b.strip()) for a, b in zip(one.body.splitlines(), other.body.splitlines(), strict=False) if a != b]
            found.append(f"{path}: {lines[0] if lines else 'of another length'}"[:600])
        else:
            found.append(f"{path}: {one.status} {other.status} {set(one.headers) ^ set(other.headers)}")
    return found
