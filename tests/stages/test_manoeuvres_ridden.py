"""The shipped manoeuvres ridden in the virtual stage, and what bank, slope, patches and wear do to a ride."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import Session, load_session
from emulator.core.signals import RUNNING
from emulator.record.reader import Run, read_run
from emulator.runs.one import ride
from emulator.verdict.judge import Verdict
from tests.support.scripted_robot import RIG, SCENARIOS

RUNS = SCENARIOS / "runs"


def ridden(session: Session, scenario: Path, folder: Path) -> tuple[Verdict, Run]:
    verdict = ride(session, (RIG, scenario), folder, virtual=True)
    return verdict, read_run(folder)


def straight(folder: Path, text: str) -> Session:
    """The shipped straight with something over it."""
    top = folder / "top.yaml"
    top.write_text(f"based_on: {RUNS / 'straight.yaml'}\n{text}")
    return load_session(RIG, top)


def riding(run: Run, name: str) -> np.ndarray:
    return run.signal(name)[run.signal("bench.state") == RUNNING]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["straight", "circle", "slalom", "lane_change", "braking"])
def test_the_reference_robot_rides_each_manoeuvre(name, ridden_once, tmp_path):
    once = ridden_once(RIG, RUNS / f"{name}.yaml")
    session, verdict, run = once.session, once.judged(tmp_path / "run"), once.run
    assert verdict.result == "pass", verdict.reasons
    assert verdict.laps is not None
    laps, ends = verdict.laps, session.sector_ends
    assert [lap.note for lap in laps.laps] == [""] * session.scenario.laps
    station = riding(run, "line.station_m")
    assert station[-1] >= session.finish_station > station[-2]
    if session.line.closed:
        assert laps.best == 2
        return
    # nobody sees the line's end: it goes on for more than a second behind the finish
    assert session.line.length - station[-1] > session.scenario.speed.top_speed_km_h / 3.6
    assert len(laps.laps[0].sectors_s) == len(ends)
    assert sum(laps.laps[0].sectors_s) == pytest.approx(len(riding(run, "line.station_m")) * 1e-3, abs=2e-3)
    assert [r.name for r in laps.references] == ["target speed"]
    assert "no ideal lap" in laps.note
    if name == "slalom":
        m = session.scenario.manoeuvre
        inside = (station > ends[0] + m.spacing_m / 2) & (station < ends[1] - m.spacing_m / 2)
        assert np.ptp(riding(run, "truth.y_m")[inside]) == pytest.approx(2.0 * m.offset_m, abs=0.8)
    if name == "lane_change":
        assert riding(run, "truth.y_m")[-1] == pytest.approx(-3.5, abs=0.3)
    if name == "braking":
        # between a quarter and three quarters of the way the deceleration is all there
        way = (station > ends[0] + 0.25 * (ends[1] - ends[0])) & (
            station < ends[0] + 0.75 * (ends[1] - ends[0])
        )
        v = riding(run, "truth.speed_m_s")[way]
        assert (v[0] - v[-1]) / (len(v) * 1e-3) == pytest.approx(6.0, abs=0.3)
        assert riding(run, "truth.speed_m_s")[-1] * 3.6 == pytest.approx(20.0, abs=4.0)


@pytest.mark.slow
def test_a_banked_slope_is_climbed_on_a_wet_line(tmp_path):
    session = straight(
        tmp_path,
        "manoeuvre: {kind: straight, length_m: 300, slope_deg: 3, bank_deg: 2}\n"
        "surface: {patches: [{name: wet line, left_m: 1, right_m: -1, grip: 0.8}]}\n"
        "criteria: [{kind: speed_error, limit_km_h: 5, from_s: 14}]\n"
        "events: [{kind: mark, name: mark, at: {station_m: 150}, text: half way up}]\n",
    )
    verdict, run = ridden(session, tmp_path / "top.yaml", tmp_path / "run")
    assert verdict.result == "pass", verdict.reasons
    rise = riding(run, "truth.z_m")[-1] - riding(run, "truth.z_m")[0]
    assert rise == pytest.approx(300.0 * math.tan(math.radians(3.0)), abs=0.1)
    # on a bank the wheels stand askew to the road, not the bike: upright on the mean
    assert np.degrees(riding(run, "truth.roll_rad")[8000:]).mean() == pytest.approx(0.0, abs=0.6)
    assert set(riding(run, "truth.grip_rear")) == {0.8}
    assert "mark" in [event.kind for event in run.events]


@pytest.mark.slow
def test_a_worn_wheel_reads_fast_and_the_robot_is_told_nothing(tmp_path):
    short = "manoeuvre: {length_m: 200}\ncriteria: [{kind: speed_error, remove: true}]\n"
    load = "load: [{name: box, mass_kg: 9, position_m: [0.5, 0, 1]}]"
    wear = f"vehicle: {{tyre_wear: {{front: {{depth_mm: 8}}}}, {load}}}\n"
    ratio = []
    for text in (short, short + wear):
        (tmp_path / str(len(ratio))).mkdir()
        session = straight(tmp_path / str(len(ratio)), text)
        verdict, run = ridden(session, tmp_path / str(len(ratio)) / "top.yaml", tmp_path / f"run{len(ratio)}")
        assert verdict.result == "pass", verdict.reasons
        seen, true = riding(run, "output.wheel_front_m_s"), riding(run, "truth.speed_m_s")
        fast = true > 15.0
        ratio.append(float(np.mean(seen[fast] / true[fast])))
    new, worn = (float(v.tyre[1]["radius"]) for v in (session.nominal, session.vehicle))
    assert new - worn == pytest.approx(0.008)
    # the sensor's constant is that of the new tyre; the tyre rolls a little inside its outer radius
    assert ratio[1] / ratio[0] == pytest.approx(new / worn, rel=1e-3)


@pytest.mark.slow
def test_the_wet_lap_is_ridden_on_a_bike_that_is_not_as_told(ridden_once):
    run, verdict = ridden_once(RIG, RUNS / "wet_lap.yaml").decided()
    assert verdict.result == "pass", verdict.reasons
    grip = riding(run, "truth.grip_front")
    # the drying line, and dirt across it; beside the line it would be 0.75
    assert grip.min() == pytest.approx(0.6)
    assert np.median(grip) == pytest.approx(0.9)
