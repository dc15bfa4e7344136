"""A wheel that slides under the brakes is found where it was planted, with a grip that its range holds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.core.constants import GRAVITY
from emulator.record.reader import Frames, Run
from emulator.track.findings.braking_slide import Bike, BrakingSlide, find_braking_slide
from emulator.track.findings.seen import FindingError, seen_around

SPEED, BRAKED_s, LETS_GO_s = 25.0, 5.0, 6.0
FRICTION = 1.3
BIKE = Bike(
    mass=250.0,
    front_share=0.5,
    transfer=0.4,
    wheelbase=1.4,
    drag=0.0,
    per_pressure=(1e-6, 0.25e-6),
    full_slip=(0.18, 0.18),
    friction=(FRICTION, FRICTION),
    treads=({}, {}),
)
"""A bike of round numbers, whose treads hold as much sliding as sticking."""


def ridden(grip: float, asked: float = 0.5, *, wheel: str = "front", falls_in_s: float = 0.2) -> Run:
    """Straight on, braked with a share ``asked`` of the weight in front until the front tyre lets go.

    From then on it holds ``grip`` times its friction of its load; the load has what the deceleration moves:
    F = g mu (share + transfer d) with d = F over the weight, as nothing brakes the rear.
    """
    time_s = np.arange(0.0, 10.0, 0.001)
    mu, slides = grip * FRICTION, time_s >= LETS_GO_s
    held = mu * BIKE.front_share / (1.0 - mu * BIKE.transfer)
    brakes = np.clip((time_s - BRAKED_s) / 0.2, 0.0, 1.0) * asked
    along = -GRAVITY * np.where(slides, held, brakes)
    speed = SPEED + np.cumsum(along) * 0.001
    rolls = speed * np.clip(1.0 - (time_s - LETS_GO_s) / falls_in_s, 0.0, 1.0)
    front = np.where(slides, rolls, speed * (1.0 - 0.02 * brakes))
    rear = speed.copy()
    zero = np.zeros(len(time_s))
    signals = {
        "truth.x_m": np.cumsum(speed) * 0.001,
        "truth.y_m": zero,
        "truth.speed_m_s": rear,
        "truth.roll_rad": zero,
        "truth.yaw_rate_rad_s": zero,
        "truth.pitch_rate_rad_s": zero,
        "output.force_x_m_s2": along + 0.15,  # its bias
        "output.force_y_m_s2": zero,
        "output.force_z_m_s2": np.full(len(time_s), GRAVITY),
        "output.wheel_front_m_s": front,
        "output.wheel_rear_m_s": rear,
        "actuator.front_brake_Pa": brakes / BIKE.per_pressure[0],
        "actuator.rear_brake_Pa": zero,
    }
    tick = np.arange(len(time_s))
    return Run(Path("made_up"), {}, tick, tick * 10**6, signals, Frames(*[np.empty(0)] * 8), [])


def found(run: Run, at_s: float = LETS_GO_s + 0.3) -> BrakingSlide:
    return find_braking_slide(run, seen_around(run, at_s), at_s, BIKE)


@pytest.mark.parametrize("grip", [0.1, 0.2, 0.35, 0.5])
def test_a_planted_slide_is_found(grip: float) -> None:
    slide = found(ridden(grip))
    assert (slide.tyre, slide.locked, slide.both, slide.to_s) == ("front", True, False, None)
    assert slide.from_s == pytest.approx(LETS_GO_s, abs=0.03)
    assert slide.braked_from_s == pytest.approx(BRAKED_s, abs=0.05)
    assert slide.before_m_s == pytest.approx(SPEED, rel=0.01)
    assert slide.deceleration == pytest.approx(0.5 * GRAVITY, rel=0.03)
    assert slide.grip == pytest.approx(grip, abs=0.02)
    assert slide.least <= grip <= slide.most
    # more than what was asked there was not: 0.5 of the weight on half of it, and what bounds are wider by
    assert slide.most == pytest.approx(1.15 * 0.5 / 0.5 / FRICTION, abs=0.03)


def test_without_pressures_the_range_is_wider_and_holds_it() -> None:
    run = ridden(0.3)
    for end in ("front", "rear"):
        del run.signals[f"actuator.{end}_brake_Pa"]
    slide = found(run)
    assert slide.least <= 0.3 <= slide.most
    assert slide.alone is None


def test_a_brake_alone_is_told() -> None:
    assert found(ridden(0.2)).alone == pytest.approx(0.5 / BIKE.per_pressure[0], rel=1e-6)


def test_braking_that_the_tyre_holds_is_none() -> None:
    run = ridden(0.2)
    run.signals["output.wheel_front_m_s"] = run.signals["output.wheel_rear_m_s"] * 0.93
    with pytest.raises(FindingError, match=r"no wheel slides under the brakes within 1 s of 6\.3 s"):
        found(run)


@pytest.mark.parametrize("silent", [0.0, np.nan])
def test_a_sensor_that_goes_silent_is_no_wheel_that_locks(silent: float) -> None:
    run = ridden(0.4)
    front = run.signals["output.wheel_rear_m_s"].copy()
    front[6000:6300] = silent
    run.signals["output.wheel_front_m_s"] = front
    with pytest.raises(FindingError, match="no wheel slides"):
        found(run)


def test_a_wheel_that_nobody_brakes_does_not_lock() -> None:
    run = ridden(0.2)
    run.signals["actuator.front_brake_Pa"][:] = 0.0
    with pytest.raises(FindingError, match="no wheel slides"):
        found(run)


def test_a_rear_wheel_in_the_air_says_nothing() -> None:
    run = ridden(0.2)
    run.signals["output.force_x_m_s2"] = np.where(run.time_s >= BRAKED_s, -1.2 * GRAVITY, 0.0)
    speed = SPEED + np.cumsum(run.signals["output.force_x_m_s2"]) * 0.001
    run.signals["truth.speed_m_s"] = run.signals["output.wheel_front_m_s"] = speed
    locks = np.clip(1.0 - (run.time_s - LETS_GO_s) / 0.2, 0.0, 1.0)
    run.signals["output.wheel_rear_m_s"] = speed * locks
    run.signals["actuator.rear_brake_Pa"] = run.signals["actuator.front_brake_Pa"]
    with pytest.raises(FindingError, match=r"the rear wheel .* bears hardly any load"):
        found(run)


def test_what_it_takes_is_told() -> None:
    run = ridden(0.2)
    del run.signals["output.force_x_m_s2"]
    with pytest.raises(FindingError, match="map both wheel speeds and the inertial unit's force along"):
        found(run)
