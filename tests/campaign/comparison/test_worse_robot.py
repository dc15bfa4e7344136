"""A reference robot with one gain 15 % lower is told as a regression, in the scenarios listed beforehand.

A first list was of the roll gain (slalom, hasty slalom, side gust, lane change), thinking that less torque
for a roll error leaves the bike further from its line. It was wrong: with 12 seeds nothing got worse by more
than chance, and lane change got better, by 2 points in the median. The linear loop says why: its mode at 4.9
rad/s is hardly damped at 50 km/h and below, and less roll gain damps it more.

The list below is of the roll rate's gain and was written from that loop before it was ridden: with 15 % less
the damping ratio of that mode falls from 0.11 to 0.08 at 80 km/h, from 0.00 to -0.02 at 50 and from -0.03 to
-0.05 at 40. So it should be found wherever something excites the mode at 50 and 80 km/h. The slalom's own
swing, 1.2 rad/s, is far below it; that is ridden and in no list.

With the first 24 seeds short bend was not told: 17 of 24 margins fell, a chance of 0.4 %, too much for one of
many groups. Ridden again with 48 seeds that nothing had been ridden with, all three are told: worse are
48 of 48 margins in lane change, 39 in short bend, 35 in side gust. Slalom is told, too, and was not listed:
48 of 48, 43 of them new failures.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.support.command_line import emulator_command
from tests.support.made_up_plans import RIGS, RUNS

LISTED = {"lane change", "short bend", "side gust"}
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


@pytest.mark.timing  # 384 rides of a dozen seconds and more
@pytest.mark.timeout(1800)
def test_where_it_is_worse_is_what_was_listed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before, now = ridden(tmp_path, "as designed", ""), ridden(tmp_path, "lower", LOWER)
    capsys.readouterr()
    status = emulator_command("campaign", "compare", str(before), str(now), "--json")
    told = json.loads(capsys.readouterr().out)
    assert told["compared"] == told["changed_since"] == 192
    worse = {f["scenario"] for f in told["findings"] if f["direction"] == "worse"} - {None}
    print(f"worse: {sorted(worse)}; findings: {json.dumps(told['findings'], indent=1)}")
    assert status == 1
    assert worse >= LISTED
    assert emulator_command("campaign", "compare", str(before), str(before), "--json") == 0
