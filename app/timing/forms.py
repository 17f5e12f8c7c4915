"""What may be said of a timing file, of laps typed by hand, and of a lap that is here."""

import re
from collections.abc import Mapping, Sequence
from typing import Any, ClassVar

from app.errors import Refused
from app.tables import MOST_BYTES, Errors, TableRefused, read_text
from app.timing import cells
from app.timing.guard import INCIDENT
from app.timing.rules import (
    DELIMITERS,
    MOST_CARS,
    MOST_CHARACTERS,
    MOST_COLUMNS,
    MOST_STINTS,
    ROLE_WORDS,
    Role,
    Sent,
    digest_of,
    refuse_size,
    unix,
)
from app.web.forms import Choice, Field, Form
from app.web.text import without_controls

ROLE_CHOICES: list[Choice] = [(role.value, ROLE_WORDS[role]) for role in Role]
MOST_BY_HAND = 500
DELIMITER_CHOICES: list[Choice] = [(name, {"none": "none: one column"}.get(name, name)) for name in DELIMITERS]
DECIMAL_CHOICES: list[Choice] = [("point", "point, as in 22.41"), ("comma", "comma, as in 22,41")]
HEADER_CHOICES: list[Choice] = [("yes", "yes, the names of the columns"), ("no", "no, laps at once")]


def _several(stem: str, most: int, **field: Any) -> dict[str, Field]:
    return {f"{stem}_{n}": Field(f"{stem} {n + 1}", required=False, **field) for n in range(most)}


class LapFileForm(Form):
    """A file that is chosen replaces what was pasted. What was said of one file (`of`, its digest) is not taken for another."""

    fields_declared = {
        "table": Field("File of the hall's timing", kind="file", required=False,
                       hint="Plain text: CSV, tab, semicolon or spaces; any columns."),
        "pasted": Field("Or paste its lines here", kind="textarea", longest=MOST_CHARACTERS, required=False),
        "file_name": Field("File name", kind="hidden", required=False, longest=200),
        "of": Field("File", kind="hidden", required=False),
        "columns": Field("Columns", kind="hidden", required=False),
        "shown": Field("Shown", kind="hidden", required=False),
        "delimiter": Field("Columns are parted by", kind="select", choices=DELIMITER_CHOICES, required=False),
        "decimal": Field("Decimal mark", kind="select", choices=DECIMAL_CHOICES, required=False),
        "header": Field("First line is a header", kind="select", choices=HEADER_CHOICES, required=False),
        "shift": Field("Clock shift", required=False, unit="s", longest=20, inputmode="text",
                       hint="Added to the hall's clock; − where it runs ahead."),
        **_several("role", MOST_COLUMNS, kind="select", choices=[("", "choose"), *ROLE_CHOICES]),
        **_several("car", MOST_CARS, kind="select", longest=80),
        **_several("run", MOST_STINTS, kind="select", longest=12),
    }  # fmt: skip

    def __init__(self) -> None:
        super().__init__()
        self.bad: Errors | None = None

    def load(self, data: Any) -> "LapFileForm":
        """Cars and runs that may be chosen are known only when the file is read; until then any word stands for itself."""
        for name, item in self.fields.items():
            if name.startswith(("car_", "run_")):
                item.choices = [(word, word) for word in (str(data.get(name, "")),) if word]
        super().load(data)
        return self

    def take_file(self) -> None:
        """Put the text of a chosen file where it can be carried on; a file that can't be read is a refusal."""
        upload = self.values.get("table")
        try:
            if upload is not None:
                self.fields["pasted"].raw = text = unix(read_text(upload.file.read(MOST_BYTES + 1)))
                self.fields["file_name"].raw = "".join(c for c in (upload.filename or "") if c.isprintable())[-200:]
                self.fields["table"].raw = ""
                if len(text) > MOST_CHARACTERS:
                    self.fields["pasted"].raw = ""  # not carried on: it would not be taken back either
                    refuse_size(text)
                self.read_all()
        except TableRefused as refused:
            self.refuse(refused)

    def check(self) -> None:
        if not self.fields["table"].raw and not self.text.strip():
            self.fields["pasted"].error = "Or paste its lines here: choose a file, or paste the lines."
        if self._shift() is None and str(self.fields["shift"].raw).strip():
            typed = without_controls(str(self.fields["shift"].raw))[:20]
            self.fields["shift"].error = f"Clock shift: “{typed}” is no number of seconds within ten days; type it like −3600."

    @property
    def text(self) -> str:
        """As sent, but for line ends: so that a wrong line has the number it has in the file."""
        return unix(str(self.fields["pasted"].raw))

    def _shift(self) -> int | None:
        typed = re.fullmatch(r"\s*([+\-−]?)([0-9]{1,6})(?:[.,]([0-9]{1,3}))?\s*s?\s*", str(self.fields["shift"].raw))
        if typed is None:
            return None
        size = int(typed.group(2)) * 1000 + int((typed.group(3) or "0").ljust(3, "0"))
        return -size if typed.group(1) in ("-", "−") else size

    def timing_file(self) -> Sent:
        """The file with everything that was said of this very file."""
        text, raw = self.text, {name: str(item.raw) for name, item in self.fields.items()}
        if raw["of"] != digest_of(text):
            return Sent(text, {})
        look = {name: raw[name] for name in ("delimiter", "decimal", "header") if raw[name]}
        roles = tuple(Role(raw[name]) for n in range(MOST_COLUMNS) if raw[name := f"role_{n}"])
        return Sent(text, look, roles or None, self._cars(raw), self._shift(), self._places(raw), raw["columns"] == "yes")

    def _cars(self, raw: Mapping[str, str]) -> dict[str, int] | None:
        """`car_3` is such as 2:4410: our car, then the transponder, so that nothing hangs on the order of a page."""
        said = {}
        for n in range(MOST_CARS):
            car, _, who = raw[f"car_{n}"].partition(":")
            if car.isdecimal() and len(car) < 10:
                said[who] = int(car)
        return said or None

    def _places(self, raw: Mapping[str, str]) -> tuple[int | None, ...] | None:
        said = [raw[f"run_{n}"] for n in range(MOST_STINTS) if raw[f"run_{n}"]]
        return tuple(int(word) or None for word in said if word.isdecimal() and len(word) < 10) or None

    def refuse(self, refused: Refused) -> None:
        if isinstance(refused, TableRefused):
            self.bad = refused.errors
        super().refuse(refused)


class LapsForm(Form):
    """Laps of one run by hand, one a line or parted by spaces; how says whether a stopwatch made them."""

    fields_declared: ClassVar[Mapping[str, Field]] = {
        "laps": Field("Laps, in their order", kind="textarea", longest=8000,
                      hint="One a line, or with spaces between: 22.41 or 22,41 or 1:02.3. Leave out the way to the start line."),
        "how": Field("How", kind="hidden", required=False, longest=20),
    }  # fmt: skip

    def check(self) -> None:
        found, wrong = read_typed_laps(str(self.fields["laps"].raw))
        if wrong:
            more = f"; and {len(wrong) - 5} more" if len(wrong) > 5 else ""
            self.fields["laps"].error = f"Laps, in their order: {'; '.join(wrong[:5])}{more}."
        elif len(found) > MOST_BY_HAND:
            self.fields["laps"].error = f"Laps, in their order: {len(found)} are too many for one run; at most {MOST_BY_HAND} are taken."
        else:
            self.times_ms = found

    times_ms: Sequence[int] = ()

    @property
    def stopwatch(self) -> bool:
        return str(self.fields["how"].raw) == "stopwatch"


def read_typed_laps(text: str) -> tuple[list[int], list[str]]:
    """(milliseconds, what is wrong in words: line, lap and the way out). A comma is a decimal comma unless a space follows it."""
    found, wrong = [], []
    for line, words in enumerate(unix(text).split("\n"), 1):
        for word in re.split(r"[\s;]+|,\s+|,$", words.strip()):
            if not word:
                continue
            decimal = "comma" if "," in word else "point"
            try:
                value = cells.read_lap_time(word, decimal)
                if value is None:
                    raise cells.Unreadable("is no lap time; leave it out")
                found.append(value)
            except cells.Unreadable as refused:
                wrong.append(f"line {line}, “{without_controls(word)[:20]}” {refused}")
    return found, wrong


class FlagForm(Form):
    """Laps to leave out or to keep, each as lap id:version; `every` is all that were proposed, for one button."""

    fields_declared = {
        "laps": Field("Laps", kind="checkboxes", required=False),
        "every": Field("All of them", kind="hidden", required=False, longest=4000),
        "act": Field("What about them", kind="select", choices=[("out", "leave out"), ("all", "leave all out"), ("keep", "they count")]),
        "flag": Field("Why they are left out", longest=60, required=False, raw=INCIDENT),
    }  # fmt: skip

    def load(self, data: Any) -> "FlagForm":
        """Which laps there are is for the command to say: one that is gone by now has a sentence of its own."""
        self.fields["laps"].choices = [(str(word), str(word)) for word in data.getlist("laps")[:1000]]
        super().load(data)
        return self

    def check(self) -> None:
        if self.values["act"] != "all" and not self.fields["laps"].raw:
            self.fields["laps"].error = "Laps: tick at least one lap."
        if self.values["act"] != "keep" and not (self.values["flag"] or "").strip():
            self.fields["flag"].error = "Why they are left out: say it in a word, such as incident."

    @property
    def said(self) -> dict[int, tuple[int, str]]:
        act = self.values["act"]
        chosen = str(self.fields["every"].raw).split() if act == "all" else self.fields["laps"].raw
        flag = "" if act == "keep" else str(self.values["flag"] or INCIDENT)
        pairs = [re.fullmatch(r"([0-9]{1,9}):([0-9]{1,6})", str(word)) for word in chosen]
        return {int(pair.group(1)): (int(pair.group(2)), flag) for pair in pairs if pair}
