"""What may be typed about sessions, runs and builds."""

from app import units
from app.programmes.conditions import Grip, Surface
from app.web.forms import Field, Form

SURFACES = [(word.value, word.value) for word in Surface]
GRIPS = [(word.value, word.value) for word in Grip]


class SessionForm(Form):
    fields_declared = {
        "place": Field("Place", longest=80, hint="Such as Quarry."),
        "on_date": Field("Date", kind="date"),
        "time_zone": Field("Time zone of the place", kind="zone", raw="Europe/Berlin"),
        "surface": Field("Surface", kind="select", choices=SURFACES, raw="carpet"),
        "grip": Field("Grip class", kind="select", choices=GRIPS, raw="low", hint="By a reference car's lap or a tyre pull."),
        "air_temp_degC": Field("Air temperature", kind="number", unit="°C", quantity=units.TEMPERATURE, required=False),
        "track_temp_degC": Field("Track temperature", kind="number", unit="°C", quantity=units.TEMPERATURE, required=False),
        "humidity_percent": Field("Relative humidity", kind="number", unit="%", quantity=units.HUMIDITY, required=False),
        "layout": Field("Layout", longest=60, required=False),
        "notes": Field("Notes", kind="textarea", longest=2000, required=False),
        "drivers": Field("Drivers due", kind="checkboxes", required=False,
                         hint="Whoever is due to rate sees the open session as a driver."),
        "conductors": Field("Conductors", kind="checkboxes", required=False),
    }  # fmt: skip


class EditSessionForm(SessionForm):
    fields_declared = {**SessionForm.fields_declared, "edition": Field("Edition", kind="hidden")}


class CarForm(Form):
    fields_declared = {"name": Field("Car", longest=40, hint="Such as car 1."),
                       "note": Field("Note", longest=200, required=False)}  # fmt: skip


class RunForm(Form):
    fields_declared = {
        "driver_id": Field("Driver", kind="select"),
        "car_id": Field("Car", kind="select"),
        "planned_at": Field("Planned start", kind="datetime-local", required=False, hint="Venue time."),
    }


class StartRunForm(Form):
    fields_declared = {"at": Field("Started at", kind="datetime-local", required=False, hint="Venue time; empty is now.")}


class EndRunForm(Form):
    fields_declared = {
        "laps": Field("Timed laps", kind="integer", required=False, hint="Fewer than 6 make a short run."),
        "at": Field("Ended at", kind="datetime-local", required=False, hint="Venue time; empty is now."),
        "tyre_set": Field("Tyre set", longest=40, required=False),
        "tyre_runs": Field("Runs on that set before", kind="integer", required=False),
        "pack": Field("Pack", longest=40, required=False),
        "pack_rest_V": Field("Pack at rest before", kind="number", unit="V", quantity=units.VOLTAGE, required=False),
        "note": Field("Note", longest=400, required=False),
        "cut_short": Field("It was cut short", kind="checkbox", required=False),
    }


class TimesForm(Form):
    fields_declared = {
        "started_at": Field("Started at", kind="datetime-local", hint="Venue time."),
        "ended_at": Field("Ended at", kind="datetime-local", required=False, hint="Venue time."),
        "why": Field("Why", longest=300),
    }


class CloseForm(Form):
    fields_declared = {
        "cut_short": Field("The day was cut short", kind="checkbox", required=False),
        "why": Field("Why it was cut short", longest=300, required=False),
    }


class VoidForm(Form):
    fields_declared = {"why": Field("Why it was no run", longest=300)}


class BuildForm(Form):
    fields_declared = {
        "piece_ids": Field("Pieces on the car", kind="checkboxes", required=False),
        "settings": Field("Set-up values", kind="textarea", longest=4000, required=False,
                          hint="One a line: anti-roll bar mm = 1.2"),
        "declared": Field("Whole-car variants", kind="checkboxes", required=False),
        "confirmed": Field("I fitted it, and it is so", kind="checkbox", required=False),
        "reason": Field("Reason for the correction", longest=300, required=False),
    }  # fmt: skip
