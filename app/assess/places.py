"""Where a key of question.toml stands, so that a refusal can name its line. A reading aid, not a parser."""

import re
from dataclasses import dataclass

_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
Path = tuple[str | int, ...]


@dataclass(frozen=True, slots=True)
class _Section:
    name: str
    first: int  # 0-based line of its header; the root starts before line 0
    last: int


def line_of(text: str, path: Path) -> int:
    """1-based line of a key such as ('goal', 1, 'weight'); of the nearest key above it where it isn't written, else 1."""
    lines = text.split("\n")
    sections = _sections(lines)
    names = [part for part in path if isinstance(part, str)]
    listed = next((part for part in path if isinstance(part, int)), None)
    index = listed or 0
    for depth in range(len(names) - 1, -1, -1):
        own = [s for s in sections if s.name == ".".join(names[:depth])]
        for section in own[index : index + 1] or own[:1]:
            found = _key_line(lines, section, names[depth])
            if found is not None:
                return _inside(lines, found, names[depth + 1 :], listed if depth == 0 else None) + 1
    for depth in range(len(names), 0, -1):
        own = [s for s in sections if s.name == ".".join(names[:depth])]
        if own:
            return (own[index] if index < len(own) else own[0]).first + 1
    return 1


def _sections(lines: list[str]) -> list[_Section]:
    starts = [("", -1)]
    for number, line in enumerate(lines):
        if header := _HEADER.match(line):
            starts.append((".".join(_bare(part) for part in header[2].split(".")), number))
    ends = [number for _, number in starts[1:]] + [len(lines)]
    return [_Section(name, first, last) for (name, first), last in zip(starts, ends, strict=True)]


def _key_line(lines: list[str], section: _Section, key: str) -> int | None:
    written = re.compile(rf"""^\s*["']?{re.escape(key)}["']?\s*[.=]""")
    for number in range(section.first + 1, section.last):
        if written.match(lines[number]):
            return number
    return None


def _inside(lines: list[str], start: int, names: list[str], listed: int | None) -> int:
    """The line of a key inside inline tables: behind the opening brace of a list's entry, then behind each name in turn."""
    rest = "\n".join(lines[start:])
    at = rest.find("=")
    for _ in range(0 if listed is None else listed + 1):
        following = rest.find("{", at + 1)
        at = following if following >= 0 else at
    for name in names:
        found = re.compile(rf"""["']?\b{re.escape(name)}["']?\s*=""").search(rest, at + 1)
        if not found:
            break
        at = found.start()
    return start + rest[: max(at, 0)].count("\n")


def _bare(part: str) -> str:
    return part.strip().strip("\"'")
