"""``emulator track compare``: what it says, writes and refuses."""

import json

import pytest

from emulator.inspection.comparison import conduct
from tests.support.command_line import emulator_command
from tests.support.stored_runs import unpack_runs


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    return unpack_runs(tmp_path_factory.mktemp("stored"))


def test_rides_too_short_to_be_laid_beside_each_other_are_refused_in_words(runs, capsys):
    assert emulator_command("track", "compare", str(runs / "bench"), str(runs / "virtual")) != 0
    assert "have no stretch of the line in common" in capsys.readouterr().err


def test_json_says_what_there_is_and_why_the_rest_is_not(runs, tmp_path, capsys):
    words = (
        "track",
        "compare",
        str(runs / "bench"),
        "--no-ride",
        "--json",
        "--out",
        str(tmp_path / "page.html"),
    )
    assert emulator_command(*words) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["short_predictions"] is None
    assert told["equal_stations"] is None
    assert any("nothing to predict from" in remark for remark in told["remarks"])
    assert (tmp_path / "page.html").exists()


def test_without_another_record_the_page_lies_in_the_record(runs, capsys):
    assert emulator_command("track", "compare", str(runs / "virtual"), "--no-ride") == 0
    assert "No short predictions could be made" in " ".join(capsys.readouterr().out.split())
    assert (runs / "virtual" / "comparison.html").exists()


def test_a_folder_that_is_no_record_is_refused_in_words(tmp_path, capsys):
    assert emulator_command("track", "compare", str(tmp_path / "none")) != 0
    assert "is not a run folder" in capsys.readouterr().err


def test_what_the_other_record_can_not_is_told_before_anything_is_predicted(runs, capsys, monkeypatch):
    def never(*_):
        raise AssertionError("predictions of a long ride take minutes")

    monkeypatch.setattr(conduct, "predictions", never)
    assert emulator_command("track", "compare", str(runs / "bench"), "nowhere") == 3
    assert "nowhere is not a run folder" in capsys.readouterr().err
    assert emulator_command("track", "compare", str(runs / "bench"), str(runs / "virtual")) == 3
    assert "have no stretch of the line in common" in capsys.readouterr().err
