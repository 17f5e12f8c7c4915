"""What is typed in the hall: conditions that changed, and the end of one's own run."""

from app import units
from app.programmes.conditions import Grip
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
