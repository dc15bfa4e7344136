"""After a calibration margins of yesterday's tests are nearer to the bike's, and the comparison says which.

A hidden bike rides a made-up day, the vehicle is calibrated by its logs, and one campaign is ridden three
times: on the vehicle as it was, as it is now, and on the hidden bike itself.
"""

from __future__ import annotations

import contextlib
import io
import json
from typing import Any

import numpy as np
import pytest

from emulator.campaign.page.night import Night, read_night
from emulator.runs.calibration import calibrated
from emulator.vehicle.params import GROUPS
from tests.support.command_line import emulator_command
from tests.support.made_up_day import SHARES, calibration_file, made_up_day
from tests.support.made_up_logs import VEHICLE
from tests.support.made_up_plans import RIGS, RUNS

UNITS = {f"{group.name}.{p.name}": p.unit for group in GROUPS for p in group.parameters}
PLAN = f"""\
kind: campaign
name: yesterday
parts:
  rides:
    scenarios: [{RUNS}/short_straight.yaml, {RUNS}/short_bend.yaml, {RUNS}/lane_change.yaml]
    rigs: [{RIGS}/loopback.yaml]
    vehicles: [VEHICLE]
    seeds: {{count: 10}}
keep: {{thinnest: 0, most: 0}}
"""


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Night]:
    """The campaign on each of three bikes."""
    folder = tmp_path_factory.mktemp("three")
    hidden, records = made_up_day(folder)
    now = folder / "now.yaml"
    calibrated(calibration_file(folder), records[:3], records[3], now, command="c", date="2026-01-02")
    truth = folder / "truth.yaml"
    lines = [f"based_on: {VEHICLE}"]
    for name, value in zip(SHARES, hidden, strict=True):
        group, key = name.split(".")
        entry = json.dumps({"value": float(value), "unit": UNITS[name], "source": "planted"})
        lines.append(f"{group}: {{{key}: {entry}}}")
    truth.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = {}
    for name, vehicle in (("before", VEHICLE), ("now", now), ("truth", truth)):
        plan = folder / f"{name}-plan.yaml"
        plan.write_text(PLAN.replace("VEHICLE", str(vehicle)), encoding="utf-8")
        status = emulator_command(
            "campaign", "run", str(plan), "--out", str(folder / name), "--workers", "1", "--quiet"
        )
        assert status == 0
        found[name] = read_night(folder / name)
    return found


def margins(night: Night) -> dict[tuple[str, int], float]:
    return {(row.scenario, row.seed): float(row.percent or np.nan) for row in night.rows}


@pytest.mark.timing  # for the ordinary run's length only: half a minute
def test_margins_are_nearer_to_the_bikes_than_they_were(nights: dict[str, Night]) -> None:
    truth = margins(nights["truth"])
    off = {
        name: np.array([margins(nights[name])[case] - value for case, value in truth.items()])
        for name in ("before", "now")
    }
    assert np.isfinite(off["before"]).all()
    leaned = np.array([scenario != "short straight" for scenario, _ in truth])
    assert np.median(np.abs(off["before"][leaned])) > 0.5  # points of percent: more than a comparison ignores
    assert np.median(np.abs(off["now"][leaned])) < 0.25 * np.median(np.abs(off["before"][leaned]))
    assert (np.abs(off["now"]) < np.abs(off["before"]))[leaned].mean() > 0.9


@pytest.mark.timing  # for the ordinary run's length only: half a minute
def test_the_comparison_says_which_margins_moved(nights: dict[str, Night]) -> None:
    said = compared(nights["before"], nights["now"])
    moved = {one["scenario"] for one in said["findings"] if one["kind"] == "margins"}
    assert {"short bend", "lane change"} <= moved
    assert "short straight" not in moved
    assert {one["direction"] for one in said["findings"]} == {"better"}
    assert said["changed_since"] == said["compared"] == 30
    # of the bike itself the calibrated vehicle is not told apart
    assert compared(nights["now"], nights["truth"])["findings"] == []


def compared(before: Night, now: Night) -> dict[str, Any]:
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        emulator_command("campaign", "compare", str(before.folder), str(now.folder), "--json")
    said: dict[str, Any] = json.loads(out.getvalue())
    return said
