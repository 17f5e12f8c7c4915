"""python -m tests.campaigns NAME: campaigns of simulated programmes, by the name of what they measure.

    operating_characteristics   how often the rule adopts, rejects, keeps both or asks for more, in every situation
    outlook                     does the forecast of a next session come true?
    learned_noise               what learning the panel's noise from other questions buys
    large_gain                  what the clause of a large gain buys
    planned_seasons             seasons planned by the tool against three plain habits
    lap_files                   ten thousand generated timing files: none crashes, none loses a lap
    ratings_files               ten thousand generated ratings files: none crashes, none loses a mark
    two_worlds                  can anybody tell what is behind a sealed code, or a rater what others wrote?
    kill_test                   a thousand kills on each database while sixteen phones file: nothing lost, doubled, altered
    bad_network                 five hundred bad networks between a phone's browser and the app: the same

`--small` runs a few programmes of a few situations into a file of its own, as a check that it works; exits 1 where a
count is beyond what its own number of programmes can explain.
"""

import argparse
import sys
import tempfile
from pathlib import Path

from app.trials.cli import add_arguments, run_campaign
from tests.blind import campaign as two_worlds
from tests.campaigns import bought, kill_test, lap_files, outlook, planned, ratings_files
from tests.campaigns.alarms import alarms

SMALL_CELLS = "rated-equal-d3,rated-better1-d3"


def main(words: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.campaigns", description=__doc__,
                                     formatter_class=argparse.RawDescriptionHelpFormatter)  # fmt: skip
    campaigns = parser.add_subparsers(required=True, metavar="NAME")
    named = campaigns.add_parser("operating_characteristics", help="how often the rule is right")
    add_arguments(named)
    named.add_argument("--small", action="store_true", help=f"24 programmes of {SMALL_CELLS}, into a temporary file")
    named.set_defaults(run=operating_characteristics)
    ahead = campaigns.add_parser("outlook", help="does the forecast of a next session come true?")
    ahead.add_argument("--programmes", type=int, default=300)
    ahead.add_argument("--seed", type=int, default=1)
    ahead.add_argument("--out", type=Path, default=Path(__file__).parent / "outlook.json")
    ahead.add_argument("--small", action="store_true", help="20 programmes into a temporary file")
    ahead.set_defaults(run=outlook_campaign)
    for what, size in (("learned_noise", 40), ("large_gain", 150)):
        named = campaigns.add_parser(what, help="what it buys, and what it costs")
        named.add_argument("--size", type=int, default=size, help="panels of eight questions, or programmes, of each situation")
        named.add_argument("--seed", type=int, default=1)
        named.add_argument("--workers", type=int, default=2)
        named.add_argument("--out", type=Path, default=Path(__file__).parent / f"{what}.json")
        named.add_argument("--small", action="store_true", help="one of each into a temporary file")
        named.set_defaults(run=bought_campaign, what=what)
    named = campaigns.add_parser("planned_seasons", help="planned by the tool, or by habit")
    named.add_argument("--programmes", type=int, default=150)
    named.add_argument("--seed", type=int, default=1)
    named.add_argument("--workers", type=int, default=2)
    named.add_argument("--out", type=Path, default=Path(__file__).parent / "planned_seasons.json")
    named.add_argument("--small", action="store_true", help="two programmes into a temporary file")
    named.set_defaults(run=planned_campaign)
    for what, module, told in (("lap_files", lap_files, "timing file crashes or loses a lap"),
                               ("ratings_files", ratings_files, "ratings file crashes or loses a mark")):  # fmt: skip
        named = campaigns.add_parser(what, help=f"no generated {told}")
        named.add_argument("--files", type=int, default=10_000)
        named.add_argument("--out", type=Path, default=Path(__file__).parent / f"{what}.json")
        named.add_argument("--small", action="store_true", help="200 files, written nowhere")
        named.set_defaults(run=files_campaign, module=module)
    named = campaigns.add_parser("two_worlds", help="can a sealed key or others' marks be told from any answer?")
    named.add_argument("--pairs", type=int, default=200)
    named.add_argument("--out", type=Path, default=Path(__file__).parent / "two_worlds.json")
    named.add_argument("--small", action="store_true", help="2 seeds into a temporary file")
    named.set_defaults(run=two_worlds_campaign)
    named = campaigns.add_parser("kill_test", help="what was acknowledged is stored, however often the server is killed")
    named.add_argument("--kills", type=int, default=1000, help="on each database")
    named.add_argument("--seed", type=int, default=1)
    named.add_argument("--out", type=Path, default=Path(__file__).parent / "kill_test.json")
    named.add_argument("--small", action="store_true", help="25 kills on each database into a temporary file")
    named.set_defaults(run=kill_campaign)
    named = campaigns.add_parser("bad_network", help="what a phone promised arrives once, unchanged, under its own name (needs Chromium)")
    named.add_argument("--schedules", type=int, default=500)
    named.add_argument("--seed", type=int, default=1)
    named.add_argument("--out", type=Path, default=Path(__file__).parent / "bad_network.json")
    named.add_argument("--small", action="store_true", help="25 schedules into a temporary file")
    named.set_defaults(run=network_campaign)
    asked = parser.parse_args(words)
    return asked.run(asked)


def files_campaign(asked: argparse.Namespace) -> int:
    return asked.module.run(200, None) if asked.small else asked.module.run(asked.files, asked.out)


def outlook_campaign(asked: argparse.Namespace) -> int:
    if not asked.small:
        return outlook.run(asked.programmes, asked.seed, asked.out)
    with tempfile.TemporaryDirectory() as folder:
        return outlook.run(20, asked.seed, Path(folder) / "small.json")


def two_worlds_campaign(asked: argparse.Namespace) -> int:
    if not asked.small:
        return two_worlds.run(asked.pairs, asked.out)
    with tempfile.TemporaryDirectory() as folder:
        return two_worlds.run(2, Path(folder) / "small.json")


def planned_campaign(asked: argparse.Namespace) -> int:
    if not asked.small:
        return planned.run(asked.programmes, asked.seed, asked.out, asked.workers)
    with tempfile.TemporaryDirectory() as folder:
        return planned.run(2, asked.seed, Path(folder) / "small.json", asked.workers)


def bought_campaign(asked: argparse.Namespace) -> int:
    if not asked.small:
        return bought.run(asked.what, asked.size, asked.seed, asked.out, asked.workers)
    with tempfile.TemporaryDirectory() as folder:
        return bought.run(asked.what, 1, asked.seed, Path(folder) / "small.json", asked.workers)


def kill_campaign(asked: argparse.Namespace) -> int:
    if not asked.small:
        return kill_test.run(asked.kills, asked.seed, asked.out)
    with tempfile.TemporaryDirectory() as folder:
        return kill_test.run(25, asked.seed, Path(folder) / "small.json")


def network_campaign(asked: argparse.Namespace) -> int:
    from tests.campaigns import bad_network  # needs playwright, which only the browser suite installs

    if not asked.small:
        return bad_network.run(asked.schedules, asked.seed, asked.out)
    with tempfile.TemporaryDirectory() as folder:
        return bad_network.run(25, asked.seed, Path(folder) / "small.json")


def operating_characteristics(asked: argparse.Namespace) -> int:
    if not asked.small:
        return run_campaign(asked) or _complain(asked.out)
    with tempfile.TemporaryDirectory() as folder:
        asked.out, asked.programmes, asked.coverage = Path(folder) / "small.json", 24, 24
        asked.cells = asked.cells or SMALL_CELLS
        return run_campaign(asked) or _complain(asked.out)


def _complain(out: Path) -> int:
    found = alarms(out)
    print("\n".join(found) or "no aim is missed beyond Monte-Carlo error")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
