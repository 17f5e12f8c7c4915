"""What is typed in the hall: conditions that changed, and the end of one's own run."""

from app import units
from app.programmes.conditions import Grip, Surface
from app.web.forms import Field, Form

GRIPS = [("", "as it was"), *((grip.value, grip.value) for grip in Grip)]


class ConditionsForm(Form):
    fields_declared = {
        "air_temp_degC": Field("Air", kind="number", unit="°C", quantity=units.TEMPERATURE, required=False),
        "track_temp_degC": Field("Track", kind="number", unit="°C", quantity=units.TEMPERATURE, required=False),
        "humidity_percent": Field("Humidity", kind="number", unit="%", quantity=units.HUMIDITY, required=False),
        "grip": Field("Grip", kind="select", choices=GRIPS, required=False),
    }

    def check(self) -> None:
        if not any(value not in (None, "") for value in self.values.values()):
            self.message = "Nothing is typed. Type what has changed; the rest stays as it was."


class EndHereForm(Form):
    """The end of one's own run as today's page shows it; it is posted to, and read by, the run's own end form."""

    fields_declared = {
        "laps": Field("Timed laps", kind="integer", required=False, hint="Fewer than 6 make a short run."),
        "tyre_set": Field("Tyre set", longest=40, required=False),
        "tyre_runs": Field("Runs on that set before", kind="integer", required=False),
        "pack": Field("Pack", longest=40, required=False),
        "pack_rest_V": Field("Pack at rest before", kind="number", unit="V", quantity=units.VOLTAGE, required=False),
        "note": Field("Note", longest=400, required=False),
    }


CAR_AND_BUILD = {
    "car": Field("Car", kind="select", required=False, either=True),
    "new_car": Field("Name of another car", longest=40, required=False, either=True, hint="Only if it is not in the list above."),
    "piece_ids": Field("Pieces on the car", kind="checkboxes", required=False,
                       hint="Those under a question; what you tick, you have fitted."),
    "declared": Field("Whole-car variants", kind="checkboxes", required=False),
    "settings": Field("Set-up values", kind="textarea", longest=4000, required=False, hint="One a line: anti-roll bar mm = 1.2"),
}  # fmt: skip


class NextAloneForm(Form):
    """The next run of one's own session: which car, and what is on it."""

    fields_declared = CAR_AND_BUILD

    def check(self) -> None:
        if not (self.values["car"] or self.values["new_car"]):
            self.fields["new_car"].error = "Name of another car: choose a car from the list, or give a name here."


class OpenAloneForm(NextAloneForm):
    fields_declared = {
        "place": Field("Place", longest=80, hint="Such as Quarry."),
        "surface": Field("Surface", kind="select", choices=[(word.value, word.value) for word in Surface], raw="carpet"),
        "grip": Field("Grip class", kind="select", choices=GRIPS[1:], raw="low"),
        "air_temp_degC": Field("Air", kind="number", unit="°C", quantity=units.TEMPERATURE, required=False),
        "time_zone": Field("Time zone of the place", kind="zone"),
        **CAR_AND_BUILD,
    }


class CloseAloneForm(Form):
    fields_declared = {
        "cut_short": Field("The day was cut short", kind="checkbox", required=False),
        "why": Field("Why it was cut short", longest=300, required=False),
    }
