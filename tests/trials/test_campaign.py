"""A campaign is a pure function of its seed and size, however it was stopped, resumed or shared out."""

import json

import pytest

from app.__main__ import main
from app.trials.campaign import BATCH, Campaign, CampaignRefused
from app.trials.cells import LOOKS, all_cells
from app.trials.reading import OUTCOMES, read_programme
from app.trials.report import read_report
from tests.campaigns.__main__ import main as campaigns
from tests.campaigns.alarms import alarms
from tests.trials.conftest import outcomes, result_file

CELLS = ("rated-equal-d3", "rated-better1-d3")


def campaign(folder, programmes=6, **more):
    return Campaign(folder / "out.json", programmes, cells=more.pop("cells", CELLS), **more)


def counted(result):
    """Everything but CPU times, which no two runs share."""
    return {name: value for name, value in result.items() if name != "cpu"}


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    return campaign(folder).run(), folder


class Stop(Exception):
    pass


def test_stopping_and_resuming_gives_the_same_file(whole, tmp_path):
    """Stopped after the second batch, with the next line torn in the middle of writing."""

    def stop(done, of, batch):
        if done > BATCH:
            raise Stop

    with pytest.raises(Stop):
        campaign(tmp_path).run(stop)
    assert not (tmp_path / "out.json").exists()
    progress = tmp_path / "out.progress.jsonl"
    kept = progress.read_text().splitlines()
    assert len(kept) == 3
    progress.write_text("\n".join([*kept, kept[-1][: len(kept[-1]) // 2]]))
    told = []
    result = campaign(tmp_path).run(lambda done, of, batch: told.append((done, of)))
    assert told[-1] == (6, 6)  # of 12, those of the first two batches (5 and 1) were there
    assert counted(result) == counted(whole[0])
    assert counted(json.loads((tmp_path / "out.json").read_text())) == counted(json.loads((whole[1] / "out.json").read_text()))


def test_two_processes_count_the_same(whole, tmp_path):
    assert counted(campaign(tmp_path, workers=2).run()) == counted(whole[0])


def test_more_programmes_are_added_to_those_there(whole, tmp_path):
    campaign(tmp_path, 3).run()
    assert counted(campaign(tmp_path, 6).run()) == counted(whole[0])


def test_another_seed_is_other_programmes_and_is_not_mixed_in(whole, tmp_path):
    campaign(tmp_path, 2, cells=CELLS[:1]).run()
    with pytest.raises(CampaignRefused, match="another seed"):
        campaign(tmp_path, 2, cells=CELLS[:1], seed=2).run()
    cell = all_cells()[CELLS[0]]
    looks = {seed: [read_programme(cell, seed, i).looks for i in range(4)] for seed in (1, 2)}
    assert looks[1] != looks[2]


def test_a_cell_nobody_knows_is_refused(tmp_path):
    with pytest.raises(CampaignRefused, match="no cell 'equal-d9'"):
        campaign(tmp_path, cells=("equal-d9",))
    with pytest.raises(CampaignRefused, match="At least one"):
        campaign(tmp_path, 0)


def test_counts_add_up_at_every_look(whole):
    for cell in whole[0]["cells"].values():
        assert cell["n"] == 6
        for look in range(LOOKS):
            assert sum(cell["counts"][word][look] for word in OUTCOMES) == 6
        for word in OUTCOMES:
            assert sum(cell["clauses"].get(word, {}).values()) == cell["counts"][word][-1]
        for word in ("adopt", "reject", "setting"):
            assert cell["counts"][word] == sorted(cell["counts"][word])  # a decided question stays decided
        assert cell["counts"]["retest"][0] == 6  # one session never decides


def test_the_file_is_one_that_the_page_reads(whole):
    stored = read_report(whole[1] / "out.json")
    assert [s.name for s in stored.situations] == list(CELLS)
    assert stored.world["noise"] == 0.75
    assert stored.rule["gain"] == [0.96, 0.98, 0.99]


def test_intervals_go_on_after_the_decision_and_change_no_verdict():
    cell = all_cells()["rated-better1-d3"]
    for number in range(3):
        short, long = read_programme(cell, 1, number), read_programme(cell, 1, number, intervals=True)
        assert long.looks == short.looks
        assert (long.adopted, len(long.intervals)) == (short.adopted, LOOKS)
        mean, low, high = long.intervals[-1]["handling"]
        assert low < mean < high


def test_names_of_cells_stand_once_and_say_their_panel():
    cells = list(all_cells().values())
    assert len({cell.name for cell in cells}) == len(cells) > 50
    assert all(cell.name.endswith(f"-d{cell.drivers}") for cell in cells)
    assert {cell.family for cell in cells} == {"equal", "worse", "better", "trap", "no_worse"}
    assert all(set(cell.expected) <= set(OUTCOMES) for cell in cells)


def test_the_command_answers_in_sentences(tmp_path, capsys):
    assert main(["campaign", "--cells", "nope", "--out", str(tmp_path / "out.json")]) == 2
    assert "There is no cell 'nope'" in capsys.readouterr().err
    asked = ["campaign", "--cells", CELLS[1], "--programmes", "1", "--workers", "1", "--out", str(tmp_path / "out.json")]
    assert main(asked) == 0
    shown = capsys.readouterr()
    assert "n    1" in shown.out
    assert "1/1 programmes" in shown.err
    assert read_report(tmp_path / "out.json").fewest == 1


def test_an_alarm_is_raised_only_beyond_binomial_error(tmp_path):
    """At most 5 % hoped for: P(11 or more of 100) = .011 and P(12 or more) = .004 (scipy.stats.binom), the line is .005."""
    assert alarms(result_file(tmp_path, {"equal-d3": outcomes(100, adopt=11)})) == []
    assert alarms(result_file(tmp_path, {"equal-d3": outcomes(100, adopt=12)})) == [
        "equal-d3: adopt in 12 of 100 by 6 sessions, hoped for at most 5%"
    ]
    few = alarms(result_file(tmp_path, {"better1-d3": outcomes(100, adopt=30)}))
    assert few == ["better1-d3: adopt in 30 of 100 by 6 sessions, hoped for at least 58%"]


def test_the_campaign_has_its_name_and_a_small_form(capsys):
    with pytest.raises(SystemExit) as asked_for_help:
        campaigns(["operating_characteristics", "--help"])
    assert asked_for_help.value.code == 0
    assert "--small" in capsys.readouterr().out
