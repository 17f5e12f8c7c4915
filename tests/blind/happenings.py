"""What else happens on a day of blind runs: incidents with and without a photo, laps by hand, planned abuse beside the track."""

import io
import random
from collections.abc import Mapping

from PIL import Image

from app import clock
from app.access.viewer import Viewer
from app.db import Db, transaction
from app.demo import scenes
from app.incidents.commands import report_incident, start_test
from app.incidents.rules import Report
from app.incidents.words import Effect, Happened
from app.photos.rules import read_picture
from tests import fixture

SAID = ("rubs under load", "a crack at the bolt hole", "nothing to see", "bent, I think", "")


def photo() -> io.BytesIO:
    made = io.BytesIO()
    Image.new("RGB", (80, 60), (120, 40, 40)).save(made, "JPEG")
    made.seek(0)
    return made


def happen(db: Db, people: Mapping[str, Viewer], pieces: Mapping[str, list[int]], own_run: int, other_run: int,
           others: random.Random) -> None:  # fmt: skip
    """own_run : a driven run of AQ; other_run : one of MS, whose words `others` draws. Nothing names what was on the car."""
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 11, 15)):
        hit = Report(Happened.NOSE, Effect.NONE, run_id=own_run, words="Straight into the board, it went on", lap_number=3)
        report_incident(db, hit, by=people["AQ"], picture=read_picture(photo()), alt="The board")
        report_incident(db, Report(Happened.NOSE, Effect.NONE, run_id=other_run, words=others.choice(SAID)), by=people["MS"])
        test = start_test(db, by=people["RT"], kind=Happened.NOSE, piece_ids=[pieces["t45"][0]], hits_planned=20, check_every=5)
        report_incident(db, Report(Happened.NOSE, Effect.NONE, {pieces["t45"][0]: ()}, abuse_test_id=test.id, hits=5), by=people["RT"])
