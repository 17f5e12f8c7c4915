"""Tables to import in tests."""

import json
from pathlib import Path

from sqlalchemy import select

from app.db import Db
from app.imports.rules import Choices, Scale
from app.schema import metadata

# The wine-bitterness panel: 9 judges, 2 temperatures, contact yes or no, marks 1 to 5. Source: Randall, J. (1989),
# The analysis of sensory data by generalised linear model, Biometrical Journal 31, 781-793.
WINE = (Path(__file__).parent / "wine.csv").read_bytes()
WINE_COLUMNS = {"driver": "judge", "session": "temp", "run": "bottle", "variant": "contact", "rating": "rating"}
PLAIN = {name: name for name in ("driver", "session", "run", "variant", "rating")}
FIVE = Scale("quality", 100, 500, 100)
TEN = Scale("quality", 100, 1000, 50)


def wine_choices(**other: object) -> Choices:
    return Choices(
        **{
            "columns": WINE_COLUMNS,
            "title": "Contact: no or yes?",
            "control": "no",
            "scale": FIVE,
            "attribute_name": "bitterness",
            **other,
        }
    )  # type: ignore[arg-type]


def choices(*more_columns: str, **other: object) -> Choices:
    """Columns named by their role, the control t40, marks for steering on 1 to 10."""
    return Choices(
        **{
            "columns": PLAIN | {name: name for name in more_columns},
            "title": "Tower?",
            "control": "t40",
            "scale": TEN,
            "attribute_name": "steering",
            **other,
        }
    )  # type: ignore[arg-type]


def csv(*rows: str, header: str = "driver,session,run,variant,rating") -> bytes:
    return "\n".join([header, *rows, ""]).encode()


def dump(db: Db) -> str:
    """Everything in every table but the receipts of forms, so that “nothing was changed” can be seen."""
    db.rollback()
    found = {
        table.name: [list(map(str, row)) for row in db.execute(select(table).order_by(*table.primary_key))]
        for table in metadata.sorted_tables
        if table.name != "form_receipts"
    }
    db.rollback()
    return json.dumps(found, indent=0)
