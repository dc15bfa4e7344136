"""The computed lean against closed forms: steady turns, steps, biases, and the lag its own place makes."""

import math

import numpy as np
import pytest

from emulator.core.constants import GRAVITY
from emulator.sensors.lean import filtered, follow, reference_lean, run_sensor, told_speed

G = GRAVITY
STEP = 1e-3


def turning(lean, speed, turn):
    """(rate y, rate z, force y, force z) of a bike at a steady lean; ``turn`` [rad/s] positive left.

    It moves ahead at ``speed``, so the road gives it speed * turn to the left and g upwards; both are seen in
    axes that lean to the right by ``lean``: y = (cos, sin), z = (-sin, cos) of left and up.
    """
    c, s = math.cos(lean), math.sin(lean)
    a = speed * turn
    return turn * s, turn * c, a * c + G * s, -a * s + G * c


@pytest.mark.parametrize("speed", [0.0, 12.0, 60.0])
@pytest.mark.parametrize("turn", [-0.8, 0.0, 0.3])
@pytest.mark.parametrize("lean", [-0.9, 0.0, 0.05, 0.85])
def test_with_the_right_speed_the_reference_is_the_lean_whatever_the_turn(lean, turn, speed):
    """Also where lean and turn do not belong together: tyres have a width, a support may hold the bike."""
    assert reference_lean(*turning(lean, speed, turn), speed) == pytest.approx(lean, abs=1e-14)


@pytest.mark.parametrize("too_much", [-2.0, 0.5, 3.0])
@pytest.mark.parametrize(("lean", "turn"), [(0.8, -0.5), (-0.6, 0.3), (0.2, 0.1)])
def test_a_wrong_speed_is_an_angle_by_the_turn_rate(lean, turn, too_much):
    """What is left over, e * turn, lies across g, and both turn with the bike: atan(e turn / g), outwards."""
    found = reference_lean(*turning(lean, 20.0, turn), 20.0 + too_much)
    assert found - lean == pytest.approx(-math.atan(too_much * turn / G), abs=1e-14)


def test_the_leaning_tyre_rolls_on_a_smaller_radius():
    radius, crown = 0.3, 0.06
    lean, speed = math.radians(46.0), 25.0
    spin = speed / (radius - crown * (1.0 - math.cos(lean)))
    assert told_speed(spin, radius, crown, lean) == pytest.approx(speed, rel=1e-15)
    assert told_speed(spin, radius, crown, -lean) == pytest.approx(speed, rel=1e-15)
    # told of a thin tyre it believes it goes faster, and leans too much
    turn = -G * math.tan(lean) / speed
    found = reference_lean(*turning(lean, speed, turn), told_speed(spin, radius, 0.0, lean))
    share = crown * (1.0 - math.cos(lean)) / (radius - crown * (1.0 - math.cos(lean)))
    assert math.degrees(found - lean) == pytest.approx(math.degrees(math.atan(share * math.tan(lean))))
    assert 3.5 < math.degrees(found - lean) < 4.2


def test_straight_and_upright_there_is_no_error():
    assert reference_lean(*turning(0.0, 50.0, 0.0), 50.0) == 0.0
    assert reference_lean(*turning(0.0, 50.0, 0.0), 20.0) == 0.0  # a wheel that slips does no harm there
    assert follow(0.0, 0.0, 0.0, 0.0, 0.001, STEP) == 0.0


def test_a_step_of_the_reference_is_followed_within_the_time_constant():
    constant = 0.4
    pull = 1.0 - math.exp(-STEP / constant)
    lean = 0.0
    for n in range(1, 1500):
        lean = follow(lean, 0.0, 0.0, 0.3, pull, STEP)
        assert lean == pytest.approx(0.3 * (1.0 - math.exp(-n * STEP / constant)), rel=1e-10)


def test_a_rate_bias_is_held_at_bias_times_time_constant():
    constant, bias = 0.5, 0.01
    pull = 1.0 - math.exp(-STEP / constant)
    lean = 0.2
    for _ in range(20_000):
        lean = follow(lean, bias, bias, 0.2, pull, STEP)
    assert lean - 0.2 == pytest.approx(bias * STEP * (1.0 - pull) / pull, rel=1e-9)
    assert lean - 0.2 == pytest.approx(bias * constant, rel=0.002)


@pytest.mark.parametrize("frequency_hz", [0.3, 3.0])
def test_with_a_right_reference_the_roll_passes_as_it_is(frequency_hz):
    """No lag: neither slow nor fast. The trapezium's own error is (w dt)^2 / 12 of the amplitude."""
    w = 2.0 * math.pi * frequency_hz
    t = np.arange(4000) * STEP
    roll, rate = 0.5 * np.sin(w * t), 0.5 * w * np.cos(w * t)
    pull = 1.0 - math.exp(-STEP / 1.0)
    lean, shown = 0.0, [0.0]
    for n in range(1, t.size):
        lean = follow(lean, rate[n - 1], rate[n], roll[n], pull, STEP)
        shown.append(lean)
    assert np.abs(np.array(shown) - roll).max() < 1.1 * 0.5 * (w * STEP) ** 2 / 12


def test_a_bike_on_its_side_goes_on_counting_the_short_way():
    assert follow(3.13, 20.0, 20.0, -3.13, 0.0, STEP) == pytest.approx(3.15 - 2.0 * math.pi)
    assert follow(3.13, 0.0, 0.0, -3.13, 0.5, STEP) == pytest.approx(math.pi, abs=1e-9) or follow(
        3.13, 0.0, 0.0, -3.13, 0.5, STEP
    ) == pytest.approx(-math.pi, abs=1e-9)


def fitted(values, hertz, t):
    """Complex amplitude of a sine in what has settled."""
    late = t > 0.5 * t[-1]
    w = 2.0 * math.pi * hertz
    design = np.column_stack([np.ones(t.size), np.sin(w * t), np.cos(w * t)])[late]
    _, sine, cosine = np.linalg.lstsq(design, values[late], rcond=None)[0]
    return complex(sine, cosine)


@pytest.mark.parametrize("again", [0.0, 0.2])
@pytest.mark.parametrize("hertz", [0.3, 2.0])
def test_the_transfer_is_that_of_the_filter_as_it_runs(hertz, again):
    """A rate and a reference that are strangers to each other, the latter with some of the lean in it."""
    w, pull = 2.0 * math.pi * hertz, 1.0 - math.exp(-STEP / 0.4)
    t = np.arange(20_000) * STEP
    rate, reference = 0.3 * np.sin(w * t), 0.2 * np.cos(w * t)
    lean = np.zeros(t.size)
    for n in range(1, t.size):
        to = reference[n] + again * lean[n - 1]
        lean[n] = follow(lean[n - 1], rate[n - 1], rate[n], to, pull, STEP)
    found = complex(filtered(1j * w, 0.3, 0.2j, pull, STEP, again))
    assert fitted(lean, hertz, t) == pytest.approx(found, rel=1e-5)


@pytest.mark.parametrize("time_s", [1.5, 3.0, 10.0])
@pytest.mark.parametrize("height", [0.3, 0.62])
def test_a_bike_that_swings_about_its_line_on_the_ground_shows_its_lean_late(height, time_s):
    """Rigid body about the ground line, small angles: H = 1 + z w^2 / g / (1 + j w T): z / (g T) late."""
    hertz, amplitude = 0.5, 0.01
    w, t = 2.0 * math.pi * hertz, np.arange(round(12e3 * time_s)) * STEP
    roll, rate = amplitude * np.sin(w * t), amplitude * w * np.cos(w * t)
    force = np.column_stack(
        [
            np.zeros(t.size),
            G * np.sin(roll) + height * amplitude * w * w * np.sin(w * t),
            G * np.cos(roll) - height * rate**2,
        ]
    )
    rates = np.column_stack([rate, np.zeros(t.size), np.zeros(t.size)])
    lean = np.zeros(t.size)
    run_sensor(rates, force, np.full(t.size, 60.0), 0.3, 0.0, 1.0 - math.exp(-STEP / time_s), STEP, lean)
    shown = fitted(lean, hertz, t) / amplitude
    assert shown == pytest.approx(1.0 + height * w * w / G / (1.0 + 1j * w * time_s), abs=3e-4)
    late = -math.atan2(shown.imag, shown.real) / w
    assert late == pytest.approx(height / (G * time_s), rel=0.08)


def test_a_run_of_the_sensor_begins_at_its_reference_and_follows_step_by_step():
    rng = np.random.default_rng(2)
    rates, spin = 0.2 * rng.standard_normal((50, 3)), 60.0 + rng.standard_normal(50)
    force = np.array([0.0, 0.0, G]) + rng.standard_normal((50, 3))
    lean, pull = np.zeros(50), 0.02
    run_sensor(rates, force, spin, 0.3, 0.06, pull, STEP, lean)
    before = reference_lean(*rates[0, 1:], *force[0, 1:], told_speed(spin[0], 0.3, 0.06, 0.0))
    assert lean[0] == before
    for n in range(1, 50):
        to = reference_lean(*rates[n, 1:], *force[n, 1:], told_speed(spin[n], 0.3, 0.06, before))
        before = follow(before, rates[n - 1, 0], rates[n, 0], to, pull, STEP)
        assert lean[n] == before
