"""``emulator campaign run`` of a plan that asks: rides of three seconds, a pull at the steering, too strong.

What is found is saved as a scenario; ``emulator run`` rides it and it fails again, with the same signals.
"""

from __future__ import annotations

import contextlib
import io
import json
import shlex
from pathlib import Path

import pytest

from emulator.campaign.store.answers import Answer, read_answers
from emulator.campaign.store.reading import read_searched
from emulator.config.based_on import load_with_bases
from emulator.record.content_hash import frames_hash, signals_hash
from emulator.record.reader import read_run
from tests.support.command_line import emulator_command
from tests.support.made_up_plans import RIGS, ROOT, RUNS

RIDDEN = f"""
    scenario: {RUNS}/short_straight.yaml
    rig: {RIGS}/loopback.yaml
    over:
      scenario:
        manoeuvre: {{length_m: 20.0}}
        support: {{tow_acceleration_m_s2: 4.0, release_speed_km_h: 12.0}}
        criteria:
          - {{kind: speed_error, remove: true}}
        events:
          - kind: actuator
            name: pull
            channel: steering
            effect: offset
            value: 1.0
            at: {{time_s: 1.0}}
            duration_s: 1.0
          - {{kind: mark, name: nothing, at: {{time_s: 1.0}}, text: it does nothing}}
"""
PLAN = f"""\
kind: campaign
name: asked
search:
  a pull:
    kind: edge{RIDDEN}    value: scenario.events.pull.value
    mildest: 0.0
    harshest: 120.0
    resolution: 30.0
    probes_below: 0
    probes_above: 0
    must_survive: 90.0
  a way to fall:
    kind: failure{RIDDEN}    vary:
      size: {{value: scenario.events.pull.value, mildest: 0.0, harshest: 120.0, resolution: 30.0}}
      long: {{value: scenario.events.pull.duration_s, mildest: 0.5, harshest: 1.0, resolution: 0.25}}
    rides: 16
    rides_to_minimise: 10
"""


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, str]:
    folder = tmp_path_factory.mktemp("asked")
    plan, out = folder / "plan.yaml", io.StringIO()
    plan.write_text(PLAN)
    with contextlib.redirect_stdout(out):
        words = ("campaign", "run", str(plan), "--out", str(folder / "night"), "--workers", "1", "--json")
        status = emulator_command(*words)
    return folder / "night", status, out.getvalue()


@pytest.fixture(scope="module")
def found(night: tuple[Path, int, str]) -> Answer:
    return next(answer for answer in read_answers(night[0]) if answer.kind == "failure")


@pytest.mark.slow
def test_it_tells_the_answers_and_ends_with_the_status_of_a_surprise(night: tuple[Path, int, str]) -> None:
    folder, status, out = night
    told = json.loads(out)
    assert status == told["exit_status"] == 1  # 90 N m are not survived
    assert (told["cases"], told["questions"], told["state"]) == (0, 2, "complete")
    edge, failure = told["answers"]
    assert edge["found"] == "edge"
    assert edge["lost"] - edge["survived"] == 30.0
    assert edge["as_expected"] is False
    assert failure["found"] == "failure found"
    assert told["searched"] == read_searched(folder).num_rows
    page = json.loads((folder / "campaign_result.json").read_text())
    assert page["status"] == "surprises"
    assert page["unexpected_answers"] == ["a pull"]
    assert page["began"] is not None
    assert all(len(page["versions"][of]) == 1 for of in ("tool", "model", "robot_version", "processor"))
    assert "a way to fall" in (folder / "page.html").read_text()


@pytest.mark.slow
def test_what_was_found_is_small_and_saved(night: tuple[Path, int, str], found: Answer) -> None:
    assert found.saved is not None
    scenario = load_with_bases(night[0] / found.saved / "scenario.yaml").data
    assert [event["name"] for event in scenario["events"]] == ["pull"]  # what does nothing was left out
    left = json.loads(found.values or "{}")
    assert scenario["events"][0]["value"] == left["size"] <= 120.0


@pytest.mark.slow
def test_the_saved_scenario_fails_again_with_the_same_signals(
    night: tuple[Path, int, str], found: Answer, tmp_path: Path
) -> None:
    words = shlex.split(found.command or "")
    assert words[:2] == ["emulator", "run"]
    run = tmp_path / "again"
    assert emulator_command(*words[1:], "--out", str(run), "--quiet") == 1
    verdict = json.loads((run / "verdict.json").read_text())
    assert verdict["result"] == "fail"
    (row,) = [row for row in read_searched(night[0]).to_pylist() if row["case_id"] == found.case_id]
    again = read_run(run)
    assert signals_hash(again) == row["signals_sha256"]
    assert frames_hash(again) == row["frames_sha256"]


MARGINS = ROOT / "scenarios" / "campaigns" / "margins.yaml"
FEWER = (
    ("speeds_km_h: [60.0, 120.0]", "speeds_km_h: [60.0]"),
    ("sensors: [rate_x_rad_s, lean_rad]", "sensors: [lean_rad]"),
    ("delay_step_ms: 4.0", "delay_step_ms: 25.0"),
    ("gain_step: 0.1", "gain_step: 0.5"),
    ("watched_s: 12.0", "watched_s: 4.0"),
    ("resolution: 0.01\n", "resolution: 0.1\n"),
    ("curve_rides: 24", "curve_rides: 6"),
    ("rides: 80", "rides: 16"),
    ("rides_to_minimise: 40", "rides_to_minimise: 8"),
    ("rides: 100", "rides: 10"),
)


@pytest.mark.timing  # some eighty rides of a dozen seconds
@pytest.mark.timeout(1200)
def test_the_shipped_questions_cut_down_have_an_answer_each(tmp_path: Path) -> None:
    text = MARGINS.read_text()
    for there, fewer in FEWER:
        assert text.count(there) == 1, there
        text = text.replace(there, fewer)
    plan = tmp_path / "margins.yaml"
    plan.write_text(text.replace("../", f"{ROOT}/scenarios/"))
    assert emulator_command("campaign", "run", str(plan), "--out", str(tmp_path / "night")) in (0, 1)
    answers = read_answers(tmp_path / "night")
    assert [answer.kind for answer in answers] == [*["margins"] * 6, "edge", "failure", "probability"]
    assert not [answer.label for answer in answers if answer.found == "not known"]
    for answer in answers:
        print(f"{answer.label}: {answer.sentence} ({answer.rides} rides)")
