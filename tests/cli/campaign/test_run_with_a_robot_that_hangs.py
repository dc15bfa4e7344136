"""A night with a controller that hangs in every tenth run: told, counted, and the rest is ridden."""

import json
from pathlib import Path

import pytest

from emulator.campaign.store.reading import read_results
from tests.cli.campaign.test_run import run_here
from tests.support.scripted_robot import RIG, SCENARIOS

RUNS, EVERY = 20, 10

# Each run claims the next free number; those divisible by ten never answer again after a tenth of a second.
ROBOT = f"""\
import pathlib
import time


class Now_and_then:
    name, version, wants = "now and then", "1", "values"

    def begin(self, start):
        self.number = 1
        while True:
            try:
                (pathlib.Path(__file__).parent / f"run {{self.number}}").touch(exist_ok=False)
                return
            except FileExistsError:
                self.number += 1

    def act(self, moment):
        if moment.time_ns > 100_000_000 and self.number % {EVERY} == 0:
            time.sleep(3600.0)
        return {{"values": {{"steering_torque_Nm": 0.0, "throttle": 0.1, "clutch": 1.0, "gear_request": 1}}}}
"""

PLAN = f"""\
kind: campaign
name: hangs now and then
parts:
  all:
    scenarios: [{SCENARIOS}/runs/short_straight.yaml]
    rigs: [rig.yaml]
    over: {{scenario: {{duration_limit_s: 0.3, criteria: [{{kind: speed_error, remove: true}}]}}}}
    seeds: {{count: {RUNS}}}
keep: {{thinnest: 0, most: 0}}
"""


@pytest.mark.slow
def test_every_tenth_is_told_and_counted_and_the_rest_goes_on(tmp_path: Path):
    (tmp_path / "robot.py").write_text(ROBOT)
    (tmp_path / "plan.yaml").write_text(PLAN)
    (tmp_path / "rig.yaml").write_text(
        f"based_on: {RIG}\nname: mine\ndevice_under_test: {{kind: external, virtual: "
        "{kind: python, file: robot.py, name: Now_and_then, step_limit_s: 0.5}}\n"
    )
    status, out = run_here(tmp_path / "plan.yaml", "--out", tmp_path / "night", "--workers", "2", "--json")
    told = json.loads(out)
    assert (status, told["state"], told["cases"], told["errors"]) == (1, "complete", RUNS, 0)
    rows = read_results(tmp_path / "night").to_pylist()
    hung = [row for row in rows if "it took more than 0.5 s" in row["cause"]]
    assert len(hung) == RUNS // EVERY
    assert {row["result"] for row in hung} == {"fail"}  # the robot's, and no worker was lost
    assert {row["cause_kind"] for row in rows if row not in hung} == {"time_limit"}
    for page in ("page.html", "page.txt", "junit.xml"):
        text = " ".join((tmp_path / "night" / page).read_text().split())  # folded at 80 columns
        assert "it took more than 0.5 s" in text, page
    assert "- 2 runs (robot):" in (tmp_path / "night" / "page.txt").read_text()
