"""``emulator campaign check`` and ``case``, as somebody types them."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from emulator.cli.app import command_line
from emulator.config.based_on import load_with_bases
from emulator.core.errors import RecordError
from tests.support.made_up_plans import PLAN, written


def said(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(command_line(), ["campaign", *words])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result.exit_code, result.stdout


def test_check_says_how_many_how_long_how_much_and_what_is_never_tried(tmp_path: Path) -> None:
    plan = written(tmp_path)
    status, text = said("check", str(plan), "--workers", "2", "--campaigns", str(tmp_path / "none"))
    assert status == 0
    for words in (
        "made up: 20 runs, virtual",
        "one: 20 runs of 10 combinations",
        "on 2 processes",
        "by an assumption",
        "disk: about 40 kB",
        "tried: 2 of ",
        "fault dropout: never on",
        "100 % of the pairs of its values are tried, 0 never",
        f"{plan}: campaign, 20 runs, no problems",
    ):
        assert words in text


def test_check_of_a_wrong_plan_ends_with_3_and_names_the_runs(tmp_path: Path) -> None:
    plan = written(tmp_path, PLAN.replace("rate_x_rad_s, lean_rad", "rate_x_rad_s, lean"))
    status, text = said("check", str(plan), "--quiet")
    assert status == 3
    first, last = text.splitlines()
    assert "unknown signal 'lean'" in first
    assert "(in 8 runs, the first: short_straight" in first
    assert last == f"{plan}: 1 problem; 8 of 20 runs can't be ridden"


def test_check_as_json_has_stable_keys(tmp_path: Path) -> None:
    status, text = said("check", str(written(tmp_path)), "--json")
    assert status == 0
    told = json.loads(text)
    assert {"plan", "runs", "parts", "problems", "warnings", "estimate", "never_tried"} <= set(told)
    assert told["runs"] == 20
    assert told["never_tried"]["kinds_on_signals"]["tried"] == 2
    assert [one["strength"] for one in told["never_tried"]["values"]] == [2, 3]


def test_case_writes_files_that_are_the_case(tmp_path: Path) -> None:
    plan = written(tmp_path)
    from emulator.campaign.plan.cases import planned

    case = planned(plan).cases[3]
    out = tmp_path / "case"
    status, text = said("case", str(plan), case.id[:10], "--out", str(out), "--json")
    assert status == 0
    told = json.loads(text)
    assert told["id"] == case.id
    assert told["command"][:3] == ["emulator", "run", str(out / "scenario.yaml")]
    assert told["command"][-3:] == ["--seed", "1", "--virtual"]
    assert load_with_bases(out / "rig.yaml").data["outputs"]["imu_rates"]["latency_ms"] == 2.0
    assert load_with_bases(out / "scenario.yaml").data["events"][0]["signal"] == "rate_x_rad_s"


def test_case_of_an_id_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="has no run whose id begins with"):
        said("case", str(written(tmp_path)), "ffff0000ffff0000", "--out", str(tmp_path / "case"))


def test_the_beginning_of_several_ids_is_told_from_that_of_none(tmp_path: Path) -> None:
    plan = written(tmp_path)
    with pytest.raises(RecordError) as refused:
        said("case", str(plan), "", "--out", str(tmp_path / "out"))
    assert f"{plan}: the ids of 20 runs begin with '': " in str(refused.value)
    assert "give more of the id" in str(refused.value)
    assert str(refused.value).splitlines()[0].count(", ") == 4
    assert not (tmp_path / "out").exists()
