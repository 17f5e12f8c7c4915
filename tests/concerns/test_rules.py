from datetime import date

import pytest

from app.concerns import rules
from app.concerns.models import CloseKind, Danger
from app.concerns.rules import Closing
from app.errors import Refused

TODAY = date(2026, 2, 16)
REASON = "12 clean hits on r3, none bent"
SCOPE = "the two cars of the carpet tests"


@pytest.mark.parametrize(
    "danger, severity, blocks",
    [
        (Danger.CATASTROPHIC, 1, True),
        (Danger.CRITICAL, 1, True),
        (Danger.MARGINAL, 6, False),
        (Danger.MARGINAL, 7, True),
        (Danger.NEGLIGIBLE, 10, True),
        (Danger.NEGLIGIBLE, 1, False),
    ],
)
def test_danger_to_people_or_seven_of_ten_stops_the_freeze(danger, severity, blocks):
    assert rules.blocks_by_rule(danger, severity) is blocks


def test_every_danger_and_every_severity_has_words_of_its_own():
    assert set(rules.DANGER_WORDS) == set(Danger)
    assert list(rules.SEVERITY_WORDS) == list(range(10, 0, -1))
    assert len(set(rules.SEVERITY_WORDS.values())) == 10


@pytest.mark.parametrize(
    "danger, hidden, own, withheld",
    [("marginal", True, False, True), ("negligible", True, False, True), ("critical", True, False, False),
     ("catastrophic", True, False, False), ("marginal", True, True, False), ("marginal", False, False, False)],
)  # fmt: skip
def test_a_rater_reads_dangers_and_their_own_words_but_not_others(danger, hidden, own, withheld):
    assert rules.is_withheld(danger=danger, session_hidden=hidden, viewer_raised_it=own) is withheld


@pytest.mark.parametrize("kind, field", [(kind, needed[0][0]) for kind, needed in rules.NEEDED.items()])
def test_each_kind_of_close_names_what_it_needs(kind, field):
    with pytest.raises(Refused) as refused:
        rules.check_closing(Closing(kind, REASON), today=TODAY)
    assert refused.value.field == field


def test_a_concession_ends_in_the_future():
    with pytest.raises(Refused, match="would have run out on 16 Feb 2026"):
        rules.check_closing(Closing(CloseKind.CONCESSION, REASON, until=TODAY, scope=SCOPE), today=TODAY)
    rules.check_closing(Closing(CloseKind.CONCESSION, REASON, until=date(2026, 4, 30), scope=SCOPE), today=TODAY)


@pytest.mark.parametrize("reason", ["", "fixed", "   ok    ok ", "\u200b" * 40, "new one"])
def test_a_close_without_a_readable_reason_is_refused(reason):
    with pytest.raises(Refused) as refused:
        rules.check_closing(Closing(CloseKind.DID_NOT_RECUR, reason), today=TODAY)
    assert refused.value.field == "reason"


def test_a_new_drawing_is_no_kind_of_close():
    assert not any("drawing" in kind or "issued" in kind for kind in CloseKind)
