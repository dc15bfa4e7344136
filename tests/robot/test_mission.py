"""GNSS sentences as they come: in any pieces, late, without a fix, broken."""

import copy
import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from emulator.road.line import sample
from emulator.robot.mission import ReferenceRider
from emulator.vehicle.whole.mass_properties import mass_properties
from emulator.wire.nmea import burst, checksum


@pytest.fixture
def heard(rider, monkeypatch):
    """Epochs that reach the estimator: (east, north, up, speed, course, quality, age)."""
    epochs = []
    monkeypatch.setattr(rider, "_hear_gnss", lambda _rider, *epoch: epochs.append(epoch))
    return epochs


def test_an_epoch_arrives_as_it_was(rider, receiver, heard):
    rider.hear(burst(receiver.fix(120.0, -45.0, 33.0, 0.0)), 0, 0)
    rider.hear(burst(receiver.fix(123.0, -45.0, 33.0, 0.1)), 100_000_000, 100_000_000)
    assert len(heard) == 2
    # resolution: 1e-6 minutes of arc 1.9 mm, altitude 1 cm, 0.001 knots
    assert heard[1][:2] == pytest.approx((123.0, -45.0), abs=3e-3)
    assert heard[1][2] == pytest.approx(0.0, abs=6e-3)
    assert heard[1][3:6] == pytest.approx((33.0, math.pi / 2, 4), abs=3e-3)
    assert heard[1][6] == pytest.approx(rider.mission.gnss_age_s)


def test_a_late_epoch_is_known_to_be_older(rider, receiver, heard):
    for n in range(400):
        late_ms = 35 if n == 399 else 0
        now_ns = n * 100_000_000 + late_ms * 1_000_000
        rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, n * 0.1)), now_ns, now_ns)
    ages = [epoch[-1] - rider.mission.gnss_age_s for epoch in heard]
    assert ages[:-1] == pytest.approx([0.0] * 399, abs=1e-9)
    assert ages[-1] == pytest.approx(0.035, abs=1e-4)  # the mean it is taken from moved by a 300th, at most


def test_the_mean_age_is_the_receivers(rider, receiver, heard):
    """Ages that stray by chance are known once the mean is: it is what the data sheet says."""
    rng = np.random.default_rng(2)
    late = np.abs(rng.normal(0.0, 4e-3, 600))
    for n in range(600):
        now_ns = n * 100_000_000 + round(late[n] * 1e9)
        rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, n * 0.1)), now_ns, now_ns)
    ages = np.array([epoch[-1] for epoch in heard]) - rider.mission.gnss_age_s
    # half-normal of 4 ms: mean 3.19 ms, sigma 2.41 ms; of 300 the mean strays by 0.14 ms
    assert np.abs(ages[300:] - (late[300:] - 4e-3 * np.sqrt(2 / np.pi))).max() < 0.6e-3


def test_a_stalled_host_hardly_moves_the_mean(rider, receiver, heard):
    for n in range(200):
        now_ns = n * 100_000_000 + (400_000_000 if n == 100 else 0)
        rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, n * 0.1)), now_ns, now_ns)
    assert heard[101][-1] == pytest.approx(rider.mission.gnss_age_s, abs=2e-4)


def test_the_riders_clock_and_the_receivers_may_start_anywhere(rider, receiver, heard):
    for n in range(6):
        # from the fourth epoch on the receiver's time is another one
        at_s = n * 0.1 + (5000.0 if n > 2 else 0.0)
        now_ns = 7_777_000_000_000 + n * 100_000_000
        rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, at_s)), now_ns, now_ns)
    assert [epoch[-1] for epoch in heard] == pytest.approx([rider.mission.gnss_age_s] * 6)


def test_the_estimate_belongs_to_the_last_control_period(rider, receiver, heard):
    rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, 0.0)), 1_500_000, 0)
    assert heard[0][-1] == pytest.approx(rider.mission.gnss_age_s - 1.5e-3)


def test_without_a_fix_there_is_no_epoch(rider, receiver, heard):
    rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, 0.0)), 0, 0)
    rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, 0.1, quality=0)), 100_000_000, 100_000_000)
    assert len(heard) == 1


def test_an_epoch_repeated_or_from_the_past_is_not_taken(rider, receiver, heard):
    for at_s in (0.2, 0.2, 0.1):
        rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, at_s)), 300_000_000, 300_000_000)
    assert len(heard) == 1


@pytest.mark.parametrize("kind", [b"GGA", b"RMC"])
def test_half_an_epoch_is_none(rider, receiver, heard, kind):
    lines = burst(receiver.fix(0.0, 0.0, 10.0, 0.0)).splitlines(keepends=True)
    rider.hear(b"".join(line for line in lines if line[3:6] != kind), 0, 0)
    assert heard == []


def test_a_damaged_sentence_is_left_out(rider, receiver, heard):
    sentences = burst(receiver.fix(0.0, 0.0, 10.0, 0.0))
    rider.hear(sentences.replace(b"GGA,", b"GGA,9", 1), 0, 0)
    assert heard == []
    rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, 0.1)), 100_000_000, 100_000_000)
    assert len(heard) == 1


@pytest.mark.parametrize(
    ("kind", "field"), [(b"GGA", 2), (b"GGA", 4), (b"GGA", 9), (b"RMC", 1), (b"RMC", 7), (b"RMC", 9)]
)
def test_a_sentence_with_a_right_checksum_that_leaves_out_what_counts_is_no_epoch(
    rider, receiver, heard, kind, field
):
    lines = burst(receiver.fix(0.0, 0.0, 10.0, 0.0)).splitlines()
    for n, line in enumerate(lines):
        if line[3:6] == kind:
            fields = line[1:-3].split(b",")
            fields[field] = b""
            if kind == b"GGA":  # and the letter behind it
                fields[field + 1] = b""
            body = b",".join(fields)
            lines[n] = b"$%b*%02X" % (body, checksum(body))
    rider.hear(b"\r\n".join(lines) + b"\r\n", 0, 0)
    assert heard == []
    rider.hear(burst(receiver.fix(0.0, 0.0, 10.0, 0.1)), 100_000_000, 100_000_000)
    assert len(heard) == 1


def test_noise_on_the_line_does_not_pile_up(rider, receiver, heard):
    rider.hear(bytes(range(128, 256)) * 100, 0, 0)
    assert len(rider._line_buffer) <= 256
    rider.hear(b"\r\n" + burst(receiver.fix(0.0, 0.0, 10.0, 0.1)), 100_000_000, 100_000_000)
    assert len(heard) == 1


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(cuts=st.lists(st.integers(0, 700), max_size=12))
def test_the_stream_may_be_cut_anywhere(prepared, receiver, cuts):
    stream = b"".join(burst(receiver.fix(5.0 * n, 2.0 * n, 20.0, n * 0.1)) for n in range(4))

    def told_in(pieces):
        rider = copy.deepcopy(prepared)
        rider.rider.mind[0]["started"] = 1
        rider.rider.mind[0]["steps"] = 1000
        for piece in pieces:
            rider.hear(piece, 300_000_000, 300_000_000)
        return rider.rider

    places = sorted({0, len(stream), *(c for c in cuts if c < len(stream))})
    pieces = [stream[a:b] for a, b in itertools.pairwise(places)]
    assert b"".join(pieces) == stream
    whole, cut = told_in([stream]), told_in(pieces)
    assert np.array_equal(whole.mind, cut.mind)
    assert whole.mind[0]["x"] != prepared.rider.mind[0]["x"]  # it was heard at all


def test_the_rider_starts_where_the_scenario_says(prepared, told):
    e = prepared.rider.mind[0]
    x, y, heading, _, _ = sample(told.line, told.start)
    assert (e["x"], e["y"]) == (x, y)
    assert np.cos(e["heading"] - heading) == pytest.approx(1.0)
    assert e["speed"] == e["roll"] == 0.0


def test_it_knows_what_its_vehicle_is(prepared, told):
    k = prepared.rider.known[0]
    assert k["mass"] == pytest.approx(told.mass)
    assert np.all(np.diff(k["gears"][1:]) < 0)  # first is the shortest
    assert prepared.rider.design.gains.shape == (12, 12, 5)


@pytest.mark.parametrize("braking", [3.5, 5.5, 6.5, 9.0])
def test_the_rear_brake_gets_what_its_wheel_can_hold(told, prepared, braking):
    """Of the load that is left on it: moments about the front contact, on a level road, the bike rigid."""
    mission = dataclasses.replace(told, braking=braking)
    known = ReferenceRider(mission, prepared.rider.design).rider.known[0]
    built = mass_properties(told.vehicle)
    g = float(known["gravity"])
    behind = built.wheelbase * built.front_share  # mass centre ahead of the rear contact
    left = (built.wheelbase - behind) / built.wheelbase - braking * built.height / (g * built.wheelbase)
    assert known["rear_share"] == pytest.approx(min(0.25, 0.9 * left))
    assert known["most_braking"] == max(7.0, braking + 0.5)


def test_a_faster_mission_may_accelerate_more_and_a_slow_one_as_ever(told, prepared):
    for asked, may in ((2.0, 4.5), (4.0, 4.5), (6.0, 6.5)):
        mission = dataclasses.replace(told, acceleration=asked)
        assert ReferenceRider(mission, prepared.rider.design).rider.known[0]["most_acceleration"] == may
