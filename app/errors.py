"""The tree of refusals. Each carries what happened, why with the figures, and what to do next.

Refused (400)                the request can't be taken as it stands
├── NotFound (404)           nothing with that name is here, or not for this person
├── NotAllowed (403)         the policy says no, with the reason
├── NeedsSignIn (401)        nobody is signed in
├── TooMany (429)            throttled
├── TooLarge (413)           more bytes than this page takes
└── Conflict (409)           someone or something else got there first
    └── Frozen (409)         the thing can no longer change

A database that can't be reached, is locked or read-only is answered 503 by `web.error_pages`.
"""


class Refused(Exception):
    """A refusal that a person can read.

    title     : what happened. reason : why, with the figures. next_step : the way out.
    field     : the form field it belongs to, if any; a form then shows it there.
    """

    status = 400

    def __init__(self, title: str, reason: str = "", next_step: str = "", *, field: str | None = None) -> None:
        super().__init__(f"{title}. {reason}".strip())
        self.title, self.reason, self.next_step, self.field = title, reason, next_step, field

    @property
    def sentence(self) -> str:
        return " ".join(part.rstrip(".") + "." for part in (self.title, self.reason, self.next_step) if part)


class NotFound(Refused):
    status = 404


class NotAllowed(Refused):
    status = 403


class NeedsSignIn(Refused):
    status = 401


class TooMany(Refused):
    status = 429


class TooLarge(Refused):
    status = 413


class Conflict(Refused):
    status = 409


class Frozen(Conflict):
    status = 409
