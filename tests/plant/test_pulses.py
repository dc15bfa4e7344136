"""Pulse frames under a fault of the wheel speed: silence, a held frequency, a wrong one, and never a leap."""

import math

import numpy as np
import pytest

from emulator.config.rig.outputs import Output
from emulator.config.rig.sensors import ToneRing
from tests.support.scripted_robot import Ride, fault, variant, with_events

TEETH = 48
RADIUS = 0.3


@pytest.fixture(scope="module")
def pulsing(session):
    """The demo bench with pulse frames at 500 Hz and a ring without errors."""
    ring = ToneRing(teeth_front=TEETH, teeth_rear=50, rolling_radius_front_m=RADIUS, timer_resolution_ns=100)
    timing = {
        f"wheel_pulses_{w}": Output(rate_hz=500.0, latency_ms=0.0, jitter_ms=0.0) for w in ("front", "rear")
    }
    return variant(
        session,
        rig={"outputs": {**session.rig.outputs, **timing}},
        sensors={"wheel_speed": {"tone_ring": ring}},
        outputs={"engine": {}},
    )


def ridden(pulsing, *events):
    """4 s of tow (about 2 m/s^2): ticks, edges and frequency of the front wheel; and all frames."""
    ride = Ride(with_events(pulsing, *events)).start(4000)
    ticks, values = ride.sent("wheel_pulses_front")
    names = list(ride.session.codec.signals[ride.session.codec.frame("wheel_pulses_front")])
    on = ticks >= 0
    edges, hz = (values[on, names.index(f"wheel_front_{key}")] for key in ("edges", "hz"))
    return ticks[on], edges, hz, ride.frames


@pytest.fixture(scope="module")
def sound(pulsing):
    return ridden(pulsing)


def at(ticks, column, tick):
    return float(column[np.searchsorted(ticks, tick)])


def test_without_a_fault_the_pulse_rings_are_the_wheels_rings(pulsing):
    ride = Ride(pulsing).start(1500)
    assert ride.plant.rings[:2].tobytes() == ride.plant.rings[2:].tobytes()


def test_a_dropout_is_silence_and_the_counter_goes_on_from_where_it_was(pulsing, sound):
    ticks, edges, hz, _ = ridden(pulsing, fault("wheel_front_m_s", "dropout", 2.0, 1.0))
    before = at(ticks, sound[1], 2000)
    assert at(ticks, edges, 2010) - before <= 1.0
    assert at(ticks, edges, 2990) == at(ticks, edges, 2010)
    assert at(ticks, hz, 2990) == 0.0
    # afterwards as many edges as there are, without those that were missed
    gained = at(ticks, edges, 3990) - at(ticks, edges, 3010)
    assert gained == pytest.approx(at(ticks, sound[1], 3990) - at(ticks, sound[1], 3010), abs=1.0)
    assert at(ticks, hz, 3990) == pytest.approx(at(ticks, sound[2], 3990), rel=0.02)
    assert (np.diff(edges) >= 0).all()


def test_a_frozen_speed_is_a_frozen_frequency(pulsing, sound):
    ticks, edges, hz, _ = ridden(pulsing, fault("wheel_front_m_s", "freeze", 2.0, 1.0))
    held = at(ticks, sound[2], 2000)
    assert at(ticks, hz, 2900) == pytest.approx(held, rel=0.02)
    assert at(ticks, edges, 2900) - at(ticks, edges, 2100) == pytest.approx(0.8 * held, rel=0.02, abs=1.0)
    assert at(ticks, sound[2], 2900) > 1.2 * held


@pytest.mark.parametrize(
    ("effect", "value", "of"),
    [
        ("gain", 0.5, lambda speed: 0.5 * speed),
        ("offset", 3.0, lambda speed: speed + 3.0),
        ("offset", -90.0, lambda speed: 0.0),
        ("stuck", 10.0, lambda speed: 10.0),
        ("drift", 2.0, lambda speed: speed + 2.0 * 0.9),
    ],
)
def test_a_wrong_speed_is_a_wrong_frequency(pulsing, sound, effect, value, of):
    ticks, _, hz, _ = ridden(pulsing, fault("wheel_front_m_s", effect, 2.0, 1.0, value))
    per_speed = TEETH / (2.0 * math.pi * RADIUS)
    speed = at(ticks, sound[2], 2900) / per_speed
    # two pitches behind at most under about 2 m/s^2
    assert at(ticks, hz, 2900) == pytest.approx(of(speed) * per_speed, rel=0.02, abs=0.5)
    assert at(ticks, hz, 3990) == pytest.approx(at(ticks, sound[2], 3990), rel=0.02)


def test_noise_leaves_the_pulses_alone_and_so_does_the_other_wheels_fault(pulsing, sound):
    for event in (
        fault("wheel_front_m_s", "noise", 2.0, 1.0, 1.0),
        fault("wheel_rear_m_s", "dropout", 2.0, 1.0),
    ):
        _, edges, hz, _ = ridden(pulsing, event)
        assert np.array_equal(edges, sound[1])
        assert np.array_equal(hz, sound[2])


def test_with_or_without_pulse_frames_a_fault_of_the_wheel_speed_is_the_same(pulsing):
    event = fault("wheel_front_m_s", "noise", 0.2, 0.5, 1.0)
    freeze = fault("wheel_rear_m_s", "freeze", 0.2, 0.5)
    silent = variant(pulsing, outputs={"wheel_pulses_front": None, "wheel_pulses_rear": None})
    with_, without = (
        [f for f in Ride(with_events(s, event, freeze)).start(1000).frames if f[1] == "wheel_speed"]
        for s in (pulsing, silent)
    )
    assert with_ == without
