"""What a person may type into a text field: normalised, without invisible or control characters."""

import unicodedata


class TextRefused(ValueError):
    """The message is a sentence for the person who typed it."""


def clean_line(raw: str, *, longest: int) -> str:
    """One line, NFC, outer and repeated spaces gone."""
    return " ".join(clean_text(raw, longest=longest, lines=False).split())


def clean_text(raw: str, *, longest: int, lines: bool = True) -> str:
    """NFC text; refuses NUL, control characters, direction overrides and too much of it."""
    text = unicodedata.normalize("NFC", raw.replace("\r\n", "\n").replace("\r", "\n")).strip()
    for character in text:
        if character == "\n" and lines:
            continue
        if character == "\t":
            continue
        if character == "\x00":
            raise TextRefused("there is a NUL character in it; type the text again without pasting")
        if character == "\ufffd":
            raise TextRefused("a character of it could not be read (�); type it again")
        category = unicodedata.category(character)
        if category in ("Cc", "Cs") or character in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069":
            raise TextRefused(f"there is an invisible control character (U+{ord(character):04X}) in it; remove it")
    if len(text) > longest:
        raise TextRefused(f"it has {len(text):,} characters; at most {longest:,} are kept".replace(",", " "))
    return text


def without_controls(raw: str) -> str:
    """What can be shown again of a refused text: control characters become a visible sign."""
    return "".join("\ufffd" if unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\r\t" else c for c in raw)
