"""What next: open questions ranked by what one more session would settle. No database."""

from collections.abc import Sequence
from typing import Any, NamedTuple

ORDERS = ("chance", "date", "runs")
HARDLY = 0.005  # the outlook tells a smaller chance in words


class NextLine(NamedTuple):
    """One rival that is still to be settled. `p`, `runs`, `drivers`: of the next session of everyone, four runs each."""

    question: Any
    variant: str
    verdict: str
    clause: str
    nearest: str
    sentence: str
    drivers: Sequence[str]
    runs: int
    p: float
    sessions: int | None

    @property
    def forecast(self) -> bool:
        """Is there a chance worth a number? Otherwise `sentence` says what stands in the way."""
        return self.runs > 0 and self.p >= HARDLY


def next_lines(lines: Sequence[Any], *, by: str) -> list[NextLine]:
    """Rivals whose verdict is retest, the best use of the next hours first: by chance, date or runs."""
    found = [_line(line.question, read) for line in lines for read in line.readings if read["verdict"] == "retest"]
    dates = {"date": lambda x: (_day(x), -x.p), "runs": lambda x: (x.runs / max(x.p, 0.001), _day(x))}
    usual = lambda x: (-x.p, _day(x))  # noqa: E731 - a sort key beside two others
    return sorted(found, key=lambda x: (*dates.get(by, usual)(x), x.question.number, x.variant))


def _line(question: Any, read: dict[str, Any]) -> NextLine:
    ahead = read.get("ahead") or {}
    candidates = ahead.get("candidates") or []
    best = next((c for c in candidates if c["each"] == 4), None) or (candidates[0] if candidates else None)
    nearest = read["nearest"].removesuffix(ahead.get("sentence", "") or "\0").strip()
    return NextLine(question, read["variant"], read["verdict"], read["clause"], nearest, ahead.get("sentence", ""),
                    best["drivers"] if best else (), best["runs"] if best else 0, best["p"] if best else 0.0,
                    ahead.get("sessions"))  # fmt: skip


def _day(line: NextLine) -> int:
    return line.question.decide_by.toordinal() if line.question.decide_by else 10**7


class SharedControl(NamedTuple):
    """One car that carries the controls of several open questions: its runs are control runs of each of them."""

    parts: Sequence[tuple[str, str]]  # (question label, code of its control)
    apart: int
    together: int


def shared_controls(controls: Sequence[tuple[int, str]], lines: Sequence[NextLine]) -> SharedControl | None:
    """Control runs if every question brought its own, and if one car carried all controls; None for one question."""
    code = dict(controls)
    need: dict[int, int] = {}
    labels: dict[int, str] = {}
    for line in lines:
        if line.runs and line.question.id in code:
            need[line.question.id] = max(need.get(line.question.id, 0), line.runs // 2)
            labels[line.question.id] = line.question.label
    if len(need) < 2:
        return None
    return SharedControl([(labels[i], code[i]) for i in sorted(need)], sum(need.values()), max(need.values()))
