"""A hall's timing files to bring in, made from laps. All figures are invented but those of the scenarios of the job."""

from datetime import timedelta

T40 = [22.41, 22.18, 22.26, 22.09, 22.31, 22.74, 22.15, 25.92, 22.22, 22.37, 22.19, 22.28]
T45 = [22.10, 22.02, 22.15, 21.95, 22.21, 22.08, 22.05, 22.18, 22.01, 22.12, 22.07, 22.16]
USUAL = [22.3, 22.2, 22.25, 22.1, 22.4, 22.2, 22.3, 22.15, 22.2, 22.35]
HOUR_S = 3600


def clock(seconds: float) -> str:
    """10:00:22.410 of seconds since midnight."""
    whole = timedelta(milliseconds=round(seconds * 1000))
    hours, rest = divmod(round(whole / timedelta(milliseconds=1)), HOUR_S * 1000)
    minutes, ms = divmod(rest, 60_000)
    return f"{hours:02d}:{minutes:02d}:{ms // 1000:02d}.{ms % 1000:03d}"


def passings(start_s: float, laps: list[float]) -> list[tuple[str, float]]:
    """(clock at the end of the lap, lap time) of laps that follow each other."""
    at, found = start_s, []
    for lap in laps:
        at += lap
        found.append((clock(at), lap))
    return found


def hall_file(runs: list[tuple[float, list[float]]], *, transponder: str = "4410", ahead_s: float = HOUR_S, delimiter: str = ";",
              decimal: str = ",", header: bool = True, stroll: bool = True) -> str:  # fmt: skip
    """One line a lap of one transponder. runs : (start by the venue's clock in seconds since midnight, laps).

    stroll : between runs the car is carried over the loop once, so that the file has a lap of many minutes.
    """
    lines = [delimiter.join(("Lap", "Transponder", "Passing", "Lap time"))] if header else []
    number, before = 0, None
    for start, laps in runs:
        first = start + ahead_s + 6.5  # from the noted start to the first passing
        if stroll and before is not None:
            number += 1
            lines.append(delimiter.join((str(number), transponder, clock(first), f"{first - before:.3f}")))
        for at, lap in passings(first, laps):
            number += 1
            lines.append(delimiter.join((str(number), transponder, at, f"{lap:.3f}")))
        before = first + sum(laps)
    text = "\n".join(lines) + "\n"
    return text.replace(".", ",") if decimal == "," else text


def ten_past_ten(laps: list[list[float]], every_min: int = 12) -> list[tuple[float, list[float]]]:
    """Runs from 10:00 on, one every twelve minutes."""
    return [((10 * 60 + n * every_min) * 60, driven) for n, driven in enumerate(laps)]


SCENARIO = hall_file(ten_past_ten([T40, T45, USUAL, USUAL, USUAL]))
