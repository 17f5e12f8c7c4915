"""What the browser tests of the hall share: a day with an open session, and what a person does on its pages."""

from datetime import UTC, datetime, timedelta

from sqlalchemy import func, select

from app.db import transaction
from app.feedback.models import Slip
from app.history.models import OutboxReceipt
from app.people.queries import find_account_by_login, find_viewer
from app.people.sign_in import commands as people
from app.sessions import commands as sessions
from app.sessions.models import Car

P = "/programmes/1"


def make_day(own_demo):
    """The site with an open session: a driven run and a planned one of AQ, neither rated; `driven` and `planned` are their ids."""
    with own_demo.database.session() as db:
        viewer = {name: as_viewer(db, name) for name in ("sk", "aq")}
        now = datetime.now(UTC)
        with transaction(db):
            session = sessions.plan_session(db, by=viewer["sk"], place="Steel shed", time_zone="UTC", on_date=now.date(),
                                            surface="carpet", grip="low")  # fmt: skip
            sessions.open_session(db, session.id, by=viewer["sk"])
            car = db.scalar(select(Car.id).where(Car.programme_id == 1).limit(1))
            made = [sessions.add_run(db, session.id, by=viewer["sk"], driver_id=viewer["aq"].account_id, car_id=car).id for _ in range(2)]
            sessions.start_run(db, made[0], by=viewer["aq"], at=now - timedelta(minutes=20))
            sessions.end_run(db, made[0], by=viewer["aq"], laps=12, at=now - timedelta(minutes=10))
    own_demo.driven, own_demo.planned = made
    return own_demo


def as_viewer(db, login):
    account = find_account_by_login(db, login)
    with transaction(db):
        token = people.start_sign_in(db, account.id, device="tests", device_token="tests")
    return find_viewer(db, token, 1)


def slips(site, run_id) -> list[Slip]:
    with site.database.session() as db:
        return list(db.scalars(select(Slip).where(Slip.run_id == run_id)))


def receipts(site) -> int:
    with site.database.session() as db:
        return db.scalar(select(func.count()).select_from(OutboxReceipt))


def unsent(page) -> int:
    return page.evaluate("Outbox.list().then(entries => entries.length)")


KEPT = """async (path) => {
    let pages = false, files = false;
    for (const name of await caches.keys()) {
        const cache = await caches.open(name);
        if (name.startsWith('pages-')) pages ||= Boolean(await cache.match(path) && await cache.match(location.pathname));
        if (name.startsWith('static-')) files ||= (await cache.keys()).length > 18;
    }
    return pages && files }"""


def ready(page, base, run_id):
    """The worker has the day's pages."""
    page.goto(f"{base}{P}/hall")
    for _ in range(100):
        if page.evaluate(KEPT, f"{P}/runs/{run_id}/slip"):
            return
        page.wait_for_timeout(100)
    raise AssertionError("the worker did not keep the day's pages")


def fill(page, step=10):
    page.locator("fieldset.scale").first.locator("label.scale__step").nth(step).click()


def file(page):
    page.get_by_role("button", name="File slip").click()


def wait_until(page, expression, seconds=20):
    """Until the promise that the expression makes is true; the driver's own waiting takes a promise itself for a yes."""
    for _ in range(seconds * 10):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(100)
    raise AssertionError(f"never true: {expression}; waiting: {page.evaluate(WAITING)}")


WAITING = "Outbox.list().then(entries => entries.map(e => [e.what, e.state, e.said]))"


def emptied(page):
    wait_until(page, "Outbox.list().then(entries => entries.length === 0)")


def arrive(page):
    page.evaluate("Outbox.replay('all')")
    emptied(page)
