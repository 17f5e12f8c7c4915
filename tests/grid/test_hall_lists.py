"""Build lists on the page of the hall: those with builds to try, and they are kept on the phone with it."""

from datetime import timedelta

from app import clock
from app.db import transaction
from app.grid import commands, list_queries
from app.grid.proposing import propose_builds
from tests.grid import steps
from tests.pages import text_of


def tick(db, w, build, result="fits"):
    with transaction(db):
        return commands.file_fits(db, w.grid_id, by=w.team.SK, cells=[build.cell], result=result, how="by hand", build_id=build.id)[0]


def test_the_hall_names_lists_with_builds_to_try_and_keeps_them(db, browser):
    w = steps.World(db, options="Hole: in, out", items="Can: S1, S2")
    hall = f"/programmes/{w.team.id}/hall"
    browser.as_(w.team.SK)
    assert "Trial builds to tick" not in text_of(browser.get(hall, max_queries=12).text)
    list_id = steps.make_list(db, w)
    builds = list_queries.list_builds(db, list_id)
    db.rollback()
    first = tick(db, w, builds[0])
    tick(db, w, builds[0], "rubs")  # tried again: one build of four, not two
    html = browser.get(hall, max_queries=12).text
    assert "FG-01 B-1: 1 of 4 tried Damper mounts, cans and wheels" in text_of(html)
    assert w.path(f"/lists/{list_id}") in html.partition('data-keep="')[2].partition('"')[0].split()
    for build in builds[1:]:
        tick(db, w, build)
    assert "Trial builds to tick" not in text_of(browser.get(hall, max_queries=12).text)
    last = max(r.id for r in steps.facts(db, w).results)
    for fit in (last, first):  # the second build's result for that of the first stays
        with transaction(db):
            commands.withdraw_fit(db, w.grid_id, fit, by=w.team.SK, reason="wrong can on the car")
    assert "FG-01 B-1: 3 of 4 tried" in text_of(browser.get(hall, max_queries=12).text)


def test_of_each_grid_the_newest_list_of_the_last_month(db):
    w = steps.World(db)
    first = steps.make_list(db, w)
    second = steps.make_list(db, w)
    w.grid_id = steps.new_grid(db, w.team.RT, title="Another")
    other = steps.make_list(db, w)
    now = clock.now()
    found = list_queries.list_open_lists(db, w.team.id, since=now - timedelta(days=30))
    assert [row.list_id for row in found] == [other, second]
    assert first not in [row.list_id for row in found]
    assert (found[1].label, found[1].builds, found[1].tried) == ("FG-01 B-2", len(propose_builds(steps.facts(db, w)).builds), 0)
    assert list_queries.list_open_lists(db, w.team.id, since=now + timedelta(days=1)) == []
    assert list_queries.list_open_lists(db, w.team.id + 1, since=now - timedelta(days=30)) == []
