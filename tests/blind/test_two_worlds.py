"""Nobody but the holder can tell what is behind a code, and no rater what the others wrote: two worlds, byte for byte."""

import shutil

import pytest

from app.db import Database
from app.sessions import rules as sessions
from tests.blind.two_worlds import Crawler, build, differences, draw_mapping, draw_spec

PAIRS = 20
EVERYBODY = ("AQ", "MS", "PL", "TD", "RT", "OW", "CC", "GG")
RATERS = ("AQ", "PL", "TD")

pytestmark = pytest.mark.only("sqlite")  # what the pages say does not depend on the database, and there are many worlds


@pytest.fixture
def worlds(tmp_path, template_file):
    """Makes a world in a database of its own."""
    made = []

    def make(seed, **which):
        path = tmp_path / f"world{len(made)}.sqlite3"
        shutil.copy(template_file, path)
        database = Database(f"sqlite:///{path}")
        made.append(database)
        return build(database, draw_spec(seed), **which)

    yield make
    for database in made:
        database.dispose()


def walk(world, name, folder, **more):
    return Crawler(world, world.people[name], folder, **more).walk()


@pytest.mark.parametrize("seed", range(PAIRS))
def test_what_is_behind_a_code_can_not_be_told(worlds, tmp_path, seed):
    one, other = worlds(seed, mapping=0), worlds(seed, mapping=1)
    for name in EVERYBODY if seed == 0 else EVERYBODY[seed % 8 :: 8]:
        first, second = (walk(world, name, tmp_path) for world in (one, other))
        assert len(first) > 60
        assert differences(first, second) == [], name
        assert [path for path, answer in first.items() if path.startswith("POST") and answer.status < 400] == []


@pytest.mark.parametrize("seed", range(PAIRS))
def test_what_the_others_wrote_can_not_be_told(worlds, tmp_path, seed):
    name = RATERS[seed % 3]
    one, other = worlds(seed, marks=0, own=name), worlds(seed, marks=1, own=name)
    first, second = (walk(world, name, tmp_path) for world in (one, other))
    assert differences(first, second) == [], name


def test_the_two_mappings_of_a_seed_differ_and_the_holder_sees_it(worlds, tmp_path):
    """Else the test above would show nothing."""
    assert all(draw_mapping(draw_spec(seed), 0) != draw_mapping(draw_spec(seed), 1) for seed in range(200))
    one, other = worlds(0, mapping=0), worlds(0, mapping=1)
    one.people["SK"], other.people["SK"] = one.w.team.SK, other.w.team.SK
    told = differences(walk(one, "SK", tmp_path), walk(other, "SK", tmp_path))
    assert any("/key" in line for line in told)


def test_a_designer_who_does_not_drive_sees_marks(worlds, tmp_path):
    """Marks are hidden from raters only; the second test would be blind if worlds did not differ in them."""
    one, other = worlds(0, marks=0, own="PL"), worlds(0, marks=1, own="PL")
    assert differences(walk(one, "RT", tmp_path), walk(other, "RT", tmp_path))


# --- planted leaks: the harness must see each
def leak_build(monkeypatch):
    """The session's list of runs shows the variant that the key's table holds."""
    from app.sessions import queries

    honest = queries.list_runs

    def leaking(db, programme_id, session_id):
        from app.blind.models import BlindCode, BlindRun
        from app.questions.models import Variant

        behind = dict(db.query(BlindRun.run_id, Variant.code).join(BlindCode, BlindCode.id == BlindRun.code_id)
                      .join(Variant, Variant.id == BlindCode.variant_id).all())  # fmt: skip
        return [row._replace(car=f"{row.car} {behind.get(row.id, '')}") for row in honest(db, programme_id, session_id)]

    monkeypatch.setattr(queries, "list_runs", leaking)


def leak_order(monkeypatch):
    """A block's runs in the order of the key's variants."""
    from app.blind import queries

    honest = queries._facts

    def leaking(rows, viewer):
        facts = honest(rows, viewer)
        by_variant = [row.Run.id for row in sorted(rows, key=lambda row: (row.Variant.position, row.Run.number))]
        return facts._replace(runs=tuple(sorted(facts.runs, key=lambda run: by_variant.index(run.run_id))))

    monkeypatch.setattr(queries, "_facts", leaking)


def leak_refusal(monkeypatch):
    """A concern is refused only when it names the part that is really behind the code."""
    from app.blind.models import BlindCode, BlindRun
    from app.concerns import queries
    from app.questions.models import VariantRevision

    def leaking(db, run_id, revision_id):
        right = (db.query(BlindRun.id).join(BlindCode, BlindCode.id == BlindRun.code_id)
                 .join(VariantRevision, VariantRevision.variant_id == BlindCode.variant_id)
                 .filter(BlindRun.run_id == run_id, VariantRevision.revision_id == revision_id).first())  # fmt: skip
        return "R-01" if right else None

    monkeypatch.setattr(queries, "find_sealed_run", leaking)


def leak_header(monkeypatch):
    """A header that follows the key."""
    from app.web import page

    honest = page.page

    def leaking(request, template, **context):
        response = honest(request, template, **context)
        if context.get("block") is not None and template.startswith("blind/"):
            from app.blind.models import BlindCode

            behind = request.state.db.query(BlindCode.variant_id).order_by(BlindCode.code).all()
            response.headers["ETag"] = f'"{sum(n * variant for n, (variant,) in enumerate(behind))}"'
        return response

    from app.blind import pages

    monkeypatch.setattr(pages, "page", leaking)


@pytest.mark.parametrize("leak", [leak_build, leak_order, leak_refusal, leak_header], ids=lambda leak: leak.__name__)
def test_a_planted_leak_of_the_key_is_seen(worlds, tmp_path, monkeypatch, leak):
    one, other = worlds(0, mapping=0), worlds(0, mapping=1)
    leak(monkeypatch)
    assert differences(walk(one, "AQ", tmp_path, most=2), walk(other, "AQ", tmp_path, most=2))


def test_a_planted_leak_of_marks_is_seen(worlds, tmp_path, monkeypatch):
    """Others' slips open to raters as soon as they are filed."""
    from app.feedback import queries

    one, other = worlds(0, marks=0, own="AQ"), worlds(0, marks=1, own="AQ")
    monkeypatch.setattr(queries, "hidden_sessions", lambda db, viewer: [])
    assert differences(walk(one, "AQ", tmp_path), walk(other, "AQ", tmp_path))


def test_what_a_list_says_of_a_sealed_run_is_its_code():
    from types import SimpleNamespace

    assert sessions.code_words(SimpleNamespace(blind_code=417, sealed=True), "Q-01 t40") == "code 417"
    assert sessions.code_words(SimpleNamespace(blind_code=417, sealed=False), "Q-01 t40") == "Q-01 t40 (code 417)"
    assert sessions.code_words(SimpleNamespace(blind_code=None, sealed=False), "Q-01 t40") == "Q-01 t40"
