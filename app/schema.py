"""Imports every models.py once, so that migrations, tests and the archive see the whole schema."""

from app.bench import models as bench
from app.blind import models as blind
from app.concerns import models as concerns
from app.db import Base
from app.decisions import models as decisions
from app.feedback import models as feedback
from app.grid import models as grid
from app.history import models as history
from app.incidents import models as incidents
from app.measurements import models as measurements
from app.parts import models as parts
from app.people import models as people
from app.photos import models as photos
from app.planning import models as planning
from app.programmes import models as programmes
from app.proving import models as proving
from app.questions import models as questions
from app.sessions import models as sessions
from app.timing import models as timing

__all__ = ["bench", "blind", "concerns", "decisions", "feedback", "grid", "history", "incidents", "measurements", "metadata", "parts",
           "people", "photos", "planning", "programmes", "proving", "questions", "sessions", "timing"]  # fmt: skip

metadata = Base.metadata
