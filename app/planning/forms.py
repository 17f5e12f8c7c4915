"""What may be typed about a session's plan, kit, parts and the season."""

from app import units
from app.evidence.refusals import EvidenceError
from app.planning.models import KitKind
from app.web.forms import Field, Form

MINUTES = units.Quantity("min", "min", 0, (("min", "1"), ("h", "60")), ("0", "600"), "0")
BOOKED = units.Quantity("min", "min", 0, MINUTES.aliases, ("30", "900"), "1")
CYCLE = units.Quantity("min", "min", 1, MINUTES.aliases, ("1", "60"), "0.5")
PRICE = units.Quantity("price", "", 2, (), ("0", "5000"), "0")
ROUNDS = units.Quantity("rounds", "", 0, (), ("0", "6"), "0")
RUNS = units.Quantity("runs", "", 0, (), ("1", "200"), "1")


def _minutes(label: str, quantity: units.Quantity = MINUTES, **more: object) -> Field:
    return Field(label, kind="number", unit="min", quantity=quantity, **more)  # type: ignore[arg-type]


class DayForm(Form):
    fields_declared = {
        "starts_at": Field("The booking starts at", kind="datetime-local", hint="Venue time: when the doors open for you."),
        "booked_min": _minutes("Booked", BOOKED, raw="240", hint="Such as 240 or 4 h."),
        "set_up_min": _minutes("Set-up", raw="45"),
        "warm_up_min": _minutes("Warm-up", raw="20"),
        "breaks_min": _minutes("Breaks", raw="15"),
        "tear_down_min": _minutes("Tear-down", raw="10"),
        "run_min": _minutes("One run", CYCLE, raw="5"),
        "turnround_min": _minutes("Turnround", CYCLE, raw="7",
                                  hint="From the end of a run to the next start of the car; the slip is rated in it."),
        "cars": Field("Cars", kind="checkboxes"),
        "drivers": Field("Drivers", kind="checkboxes"),
        "questions": Field("Questions to drive for", kind="checkboxes"),
        "brackets": Field("Brackets of each rival and driver", kind="select",
                          choices=[("1", "one"), ("2", "two, if they fit")], raw="1"),
        "blind": Field("Driven blind", kind="checkboxes", required=False,
                       hint="What and how often is planned here; the order is drawn when the key is sealed."),
        "fit_only": Field("Without closing controls", kind="checkboxes", required=False,
                          hint="Read from the fit alone: A-B-B-A is enough, no bracket is counted."),
        "limits": Field("Limits of drivers", kind="textarea", longest=1000, required=False,
                        hint="One a line: DH: rest 10; most 6; cars car 1, car 2"),
        "edition": Field("Edition", kind="hidden", required=False),
    }  # fmt: skip


class AcceptForm(Form):
    fields_declared = {
        "wish": Field("Plan", kind="hidden"),
        "shown": Field("Shown", kind="hidden"),
        "why": Field("Why", longest=300, required=False),
    }


class PartFiguresForm(Form):
    fields_declared = {
        "part_id": Field("Part", kind="select"),
        "change_min": _minutes("Change-over at the hall", raw="6", hint="A pin about 12, an arm about 6: your own figure counts."),
        "corrections": Field("Correction rounds of its tool", kind="number", quantity=ROUNDS, raw="1",
                             hint="First-off parts need one to three."),
        "correction_days": Field("Days of one round", kind="number", unit="days", quantity=units.DAYS, raw="14"),
    }  # fmt: skip


class KitForm(Form):
    fields_declared = {
        "kind": Field("Kind", kind="select", choices=[(k.value, k.value) for k in KitKind]),
        "name": Field("Name", longest=40, hint="As it is written on it, such as set 3 or P-07."),
        "most_runs": Field("Runs that a tyre set lasts", kind="number", quantity=RUNS, required=False, hint="For a tyre set."),
        "charging_min": _minutes("Charging", required=False, hint="For a pack: until it is ready again."),
    }

    def check(self) -> None:
        if self.values["kind"] == KitKind.TYRES and self.values["most_runs"] is None:
            self.fields["most_runs"].error = "Runs that a tyre set lasts: this is needed for a tyre set."
        if self.values["kind"] == KitKind.PACK and self.values["charging_min"] is None:
            self.fields["charging_min"].error = "Charging: this is needed for a pack."


class SeasonForm(Form):
    fields_declared = {
        "freeze_on": Field("Freeze date", kind="date", required=False),
        "edition": Field("Edition", kind="hidden", required=False),
    }


class OfferForm(Form):
    fields_declared = {
        "place": Field("Place", longest=80, hint="Such as Quarry."),
        "on_date": Field("Date", kind="date"),
        "running_min": _minutes("Minutes for running", BOOKED, raw="150", hint="Without set-up, warm-up, breaks and tear-down."),
        "price": Field("Price of the block", kind="number", quantity=PRICE, hint="In your own currency: 4 h at 90 an hour are 360."),
    }


class ScreeningForm(Form):
    fields_declared = {
        "options": Field("Options, each with its two levels", kind="textarea", longest=1000, hint="One a line: front hole = in, out"),
        "every": Field("All combinations instead of half of them", kind="checkbox", required=False),
    }

    def levels(self) -> dict[str, tuple[str, str]]:
        """Option -> its two levels; a line that can't be read becomes the field's error."""
        found: dict[str, tuple[str, str]] = {}
        for line in filter(None, (line.strip() for line in str(self.values["options"]).splitlines())):
            name, equals, rest = line.partition("=")
            levels = [level.strip() for level in rest.split(",") if level.strip()]
            if not equals or not name.strip() or len(levels) != 2 or levels[0] == levels[1] or name.strip() in found:
                raise EvidenceError("options", line[:60], "Write each option once, with two levels: front hole = in, out")
            found[name.strip()] = (levels[0], levels[1])
        return found
