"""What is said of the robot's own place: made-up estimates with errors known beforehand."""

import json
import math
from dataclasses import asdict, replace

import numpy as np
import pytest

from emulator.core.errors import RecordError
from emulator.record.localisation import KNOWN_TO_M, PositionError, position_error, position_errors
from emulator.record.reader import read_run
from emulator.report.figures.over_time import position_error_figure
from emulator.report.run_report import report_html
from emulator.verdict.judge import verdict_from

SPEED = 30.0
RADIUS = 200.0


@pytest.fixture(scope="module")
def ridden(whole_ride):
    """A made-up ride; who changes it takes signals of its own."""
    return read_run(whole_ride)


def circle(run, *, along=0.0, across=0.0, age=1, every=5, told=None):
    """The ride becomes a circle at constant speed; estimates are off by so much and so many ticks old."""
    n = len(run.tick)
    t = run.tick * 1e-3
    angle = SPEED / RADIUS * t
    signals = dict(run.signals)
    signals["truth.x_m"], signals["truth.y_m"] = RADIUS * np.sin(angle), RADIUS * (1.0 - np.cos(angle))
    signals["truth.heading_rad"] = np.angle(np.exp(1j * angle))
    signals["truth.speed_m_s"] = np.full(n, SPEED)
    signals["bench.state"] = np.full(n, 2.0)
    signals["output.gnss_fix"] = np.full(n, 4.0)
    then = SPEED / RADIUS * (t - age * 1e-3)
    x = RADIUS * np.sin(then) + along * np.cos(then) - across * np.sin(then)
    y = RADIUS * (1.0 - np.cos(then)) + along * np.sin(then) + across * np.cos(then)
    held = np.arange(n) // every * every
    signals["robot.estimate_x_m"], signals["robot.estimate_y_m"] = x[held], y[held]
    manifest = dict(run.manifest)
    if told is not None:
        manifest["rig"] = {
            "name": "bench",
            "device_under_test": {"kind": "external", "estimate_age_ms": told},
        }
    return replace(run, signals=signals, manifest=manifest)


def test_errors_are_those_put_in(ridden):
    known = position_error(circle(ridden, along=0.03, across=-0.04))
    assert known.rms_m == pytest.approx(0.05, abs=1e-5)
    assert known.along_m == pytest.approx(0.03, abs=1e-5)
    assert known.across_m == pytest.approx(0.04, abs=1e-5)
    assert known.fixed_rms_m == pytest.approx(0.05, abs=1e-5)
    assert known.worst_m == pytest.approx(0.05, abs=1e-5)
    assert known.age_ms == 1.0
    assert "beyond 2.5 cm" in known.sentence


def test_left_is_positive(ridden):
    errors = position_errors(circle(ridden, across=0.04))
    assert errors.across_m == pytest.approx(0.04, abs=1e-5)
    assert errors.along_m == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize(("age", "told"), [(1, None), (4, 4.0), (7, 7.0)])
def test_an_estimate_is_compared_with_the_time_it_stands_for(ridden, age, told):
    known = position_error(circle(ridden, age=age, told=told))
    assert known.rms_m < 1e-5
    assert known.fitted_age_ms == pytest.approx(age, abs=1e-3)
    assert f"within {KNOWN_TO_M * 100:g} cm" in known.sentence


def test_the_age_that_fits_is_told_beside_the_one_told(ridden):
    known = position_error(circle(ridden, age=6))
    assert known.along_m == pytest.approx(5e-3 * SPEED, rel=1e-3)
    assert known.fitted_age_ms == pytest.approx(6.0, abs=1e-2)


def test_an_estimate_counts_once_however_long_it_stands(ridden):
    assert position_error(circle(ridden, every=5)).estimates == pytest.approx(len(ridden.tick) / 5, abs=2)
    slow = position_error(circle(ridden, every=100))
    assert slow.rms_m < 1e-5
    assert slow.estimates == pytest.approx(len(ridden.tick) / 100, abs=2)


def test_an_outage_is_told_with_what_it_cost(ridden):
    run = circle(ridden)
    t = run.time_s
    out = (t >= 5.0) & (t < 10.0)
    run.signals["output.gnss_fix"][out] = 0.0
    run.signals["robot.estimate_y_m"][out] += 0.3 * np.repeat(np.linspace(0, 1, out.sum() // 5), 5)
    known = position_error(run)
    (outage,) = known.outages
    assert (outage.from_s, outage.to_s) == (pytest.approx(5.0), pytest.approx(10.0))
    assert outage.before_m < 1e-3
    assert outage.after_m == outage.worst_m == pytest.approx(0.3, abs=1e-3)
    assert known.fixed_rms_m < 1e-5 < known.rms_m
    assert "without a fix for 5.0 s from 5.0 s it went from 0.0 cm to 30.0 cm off" in known.sentence


def test_estimates_of_a_bike_that_is_down_are_no_estimates_of_a_ride(ridden):
    run = circle(ridden, along=0.03, across=-0.04)
    n = len(run.tick)
    down = np.arange(n) >= n // 2
    signals = dict(run.signals)
    signals["robot.estimate_x_m"] = signals["robot.estimate_x_m"] + np.where(down, 5.0, 0.0)
    assert position_error(replace(run, signals=signals)).worst_m > 4.0
    signals["truth.fallen"] = down.astype(float)
    assert position_error(replace(run, signals=signals)).worst_m == pytest.approx(0.05, abs=1e-5)


def test_before_the_first_epoch_is_no_outage(ridden):
    run = circle(ridden)
    run.signals["output.gnss_fix"][:3000] = math.nan
    assert position_error(run).outages == ()


@pytest.mark.parametrize("lacking", ["robot.estimate_x_m", "truth.heading_rad", "bench.state"])
def test_a_record_without_it_says_nothing(ridden, lacking):
    run = circle(ridden)
    del run.signals[lacking]
    assert position_error(run) is None
    assert position_error_figure(run, []) is None


def test_a_robot_that_never_says_where_it_is_is_not_judged(ridden):
    run = circle(ridden)
    run.signals["robot.estimate_x_m"][:] = math.nan
    run.signals["robot.estimate_y_m"][:] = math.nan
    assert position_error(run) is None


def test_the_figure_draws_the_line_that_is_usual(ridden):
    figure = position_error_figure(circle(ridden, along=0.03), [])
    assert [curve["name"] for curve in figure["curves"]] == ["along", "across (left +)"]
    assert [(line["name"], set(line["y"])) for line in figure["limits"]] == [("±2.5 cm", {2.5, -2.5})]


def test_the_report_says_it(ridden):
    run = circle(ridden, along=0.01)
    known = position_error(run)
    verdict = {"result": "pass", "reasons": [], "criteria": [], "laps": None, "place": as_json(known)}
    run = replace(run, verdict=verdict)
    page = report_html(run)
    assert "Position error 1.0 cm rms" in page
    assert "Error of the robot&#39;s position estimate" in page


def as_json(known: PositionError):
    return json.loads(json.dumps(asdict(known)))


def test_it_is_read_back_as_it_was(ridden):
    run = circle(ridden)
    run.signals["output.gnss_fix"][6000:7000] = 0.0
    known = position_error(run)
    assert len(known.outages) == 1
    assert verdict_from({"result": "pass", "place": as_json(known)}).place == known


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"rms_m": "much"}, "verdict.json: place.rms_m"),
        ({"outages": [{"from_s": 1.0}]}, "verdict.json: place.outages.0.to_s"),
        ({"outages": 3}, "verdict.json: place.outages"),
    ],
)
def test_a_damaged_one_is_refused(ridden, change, says):
    document = {**as_json(position_error(circle(ridden))), **change}
    with pytest.raises(RecordError, match=says):
        verdict_from({"result": "pass", "place": document})
