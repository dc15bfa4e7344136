"""A reference robot with one gain 15 % lower is told as a regression, in the scenarios listed beforehand.

A first list was of the roll gain (slalom, hasty slalom, side gust, lane change), thinking that less torque
for a roll error leaves the bike further from its line. It was wrong: with 12 seeds nothing got worse by
more than chance, and lane change got better, by 2 points in the median. The linear loop says why: its mode
at 4.9 rad/s is hardly damped at 50 km/h and below, and less roll gain damps it more.

A second list, of the roll rate's gain and from the loop, had lane change, short bend and side gust, with a
robot whose return to the line swayed at 50 km/h: all three were told with 48 seeds, and slalom, which was
not listed.

The list below is of the roll rate's gain and of the robot as it is now, and was written before it was
ridden: with 15 % less the damping ratio of the mode at 5 rad/s falls from 0.084 to 0.068 at 40 km/h and
from 0.117 to 0.101 at 50, but only from 0.26 to 0.25 at 80. So it should be found in slalom and short bend,
ridden at 40 and 50 km/h.

What came out, with 24 seeds: worse beyond chance over everything (71 of 96 margins fell, none rose, none
newly fails), in slalom (22 of 24 fell) and short bend (23 of 24). Lane change at 80 km/h was not listed and
is told (24 of 24, by 1.4 points); side gust is not.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.support.command_line import emulator_command
from tests.support.made_up_plans import RIGS, RUNS

LISTED = {"short bend", "slalom"}
LOWER = "rig: {device_under_test: {gains: {roll_rate: 0.85}}}"
PLAN = f"""\
kind: campaign
name: NAME
parts:
  rides:
    scenarios:
      - {RUNS}/lane_change.yaml
      - {RUNS}/short_bend.yaml
      - {RUNS}/wind/side_gust.yaml
      - {RUNS}/slalom.yaml
    rigs: [{RIGS}/loopback.yaml]
    over: {{OVER}}
    seeds: {{count: 24}}
keep: {{of: [], thinnest: 0}}
"""


def ridden(folder: Path, name: str, over: str) -> Path:
    plan, night = folder / f"{name}.yaml", folder / name
    plan.write_text(PLAN.replace("NAME", name).replace("{OVER}", f"{{{over}}}"))
    status = emulator_command("campaign", "run", str(plan), "--out", str(night), "--quiet")
    assert status in (0, 1)
    return night


@pytest.mark.timing  # 192 rides of a dozen seconds and more
@pytest.mark.timeout(1800)
def test_where_it_is_worse_is_what_was_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before, now = ridden(tmp_path, "as designed", ""), ridden(tmp_path, "lower", LOWER)
    capsys.readouterr()
    status = emulator_command("campaign", "compare", str(before), str(now), "--json")
    told = json.loads(capsys.readouterr().out)
    assert told["compared"] == told["changed_since"] == 96
    worse = {f["scenario"] for f in told["findings"] if f["direction"] == "worse"} - {None}
    print(f"worse: {sorted(worse)}; findings: {json.dumps(told['findings'], indent=1)}")
    assert status == 1
    assert worse >= LISTED
    assert emulator_command("campaign", "compare", str(before), str(before), "--json") == 0
