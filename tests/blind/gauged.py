"""The bench in both worlds: the same pieces gauged before and after the day under codes, one of them out of tolerance after it."""

from app import clock
from app.bench import kept_commands
from app.bench.words import EffectKind, Kind
from app.db import Db, transaction
from app.demo import scenes
from app.gauging.study import Trial
from tests import fixture
from tests.bench import steps


def gauge_pieces(db: Db, w: fixture.World) -> None:
    """Which runs carried the failed piece is what the key hides; that it failed is everybody's to know."""
    own, micrometer = steps.thickness(db, w)
    play = steps.characteristic(db, w, Kind.PLAY, upper=0.10, name="play", paired_with_id=own)
    for n, (line, pieces) in enumerate(w.q.pieces.items()):
        for piece in pieces:
            steps.read(db, w, own, micrometer, piece, [4.0 + 0.5 * n] * 5, hour=8.5)
            steps.read(db, w, play, micrometer, piece, [0.03, 0.04, 0.05], hour=8.5)
            steps.read(db, w, play, micrometer, piece, [0.13, 0.14, 0.15] if line == "t45" else [0.05, 0.05, 0.06], hour=12)
    trials = [Trial(who, piece, str(k), 4.4 + 0.05 * k + 0.1 * int(piece)) for who in ("SK", "RT") for piece in "123" for k in (1, 2)]
    with transaction(db), clock.at(scenes.moment(fixture.DAY, 12, 30)):
        kept_commands.keep_study(db, by=w.team.SK, characteristic_id=own, gauge_id=micrometer, trials=[(t, f"{t.value:g}") for t in trials])
        kept_commands.keep_fit(db, by=w.team.RT, name="pin", nominal_mm=4.0, hole="H7", shaft="g6")
        kept_commands.keep_chain(db, by=w.team.RT, name="gap", lines="housing,+,10,0.1,0.1\nspacer,-,9.5,0.1,0.1")
        kept_commands.note_effect(db, by=w.team.RT, variant_id=w.q.variants["t45"], kind=EffectKind.PLATE,
                                  inputs={"before": "4", "after": "4.5"}, says="Stiffness × 1.42.")  # fmt: skip
