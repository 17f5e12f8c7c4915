"""`python -m app campaign`: measure the rule on simulated programmes and write the result file."""

import argparse
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from app.trials import RESULTS

if TYPE_CHECKING:  # numpy loads when a campaign runs, not with every command
    from app.trials.campaign import Batch


def add_command(parsers: Any) -> None:
    parser = parsers.add_parser("campaign", help="measure how often the rule is right, on simulated programmes")
    add_arguments(parser)
    parser.set_defaults(run=run_campaign)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--programmes", type=int, default=400, metavar="N", help="programmes of each cell (default 400)")
    parser.add_argument("--cells", default="", metavar="A,B", help="only these situations (default all)")
    parser.add_argument("--out", type=Path, default=RESULTS, metavar="FILE", help="result file (default that of the page)")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--seed", type=int, default=1, help="seed of all programmes (default 1)")
    parser.add_argument("--coverage", type=int, default=200, metavar="N",
                        help="of these programmes the intervals are compared with the truth (default 200)")  # fmt: skip


def run_campaign(arguments: argparse.Namespace) -> int:
    from app.trials.campaign import Campaign, CampaignRefused

    cells = [name.strip() for name in arguments.cells.split(",") if name.strip()]
    try:
        campaign = Campaign(arguments.out, arguments.programmes, arguments.seed, cells, arguments.workers, arguments.coverage)
        result = campaign.run(_Progress())
    except CampaignRefused as refused:
        print(refused, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("\nStopped. The same command goes on from here.", file=sys.stderr)
        return 130
    for name, cell in result["cells"].items():
        shares = ", ".join(f"{word} {counts[-1]}" for word, counts in cell["counts"].items())
        print(f"{name:20} n {cell['n']:4}: {shares}   {result['cpu'][name]['ms_a_programme']:.0f} ms CPU a programme")
    print(f"Wrote {arguments.out}.")
    return 0


class _Progress:
    """A line on stderr every few seconds, with the time still expected at the pace so far."""

    EVERY_S = 5.0

    def __init__(self) -> None:
        self.started = self.told = time.perf_counter()

    def __call__(self, done: int, of: int, batch: "Batch") -> None:
        now = time.perf_counter()
        if now - self.told < self.EVERY_S and done < of:
            return
        self.told, spent = now, now - self.started
        left = spent / done * (of - done)
        print(f"{done}/{of} programmes, {batch.cell}; {spent / 60:.1f} min so far, about {left / 60:.0f} min left", file=sys.stderr)
