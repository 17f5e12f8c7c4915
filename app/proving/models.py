"""Whether a failure on the fixed revision is the same trouble: unjudged, it is taken to be."""

from datetime import datetime

from sqlalchemy import Boolean, ForeignKey, Integer, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from app.db import Base, UtcDateTime


class FailureJudgement(Base):
    """What an inspection said of one failure: the concern's own trouble (`same`) or another. Only ever added; the newest stands."""

    __tablename__ = "failure_judgements"
    __table_args__ = (UniqueConstraint("concern_id", "incident_id", "version"),)

    id: Mapped[int] = mapped_column(Integer, primary_key=True)
    concern_id: Mapped[int] = mapped_column(ForeignKey("concerns.id"))
    incident_id: Mapped[int] = mapped_column(ForeignKey("incidents.id"), index=True)
    version: Mapped[int] = mapped_column(Integer)
    same: Mapped[bool] = mapped_column(Boolean)
    reason: Mapped[str] = mapped_column(Text)
    by_id: Mapped[int] = mapped_column(ForeignKey("accounts.id"))
    at: Mapped[datetime] = mapped_column(UtcDateTime)
