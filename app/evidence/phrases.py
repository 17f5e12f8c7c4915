"""How figures and lists are worded, so that every sentence of the sheet says them alike."""

from collections.abc import Sequence

_ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def ordinal(n: int) -> str:
    """1 -> 'first'; beyond ten, '11th' and so on."""
    return _ORDINALS[n - 1] if 1 <= n <= len(_ORDINALS) else f"{n}th"


def count(n: int, noun: str, plural: str = "") -> str:
    """'one driver', '3 sessions'."""
    return f"{n} {noun}" if n == 1 else f"{n} {plural or noun + 's'}"


def counted_brackets(n: int, *, more: bool) -> str:
    """'one more counted bracket', 'two counted brackets'."""
    word = _COUNTS[n] if n < len(_COUNTS) else str(n)
    return f"{word}{' more' if more else ''} counted bracket{'' if n == 1 else 's'}"


def signed(value: float, decimals: int = 2) -> str:
    """'+0.75', '−0.10'; a value that rounds to nothing has no sign."""
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0:
        return text
    return ("+" if value > 0 else "−") + text


def probability(p: float) -> str:
    """Two decimals, but never 1.00 or 0.00 for what is not certain."""
    return "more than .995" if p > 0.995 else "less than .005" if p < 0.005 else f"{p:.2f}".removeprefix("0")


def joined(items: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1] if items else ""
