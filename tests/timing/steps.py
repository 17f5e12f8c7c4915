"""Steps of a lap file: through the pages as a browser would send them, and through the commands."""

import re
from html import unescape

from app.db import transaction
from app.timing import commands, lap_commands
from app.timing.rules import Sent
from tests.pages import text_of
from tests.timing.files import SCENARIO


def answer(html: str) -> dict[str, str]:
    """Every field of the page's lap file form, as a browser would send it back."""
    form = re.search(r'<form[^>]*id="lap-file".*?</form>', html, re.S).group(0)
    found = {}
    for tag in re.findall(r"<input[^>]*>", form):
        kind, name = re.search(r'type="(\w[\w-]*)"', tag), re.search(r'name="(\w+)"', tag)
        if name and kind and kind.group(1) in ("hidden", "text"):
            found[name.group(1)] = unescape((re.search(r'value="([^"]*)"', tag) or [None, ""])[1])
    for name, body in re.findall(r'<select[^>]*name="(\w+)"[^>]*>(.*?)</select>', form, re.S):
        options = re.findall(r'<option value="([^"]*)"( selected)?>', body)
        found[name] = unescape(next((value for value, chosen in options if chosen), options[0][0]))
    found["pasted"] = unescape(re.search(r'<textarea[^>]*name="pasted"[^>]*>\n(.*?)</textarea>', form, re.S).group(1))
    return found


def attached(browser, w, text=SCENARIO, cars=None):
    """From the file to the page that asks for the confirmation: (its form, its words)."""
    path = w.path(f"/sessions/{w.session_id}/lap-file")
    browser.get(path, max_queries=12)
    page = browser.post(f"{path}/check", {}, files={"table": ("hall.txt", text.encode(), "text/plain")})
    if "These columns are right" in page.text:
        page = browser.post(f"{path}/check", {**answer(page.text), "columns": "yes"})
    if "These are the cars" in page.text:
        said = answer(page.text)
        for n, car in enumerate(cars or [w.season.cars[0]]):
            who = re.findall(rf'name="car_{n}".*?<option value="{car}:([^"]*)"', page.text, re.S)[0]
            said[f"car_{n}"] = f"{car}:{unescape(who)}"
        page = browser.post(f"{path}/check", said)
    return answer(page.text), text_of(page.text)


def said(w, text=SCENARIO, who="4410", car=0, **more):
    """A file whose columns and car somebody has confirmed."""
    return Sent(text, {}, cars={who: w.season.cars[car]}, columns_right=True, **more)


def check(db, w, sent, *, by="SK"):
    found = commands.check_file(db, w.session_id, by=w.team[by], sent=sent)
    db.rollback()
    return found


def attach(db, w, sent=None, *, by="SK", shown=None):
    """Attach what a person saw; answers the batch's id."""
    sent = sent or said(w)
    shown = shown or check(db, w, sent).match.digest
    with transaction(db):
        return commands.attach_file(db, w.session_id, by=w.team[by], sent=sent, shown=shown, file_name="hall.txt").id


def by_hand(db, w, run_id, laps_s, *, by="SK"):
    with transaction(db):
        return lap_commands.file_laps(db, run_id, by=w.team[by], times_ms=[round(lap * 1000) for lap in laps_s]).id


def flag(db, w, laps, *, by="SK"):
    """laps : lap id -> (version that was seen, word)."""
    with transaction(db):
        lap_commands.flag_laps(db, w.session_id, by=w.team[by], said=laps)
