"""Forms: what was typed is kept as typed, each wrong field gets a sentence, nothing is half stored.

A form class lists its fields; `posted(FormClass)` reads the body into one. `form.ok` says whether every
field could be read, `form.values` holds what they read as, and `form.attempt(db)` runs a command in a
transaction and puts a refusal that names a field at that field.
"""

import copy
import hashlib
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, ClassVar, Self

from fastapi import Depends, Request
from starlette.datastructures import FormData, UploadFile

from app import clock, units
from app.db import Db, transaction
from app.errors import Refused
from app.phone_clock import PhoneClock
from app.web.outbox import read_phone, read_sent
from app.web.receipts import Sent, settle_sent, take_once
from app.web.text import TextRefused, clean_line, clean_text, without_controls

Choice = tuple[str, str]


class Wrong(ValueError):
    """A field that can't be read; the message is the sentence shown at it."""


@dataclass
class Field:
    """One thing that can be typed. `read` turns the raw text into a value or raises Wrong."""

    label: str
    kind: str = "text"
    required: bool = True
    hint: str = ""
    longest: int = 120
    choices: Sequence[Choice] = ()
    unit: str = ""
    quantity: units.Quantity | None = None
    autocomplete: str = ""
    inputmode: str = ""
    name: str = ""
    raw: Any = ""
    error: str | None = None
    sure: bool = False
    ask_sure: bool = False
    either: bool = False  # it or another field is needed: the form's `check` says so, and neither is called optional

    def read(self) -> Any:
        reader = READERS[self.kind]
        if self.kind in ("checkboxes", "checkbox", "file"):
            return reader(self)
        if not str(self.raw).strip():
            if self.required:
                raise Wrong(f"{self.label}: this is needed")
            return None if self.kind not in ("text", "textarea") else ""
        return reader(self)


def _line(item: Field) -> str:
    return clean_line(item.raw, longest=item.longest)


def _text(item: Field) -> str:
    return clean_text(item.raw, longest=item.longest)


def _password(item: Field) -> str:
    if "\x00" in item.raw:
        raise TextRefused("there is a NUL character in it")
    if len(item.raw) > 500:
        raise TextRefused("it is longer than 500 characters")
    return item.raw


def _choice(item: Field) -> str:
    if item.raw not in {value for value, _ in item.choices}:
        raise Wrong(f"“{str(item.raw)[:40]}” is not one of the choices")
    return item.raw


def _choices(item: Field) -> list[str]:
    known = {value for value, _ in item.choices}
    chosen = [value for value in (item.raw or []) if value in known]
    if len(chosen) != len(item.raw or []):
        raise Wrong("one of these is not a choice here")
    if item.required and not chosen:
        raise Wrong("choose at least one")
    return chosen


def _number(item: Field) -> float:
    try:
        if item.quantity is None:
            return float(units.parse_number(item.raw))
        return units.parse_quantity(item.raw, item.quantity, sure=item.sure)
    except units.OutOfBand as doubtful:
        item.ask_sure = True
        raise Wrong(str(doubtful)) from doubtful
    except units.TypedNumberError as unreadable:
        raise Wrong(str(unreadable)) from unreadable


def _integer(item: Field) -> int:
    value = _number(item)
    if value != int(value):
        raise Wrong(f"{item.raw} is not a whole number")
    if abs(value) > 2**31 - 1:
        raise Wrong(f"{item.raw} is too large")
    return int(value)


def _date(item: Field) -> date:
    try:
        return date.fromisoformat(item.raw.strip())
    except ValueError as unreadable:
        raise Wrong(f"“{item.raw[:40]}” is not a date; type it like 2026-02-03") from unreadable


def _moment(item: Field) -> datetime:
    """A wall-clock moment without a zone; the command knows the venue."""
    try:
        moment = datetime.fromisoformat(item.raw.strip())
    except ValueError as unreadable:
        raise Wrong(f"“{item.raw[:40]}” is not a date and time; type it like 2026-02-03T10:24") from unreadable
    if moment.tzinfo is not None:
        raise Wrong("give the venue's wall time, without a zone")
    if not 2000 <= moment.year <= 2100:
        raise Wrong(f"the year {moment.year} is not plausible here")
    return moment


def _zone(item: Field) -> str:
    name = clean_line(item.raw, longest=60)
    try:
        clock.zone(name)
    except ValueError as unknown:
        raise Wrong(str(unknown)) from unknown
    return name


def _file(item: Field) -> Any:
    if item.raw in ("", None) or not getattr(item.raw, "filename", ""):
        if item.required:
            raise Wrong(f"{item.label}: choose a file")
        return None
    return item.raw


READERS: dict[str, Callable[[Field], Any]] = {
    "text": _line, "textarea": _text, "password": _password, "email": _line, "hidden": _line, "select": _choice,
    "radios": _choice, "checkboxes": _choices, "checkbox": lambda item: bool(item.raw), "number": _number,
    "integer": _integer, "date": _date, "datetime-local": _moment, "zone": _zone, "file": _file,
}  # fmt: skip


class Form:
    """Base of every form. Subclasses list `fields`; they may add to `check` and choices in `__init__`."""

    fields_declared: ClassVar[Mapping[str, Field]] = {}

    def __init__(self) -> None:
        self.fields: dict[str, Field] = {}
        for name, declared in self.declare().items():
            item = copy.copy(declared)
            item.name = name
            self.fields[name] = item
        self.values: dict[str, Any] = {}
        self.message: str | None = None
        self.submitted = False
        self.conflict: list[tuple[str, str, str]] = []  # (label, theirs, yours)

    def declare(self) -> Mapping[str, Field]:
        return type(self).fields_declared

    # --- filling
    def fill(self, **values: Any) -> Self:
        """Show these values for editing."""
        for name, value in values.items():
            self.fields[name].raw = _shown(value)
        return self

    def offer(self, **choices: Sequence[Choice]) -> Self:
        """Give fields their choices, known only at run time, and read again if something was posted."""
        for name, offered in choices.items():
            self.fields[name].choices = list(offered)
        if self.submitted:
            self.read_all()
        return self

    def load(self, data: FormData) -> Self:
        self.submitted = True
        for name, item in self.fields.items():
            if item.kind == "checkboxes":
                item.raw = [str(value) for value in data.getlist(name)]
            elif item.kind == "checkbox":
                item.raw = bool(data.get(name))
            elif item.kind == "file":
                item.raw = data.get(name)
            else:
                value = data.get(name, "")
                item.raw = "" if isinstance(value, UploadFile) else str(value)
            item.sure = bool(data.get(f"{name}_sure"))
        self.read_all()
        return self

    def read_all(self) -> None:
        self.values, self.message = {}, None
        for name, item in self.fields.items():
            item.error = None
            try:
                self.values[name] = item.read()
            except (Wrong, TextRefused) as wrong:
                if isinstance(wrong, TextRefused):
                    item.raw = without_controls(item.raw)
                item.error = _sentence(item.label, str(wrong))
        if self.ok:
            self.check()

    def check(self) -> None:
        """Rules between fields; sets `error` on fields."""

    # --- reading
    @property
    def ok(self) -> bool:
        return self.submitted and self.message is None and all(item.error is None for item in self.fields.values())

    @property
    def errors(self) -> list[tuple[str, str]]:
        found = [(name, item.error) for name, item in self.fields.items() if item.error]
        return [*found, *([("", self.message)] if self.message else [])]

    def refuse(self, refused: Refused) -> None:
        """Put a refusal at its field, or on top of the form."""
        if refused.field and refused.field in self.fields:
            self.fields[refused.field].error = refused.sentence
        else:
            self.message = refused.sentence

    @contextmanager
    def attempt(self, db: Db) -> Iterator[None]:
        """Run a command in a transaction. A refusal is shown in the form; the block then simply ends."""
        try:
            with transaction(db):
                take_once(db, self.receipt, self.sent)
                yield
                settle_sent(self.sent)
            self._sent_done()
        except Refused as refused:
            self.refuse(refused)
            self.status = refused.status if refused.status in (403, 409) and refused.field is None else 422
            db.rollback()

    def settle(self, outcome: str, went: str = "") -> None:
        """Say inside `attempt` what came of it, where that is not plainly "filed".

        went : where it leads to, where a phone must learn that even after a lost answer (it names what was made).
        """
        if self.sent is not None:
            self.sent.outcome = outcome
            if self.sent.row is not None:
                self.sent.row.went = went[:400]

    def _sent_done(self) -> None:
        if self.sent is not None:
            self.sent.done = True  # committed: only now may the phone be told so

    status: int = 422
    holds_other_content: ClassVar[bool] = False  # the same outbox token with other content is for the command to judge
    sent: Sent | None = None  # where the post came from a phone's outbox
    phone: PhoneClock = PhoneClock()
    receipt: str = ""  # digest of person, path, form token and content; empty where the page gave no token

    def typed(self) -> list[tuple[str, str]]:
        """Everything typed, by label, for pages that must give it back."""
        return [
            (item.label, str(item.raw))
            for item in self.fields.values()
            if item.kind not in ("password", "hidden", "file") and item.raw not in ("", [], False, None)
        ]


def _sentence(label: str, problem: str) -> str:
    text = problem if problem.startswith(label) else f"{label}: {problem}"
    return text if text.endswith((".", "?", "!")) else f"{text}."


def _shown(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, bool | list):
        return value
    if isinstance(value, set | frozenset | tuple):
        return [str(item) for item in value]
    if isinstance(value, datetime):
        return value.strftime("%Y-%m-%dT%H:%M")
    if isinstance(value, float):
        plain = f"{Decimal(repr(value)):f}"  # every digit, and never 1e-07: saved untouched, it stays the same
        return plain.rstrip("0").rstrip(".") if "." in plain else plain
    return str(value)


async def _read_form(request: Request) -> FormData:
    try:
        data = await request.form(max_files=4, max_fields=2000, max_part_size=1_200_000)
    except UnicodeDecodeError as broken:
        raise Refused("The form's text is not valid UTF-8", "", "Send it again from the page.") from broken
    request.state.form_text = in_words(data.multi_items())
    request.state.form_all = [
        (name, value) for name, value in data.multi_items() if isinstance(value, str) and "password" not in name
        and name not in ("old", "new")
    ]  # fmt: skip
    return data


HIDDEN_NAMES = (
    "phone_captured_ms", "phone_offset_ms", "old", "new", "token", "form_token", "shown", "kept", "kept_path", "next", "version", "edition",
    "seen",
)  # fmt: skip


def in_words(pairs: Iterable[tuple[str, Any]]) -> list[tuple[str, str]]:
    """What was typed, to be read and copied by a person: no tokens, marks as their scale shows them."""
    found = []
    for name, value in pairs:
        if not isinstance(value, str) or not value or "password" in name or name in HIDDEN_NAMES:
            continue
        if name.startswith("mark_") and value.isascii() and value.lstrip("-").isdigit():
            value = f"{int(value[:8]) / 100:g}"
        found.append((name.replace("_", " "), without_controls(value)))
    return found


PostedData = Depends(_read_form)


async def keep_typed(request: Request) -> None:
    """Read the form of a request that was refused at the door, so that the answer can give it back."""
    if request.method == "POST" and not hasattr(request.state, "form_all"):
        with suppress(Exception):  # too large, broken or gone: the refusal itself is what matters
            await _read_form(request)


def whole(typed: object) -> int:
    """A hidden whole number of ours, such as an edition; 0 when somebody altered it, which no row ever has."""
    text = str(typed or "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else 0


class ButtonForm(Form):
    """A button alone: nothing is typed, but sent twice it is carried out once."""

    @contextmanager
    def press(self, db: Db) -> Iterator[None]:
        """Run a command in a transaction; a refusal becomes an error page, a twin gets the first one's answer."""
        with transaction(db):
            take_once(db, self.receipt, self.sent)
            yield
            settle_sent(self.sent)
        self._sent_done()


def posted(form_class: type[Form]) -> Any:
    """A route parameter: the posted body read into `form_class`."""

    def read(request: Request, data: FormData = PostedData) -> Form:
        form = form_class().load(data)
        request.state.posted_form = form
        if sent := read_sent(request, data, holds=form_class.holds_other_content):
            form.sent = request.state.sent = sent
            form.phone = read_phone(request, data)
        elif token := str(data.get("form_token") or ""):
            form.receipt = request.state.receipt = _receipt(request, token, data)
        return form

    return Depends(read)


def _receipt(request: Request, token: str, data: FormData) -> str:
    viewer = getattr(request.state, "viewer", None)
    content = [(name, value) for name, value in data.multi_items() if isinstance(value, str)]
    text = json.dumps([viewer.account_id if viewer else 0, request.url.path, token, content], ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()
