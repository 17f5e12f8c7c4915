"""How the trail is narrowed."""

from app.web.forms import Field, Form

THINGS = ("programme", "person", "attribute", "part", "revision", "piece", "question", "session", "car", "run", "slip", "concern",
          "ruling")  # fmt: skip


class TrailForm(Form):
    fields_declared = {
        "thing": Field("Kind of thing", kind="select", choices=[("", "everything"), *((t, t) for t in THINGS)], required=False),
        "by": Field("Person", kind="select", required=False),
    }

    def show(self, thing: str, by: str, people: list[tuple[str, str]]) -> "TrailForm":
        self.fields["by"].choices = [("", "everybody"), *people]
        self.fields["thing"].raw, self.fields["by"].raw = thing, by
        return self
