"""Who may do what, written by hand as a grid that a manager can read, and compared with the table the app asks."""

from types import SimpleNamespace

import pytest

from app.access.actions import Action
from app.access.policy import POLICY, may, refusal
from app.access.rules import always, holds_key, is_own, is_own_driving, may_found, owns
from app.access.viewer import Viewer, require
from app.errors import NotAllowed
from app.people.models import Hat

# anyone and signed: without a hat. own: of what is one's own only. founder: who set up the installation.
GRID = """
                                          | anyone | signed  | driver | conductor | gauge hand | designer | manager
open the front door                       | yes    | yes     | yes    | yes       | yes        | yes      | yes
use one's own account                     | no     | yes     | yes    | yes       | yes        | yes      | yes
start a programme                         | no     | founder | founder| founder   | founder    | founder  | founder
see the programme                         | no     | no      | yes    | yes       | yes        | yes      | yes
see another's slip                        | no     | no      | yes    | yes       | yes        | yes      | yes
see what happened                         | no     | no      | yes    | yes       | yes        | yes      | yes
invite people and set hats                | no     | no      | no     | no        | no         | no       | yes
disable an account                        | no     | no      | no     | no        | no         | no       | yes
edit the programme                        | no     | no      | no     | no        | no         | yes      | yes
add and edit parts and revisions          | no     | no      | no     | no        | no         | yes      | yes
add and edit pieces                       | no     | no      | no     | yes       | yes        | yes      | yes
take a piece out of use                   | no     | no      | yes    | yes       | yes        | yes      | yes
ask and edit questions                    | no     | no      | no     | no        | no         | yes      | yes
plan a session                            | no     | no      | no     | yes       | no         | yes      | yes
open, close and correct a session         | no     | no      | no     | yes       | no         | yes      | yes
open a session as one's own conductor     | no     | no      | yes    | no        | no         | no       | no
start and end a run                       | no     | no      | own    | yes       | no         | no       | no
record an as-run build                    | no     | no      | own    | yes       | no         | yes      | no
file one's own slip                       | no     | no      | yes    | yes       | yes        | yes      | yes
file for another                          | no     | no      | no     | yes       | no         | yes      | no
amend or withdraw a slip                  | no     | no      | own    | own       | own        | own      | own
say what counts                           | no     | no      | no     | yes       | no         | no       | no
make a blind block                        | no     | no      | no     | yes       | no         | no       | no
see a sealed key                          | no     | no      | no     | own       | no         | no       | no
open a key                                | no     | no      | no     | own       | no         | no       | yes
add and withdraw laps and other tables    | no     | no      | no     | yes       | yes        | yes      | yes
file laps by hand                         | no     | no      | yes    | yes       | yes        | yes      | yes
say which variant one would keep          | no     | no      | yes    | yes       | yes        | yes      | yes
raise a concern                           | no     | no      | yes    | yes       | yes        | yes      | yes
triage and close a concern                | no     | no      | no     | no        | no         | yes      | yes
contain a concern and say what was tried  | no     | no      | no     | yes       | yes        | yes      | yes
grant a concession                        | no     | no      | no     | no        | no         | no       | yes
report an incident                        | no     | no      | yes    | yes       | yes        | yes      | yes
class the cause of an incident            | no     | no      | no     | no        | no         | yes      | yes
plan abuse                                | no     | no      | no     | yes       | yes        | yes      | yes
note gauge readings and studies           | no     | no      | no     | yes       | yes        | yes      | yes
set limits of what is gauged              | no     | no      | no     | no        | no         | yes      | yes
keep fits, chains and expected effects    | no     | no      | no     | no        | yes        | yes      | yes
make and edit a fit grid                  | no     | no      | no     | no        | no         | yes      | yes
file what fits                            | no     | no      | yes    | yes       | yes        | yes      | yes
exclude cells and carry results over      | no     | no      | no     | no        | no         | own      | yes
file a provisional ruling                 | no     | no      | no     | no        | no         | yes      | yes
make a ruling standing                    | no     | no      | no     | no        | no         | no       | yes
import a ratings table                    | no     | no      | no     | no        | no         | yes      | yes
export or import everything               | no     | no      | no     | no        | no         | no       | yes
"""
WORD_OF = {always: "yes", is_own: "own", is_own_driving: "own", holds_key: "own", owns: "own", may_found: "founder"}


def grid() -> dict[str, dict[str, str]]:
    """Action -> column -> word."""
    head, *lines = [[cell.strip() for cell in line.split("|")] for line in GRID.strip("\n").splitlines()]
    return {action: dict(zip(head[1:], cells, strict=True)) for action, *cells in lines}


def word(action: Action, columns: tuple[str, ...]) -> str:
    rules = [POLICY[action][column] for column in columns if column in POLICY[action]]
    return "no" if not rules else "yes" if always in rules else WORD_OF[rules[0]]


def test_every_action_has_a_line_in_the_grid_and_a_row_in_the_table():
    assert set(grid()) == {action.value for action in Action}
    assert set(POLICY) == set(Action)


@pytest.mark.parametrize("action", Action, ids=lambda action: action.name)
def test_the_table_is_the_grid(action):
    found = {"anyone": word(action, ("anyone",)), "signed": word(action, ("anyone", "signed in"))}
    found |= {hat.value: word(action, ("anyone", "signed in", hat)) for hat in Hat}
    assert found == grid()[action.value]


@pytest.mark.parametrize("action", Action, ids=lambda action: action.name)
def test_every_answer_follows_the_grid(action):
    """The same by asking, as the door of a route does: without a subject, own counts as yes."""
    expected = grid()[action.value]
    person = Viewer(7, "Asta")
    assert (refusal(None, action) is None) == (expected["anyone"] == "yes")
    assert may(person, action) == (expected["signed"] == "yes")
    for hat in Hat:
        wearing = Viewer(7, "Asta", hats=frozenset({hat}))
        assert may(wearing, action) == (expected[hat.value] in ("yes", "own")), hat


@pytest.mark.parametrize("action", [Action.AMEND_SLIP], ids=lambda action: action.name)
@pytest.mark.parametrize("hat", Hat)
def test_a_slip_is_amended_by_its_rater_alone(action, hat):
    viewer = Viewer(7, "Asta", hats=frozenset({hat}))
    assert may(viewer, action, SimpleNamespace(rater_id=7))
    assert refusal(viewer, action, SimpleNamespace(rater_id=8)) == "only the rater may do this"
    assert not may(viewer, action, SimpleNamespace(rater_id=8, driver_id=7))
    assert not may(viewer, action, SimpleNamespace(rater_id=None, driver_id=None))


@pytest.mark.parametrize("action", [Action.DRIVE_RUN, Action.RECORD_BUILD], ids=lambda action: action.name)
def test_a_driver_handles_the_runs_they_drive_and_a_conductor_all(action):
    driver, conductor = (Viewer(7, "Asta", hats=frozenset({hat})) for hat in (Hat.DRIVER, Hat.CONDUCTOR))
    others = SimpleNamespace(driver_id=8)
    assert may(driver, action, SimpleNamespace(driver_id=7))
    assert not may(driver, action, others)
    assert not may(driver, action, SimpleNamespace(driver_id=None))
    assert may(conductor, action, others)
    assert may(Viewer(7, "Asta", hats=frozenset({Hat.DRIVER, Hat.CONDUCTOR})), action, others)


def test_a_sealed_key_is_its_holders_and_a_manager_may_only_open_it():
    holder, other = (Viewer(number, "Sunniva", hats=frozenset({Hat.CONDUCTOR})) for number in (7, 8))
    block = SimpleNamespace(holder_id=7)
    assert may(holder, Action.SEE_KEY, block)
    assert refusal(other, Action.SEE_KEY, block) == refusal(other, Action.OPEN_KEY, block) == "only who holds the key may do this"
    manager = Viewer(9, "Ottoline", hats=frozenset({Hat.MANAGER}))
    assert may(manager, Action.OPEN_KEY, block)
    assert not may(manager, Action.SEE_KEY, block)


def test_only_a_founder_starts_programmes():
    assert may(Viewer(7, "Ottoline", starts_programmes=True), Action.START_PROGRAMME)
    assert not may(Viewer(7, "Asta", hats=frozenset(Hat)), Action.START_PROGRAMME)


def test_hats_add_up():
    gauge_and_driver = Viewer(7, "Asta", hats=frozenset({Hat.GAUGE_HAND, Hat.DRIVER}))
    assert may(gauge_and_driver, Action.EDIT_PIECES)
    assert may(gauge_and_driver, Action.FILE_SLIP)
    assert not may(gauge_and_driver, Action.SIGN_RULING)


def test_a_refusal_names_the_hat_that_would_do():
    with pytest.raises(NotAllowed) as refused:
        require(Viewer(7, "Asta", hats=frozenset({Hat.DRIVER})), Action.JUDGE_COUNTING)
    assert "conductor" in refused.value.sentence
    assert "driver" not in refused.value.reason
