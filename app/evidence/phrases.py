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
    """Two decimals, cut off rather than rounded, so that .9599 never reads as a met .96; never 1.00 or 0.00."""
    if not 0.01 <= p <= 0.995:
        return "more than .99" if p > 0.5 else "less than .01"
    return f"{int(100 * p + 1e-9) / 100:.2f}".removeprefix("0")


def threshold(p: float) -> str:
    """What a probability is held against, with the decimals it has: .96, .976."""
    return f"{p:.3g}".removeprefix("0")


def percent(share: float) -> str:
    """0.4 -> '40 %'."""
    return f"{100 * share:.0f} %"


def joined(items: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1] if items else ""
