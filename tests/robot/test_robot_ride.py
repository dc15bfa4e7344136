"""Riding: back to the line, into the turn, throttle or brakes, one gear at a time."""

import math

import numpy as np
import pytest

from emulator.road.line import sample
from emulator.robot.records import SEEN, Z_ENGINE, Z_GEAR, Z_THROTTLE
from emulator.robot.ride import balance, drive, follow_path, throttle_sticks
from emulator.robot.tuning import STEP
from emulator.vehicle.driveline import engine_torque

STRAIGHT = 150.0  # [m] station in the middle of the main straight


@pytest.fixture
def on_line(rider):
    """Put the rider on the line, at a station, speed and distance to the left."""
    r = rider.rider
    e = r.mind[0]

    def put(station=STRAIGHT, speed=20.0, offset=0.0):
        x, y, heading, _, _ = sample(r.line, station)
        e["x"], e["y"] = x - offset * math.sin(heading), y + offset * math.cos(heading)
        e["heading"], e["speed"], e["station"] = heading, speed, station
        e["launch_steps"] = 1000
        e["gear"] = 2
        return r, e

    return put


@pytest.mark.parametrize("offset", [1.0, -1.0])
def test_beside_the_line_it_wants_back(on_line, offset):
    r, e = on_line(offset=offset)
    assert follow_path(r.design, r.line, r.known[0], e) * offset < 0.0
    assert e["offset"] == pytest.approx(offset, abs=1e-6)


def test_pointing_away_it_turns_back(on_line):
    r, e = on_line()
    e["heading"] += 0.05  # to the left of the line
    assert follow_path(r.design, r.line, r.known[0], e) < -0.5


def test_far_off_it_does_not_ask_for_more_than_a_bit(on_line):
    r, e = on_line(offset=20.0)
    assert follow_path(r.design, r.line, r.known[0], e) >= -3.0 - 1e-9


def test_it_turns_in_before_the_turn(on_line):
    r, e = on_line()
    curvature = [sample(r.line, s)[3] for s in np.arange(0.0, r.line.length, 1.0)]
    first = float(np.argmax(np.abs(curvature) > 0.02))
    r, e = on_line(station=first - 6.0)
    here = sample(r.line, first - 6.0)[3]
    assert abs(follow_path(r.design, r.line, r.known[0], e)) > abs(20.0**2 * here)


@pytest.mark.parametrize("lateral", [5.0, -5.0])
def test_it_steers_against_the_turn_first(on_line, lateral):
    # to lean left the bike is steered right first: Meijaard et al. 2007, doi:10.1098/rspa.2007.1857 (the
    # bicycle is steered into the fall, and so away from the turn to begin one)
    r, e = on_line()
    torque = [balance(r.design, r.known[0], e, lateral) for _ in range(20)]
    assert torque[-1] * lateral < 0.0
    assert e["roll_target"] * lateral < 0.0  # roll is positive to the right


def test_upright_on_a_straight_it_does_nothing(on_line):
    r, e = on_line()
    assert balance(r.design, r.known[0], e, 0.0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("roll", [0.1, -0.1])
def test_a_fall_is_caught_by_steering_into_it(on_line, roll):
    r, e = on_line()
    e["roll"] = roll  # positive to the right: steer right, negative
    assert balance(r.design, r.known[0], e, 0.0) * roll < 0.0


def test_the_roll_target_has_a_limit(on_line):
    r, e = on_line(speed=40.0)
    for _ in range(2000):
        balance(r.design, r.known[0], e, 100.0)
    assert abs(e["roll_target"]) <= math.radians(54.0) * 1.01


def speed_at(r, engine, gear):
    """Speed [m/s] at an engine speed [rad/s] in a gear, upright."""
    k = r.known[0]
    return engine / (k["primary"] * k["gears"][gear] * k["final"]) * k["rear_radius"]


def driven(r, e, engine=500.0, gear=2.0, stopping=False):
    seen = np.zeros(len(SEEN))
    seen[Z_ENGINE], seen[Z_GEAR] = engine, gear
    drive(r.known[0], r.body[0], r.line, e, seen, stopping)


def test_too_slow_it_opens_the_throttle_and_leaves_the_brakes(on_line):
    target = sample(on_line()[0].line, STRAIGHT)[4]
    r, e = on_line(speed=target - 3.0)
    driven(r, e)
    assert e["throttle"] > 0.1
    assert e["front_brake"] == e["rear_brake"] == 0.0


def test_too_fast_it_closes_the_throttle_and_brakes_with_both(on_line):
    target = sample(on_line()[0].line, STRAIGHT)[4]
    r, e = on_line(speed=target + 6.0)
    e["gear"] = 5  # high enough that no gear change is due
    driven(r, e, gear=5.0)
    assert e["throttle"] == 0.0
    k = r.known[0]
    front, rear = e["front_brake"] * k["front_gain"], e["rear_brake"] * k["rear_gain"]
    assert front > rear > 0.0  # [N m]


def test_an_emergency_stop_brakes_with_the_clutch_pulled_whatever_the_target(on_line):
    r, e = on_line(speed=5.0)
    driven(r, e, stopping=True)
    assert (e["throttle"], e["clutch"]) == (0.0, 1.0)
    assert e["front_brake"] > 0.0


def test_a_leaning_bike_stops_more_gently(on_line):
    r, e = on_line(speed=20.0)
    driven(r, e, stopping=True)
    upright = float(e["front_brake"])
    e["roll"] = math.radians(40.0)
    driven(r, e, stopping=True)
    assert 0.0 < e["front_brake"] < 0.95 * upright


def test_it_waits_in_the_tow_with_the_clutch_pulled(on_line):
    r, e = on_line(speed=1.0)
    e["gear"], e["launch_steps"] = 1, 0
    driven(r, e, gear=1.0)
    assert e["clutch"] == 1.0
    e["speed"] = 4.0
    lever = []
    for _ in range(500):
        driven(r, e, gear=1.0)
        lever.append(float(e["clutch"]))
    assert lever == sorted(lever, reverse=True)  # comes in, and never out again
    assert lever[0] > 0.7
    assert lever[-1] == 0.0


def test_changing_up_parts_the_clutch_before_and_engages_it_after_the_box_followed(on_line):
    r, e = on_line()
    e["speed"] = speed_at(r, 1090.0, 2)  # just above where it changes up
    phases, gear, waited = [], 2.0, 0
    for _ in range(400):
        driven(r, e, gear=gear)
        phases.append((int(e["shift_phase"]), float(e["clutch"]), int(e["gear"])))
        if e["shift_phase"] == 2:
            waited += 1
            if waited == 60:  # 120 ms for the drum
                gear = 3.0
    assert e["gear"] == 3
    assert [p for i, (p, _, _) in enumerate(phases) if i == 0 or p != phases[i - 1][0]] == [1, 2, 3, 0]
    assert all(clutch == 1.0 for phase, clutch, _ in phases if phase in (1, 2))
    assert phases[-1][:2] == (0, 0.0)


def test_a_box_that_does_not_follow_is_given_up_on(on_line):
    r, e = on_line()
    e["speed"] = speed_at(r, 1090.0, 2)
    for _ in range(540):
        driven(r, e, gear=2.0)
        if e["shift_phase"] == 2:
            tried = int(e["gear"])
    assert tried == 3
    assert e["shift_phase"] != 2


class Pulling:
    """A rider in second gear at 20 m/s on a straight, and what its throttle's sensor and its bike say."""

    def __init__(self, on_line, asked=0.1):
        self.r, self.e = on_line()
        self.e["throttle"], self.e["wanted"] = asked, 0.0
        self.seen = np.zeros(len(SEEN))
        self.seen[Z_ENGINE], self.seen[Z_GEAR] = 700.0, 2.0

    def ride(self, seconds, shown, acceleration):
        """Whether the throttle is told to stick within so many seconds."""
        heading = float(self.e["heading"])
        told = False
        for _ in range(round(seconds / STEP)):
            self.seen[Z_THROTTLE] = shown
            self.e["force"][:2] = acceleration * math.cos(heading), acceleration * math.sin(heading)
            told = throttle_sticks(self.r.known[0], self.r.body[0], self.e, self.seen) or told
        return told

    def pull(self, further):
        """Acceleration [m/s^2] of a throttle that much further open, by hand."""
        k, body = self.r.known[0], self.r.body[0]
        wide = engine_torque(body, 700.0, 1.0, 0.0) - engine_torque(body, 700.0, 0.0, 0.0)
        reduction = k["primary"] * k["gears"][2] * k["final"] / k["rear_radius"]
        return (
            further * wide * reduction / (k["mass"] + k["wheel_inertia"] + k["engine_inertia"] * reduction**2)
        )


@pytest.mark.parametrize("further", [0.2, 0.5, 0.9])
def test_a_throttle_that_sticks_open_is_noticed_within_half_a_second(on_line, further):
    bike = Pulling(on_line)
    assert bike.pull(further) > 0.8
    assert not bike.ride(3.0, 0.1, 0.0)
    assert bike.ride(0.5, 0.1 + further, bike.pull(further))


def test_one_witness_alone_is_not_enough(on_line):
    bike = Pulling(on_line)
    assert not bike.ride(3.0, 0.6, 0.0)  # its sensor alone: the bike doesn't pull
    bike = Pulling(on_line)
    assert not bike.ride(3.0, 0.1, bike.pull(0.5))  # pushed along, as by the wind or a brake that fades


def test_a_throttle_that_follows_late_is_no_fault(on_line):
    """It closes from wide open as slowly as it may, the bike still pulling with it."""
    bike = Pulling(on_line, asked=1.0)
    bike.ride(1.0, 1.0, 0.0)
    bike.e["throttle"] = 0.0
    slow = 2.0 * float(bike.r.known[0]["throttle_lag"]) + 0.03
    for n in range(500):
        opened = math.exp(-n * STEP / slow)
        assert not bike.ride(STEP, opened, bike.pull(opened)), n


@pytest.mark.parametrize("slope_deg", [-6.0, 6.0])
def test_a_slope_is_no_fault(on_line, slope_deg):
    """Downhill the bike goes faster by itself, the throttle's sensor wrong by as much as that would need."""
    bike = Pulling(on_line)
    bike.e["pitch"] = -math.radians(slope_deg)
    g = float(bike.r.known[0]["gravity"])
    assert not bike.ride(3.0, 0.5, -g * math.sin(math.radians(slope_deg)))


@pytest.mark.parametrize(("field", "value"), [("clutch", 1.0), ("launch_steps", 0)])
def test_with_the_clutch_parted_nothing_sticks(on_line, field, value):
    bike = Pulling(on_line)
    bike.e[field] = value
    assert not bike.ride(2.0, 0.6, bike.pull(0.5))
