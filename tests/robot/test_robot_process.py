"""The robot's own cycle on a stepped clock: its period, its ends, and what it does after a stall."""

import numpy as np
import pytest

from emulator.core.link_protocols import LinkCounts
from emulator.core.signals import RUNNING
from emulator.robot.process import run_robot
from emulator.robot.records import Z_FZ, Z_STATE, Z_WHEEL_FRONT
from emulator.wire.nmea import burst
from tests.support.stepped_clock import SteppedClock

PERIOD_NS = 2_000_000


class Bus:
    """Takes everything down; goes away after ``lives`` control periods."""

    def __init__(self, lives=10**9):
        self.received_at, self.sent, self.lives = [], [], lives

    def receive(self, into, now_ns):
        assert into.count[0] == 0
        self.received_at.append(now_ns)
        return 0

    def send(self, frames):
        n = int(frames.count[0])
        self.sent.append(frames.can_id[:n].tolist())
        return n

    def counts(self):
        return LinkCounts(0, 0, 0, 0, 0, alive=len(self.sent) < self.lives)

    def close(self):
        pass


class Gnss:
    def __init__(self, *pieces):
        self.pieces = list(pieces)

    def read(self):
        return self.pieces.pop(0) if self.pieces else b""


def until(periods, bus):
    return lambda: len(bus.sent) >= periods


def test_a_control_period_every_two_milliseconds(rider):
    bus, clock = Bus(), SteppedClock(5)
    assert run_robot(rider, bus, Gnss(), clock, until(50, bus)) == "asked to end"
    assert bus.received_at == [5 + PERIOD_NS * (n + 1) for n in range(50)]
    assert rider.rider.mind[0]["steps"] == 50
    steering = int(rider.rider.codec.can_id[rider.rider.frame_of[0]])
    assert all(steering in frames for frames in bus.sent)


def test_it_ends_when_the_bus_is_gone(rider):
    bus = Bus(lives=7)
    assert run_robot(rider, bus, Gnss(), SteppedClock(), lambda: False) == "the bus is gone"
    assert len(bus.sent) == 7


def test_asked_before_it_began_it_sends_nothing(rider):
    bus = Bus()
    assert run_robot(rider, bus, Gnss(), SteppedClock(), lambda: True) == "asked to end"
    assert bus.sent == []


def test_sentences_are_heard_before_the_step_they_came_in(rider, receiver):
    bus = Bus()
    sentences = burst(receiver.fix(0.0, 0.0, 0.0, 0.0))
    heard = []
    rider._hear_gnss = lambda *_: heard.append(len(bus.sent))
    run_robot(rider, bus, Gnss(b"", sentences[:50], sentences[50:]), SteppedClock(), until(5, bus))
    assert heard == [2]


def test_an_epoch_is_as_old_as_the_mean_when_it_came_between_two_looks(rider, receiver):
    bus, ages = Bus(), []
    sentences = burst(receiver.fix(0.0, 0.0, 0.0, 0.0))
    rider._hear_gnss = lambda *epoch: ages.append(epoch[-1])
    run_robot(rider, bus, Gnss(b"", b"", sentences), SteppedClock(), until(5, bus))
    # half a period before this look, and a period after the step the estimate belongs to
    assert ages == [pytest.approx(rider.mission.gnss_age_s - 0.5e-9 * PERIOD_NS)]


def stalled(rider, stall_ns):
    """Times of receiving around a stall in the tenth period."""
    bus, clock = Bus(), SteppedClock()

    class Stall(Gnss):
        def read(self):
            if len(bus.sent) == 9:
                clock.advance(stall_ns)
            return b""

    run_robot(rider, bus, Stall(), clock, until(40, bus))
    return np.diff(bus.received_at)


def test_a_short_stall_is_made_up_for(rider):
    gaps = stalled(rider, 5 * PERIOD_NS)
    assert gaps.max() == 5 * PERIOD_NS
    assert gaps.sum() == 39 * PERIOD_NS  # back on the old grid


def test_after_a_long_stall_it_does_not_send_a_burst(rider):
    gaps = stalled(rider, 500 * PERIOD_NS)
    assert gaps.max() == 500 * PERIOD_NS
    assert (gaps == 0).sum() <= 1
    assert gaps[-1] == PERIOD_NS


@pytest.mark.parametrize("stall", [0, 3, 10, 20, 200])
def test_a_rider_that_was_held_up_knows_how_far_it_has_come(rider, stall):
    e = rider.rider.mind[0]
    e["started"], e["velocity"][:] = 1, (40.0, 30.0, 0.0)
    rider.rider.seen[Z_STATE] = RUNNING
    rider.rider.seen[Z_FZ] = e["force"][2]
    rider.rider.known[0]["imu_axes"] = np.eye(3).ravel()
    e["attitude"] = np.eye(3).ravel()
    from_x, from_y = e["position"][:2].tolist()
    bus, clock = Bus(), SteppedClock()

    class Stall(Gnss):
        def read(self):
            if len(bus.sent) == 4:
                clock.advance(stall * PERIOD_NS)
            return b""

    run_robot(rider, bus, Stall(), clock, lambda: clock.now_ns() >= (20 + stall) * PERIOD_NS)
    gone = 2e-3 * (20 + stall)
    assert e["position"][:2].tolist() == pytest.approx([from_x + 40.0 * gone, from_y + 30.0 * gone], abs=1e-6)


def test_frames_of_a_long_stall_are_heard_as_new_ones(rider, voice):
    rider.rider.mind[0]["started"] = 1
    rider.rider.seen[Z_STATE] = RUNNING
    voice.values["wheel_front_m_s"] = 12.5
    rider.miss(voice.say("wheel_speed"), 70)
    assert voice.rx.count[0] == 0
    assert rider.rider.seen[Z_WHEEL_FRONT] == pytest.approx(12.5, abs=0.01)
    assert rider.rider.received[Z_WHEEL_FRONT] == rider.rider.mind[0]["steps"] == 70


def test_what_is_made_up_for_makes_no_epoch_younger(rider, receiver):
    bus, clock, ages = Bus(), SteppedClock(), []

    class Held(Gnss):
        """Ten periods are lost; an epoch comes while they are made up for."""

        def read(self):
            periods = len(bus.sent)
            if periods == 9:
                clock.advance(10 * PERIOD_NS)
            if periods not in (4, 12):
                return b""
            at = clock.now_ns() * 1e-9 if periods == 12 else 5 * PERIOD_NS * 1e-9
            return burst(receiver.fix(0.0, 0.0, 0.0, round(at, 3)))

    rider._hear_gnss = lambda *epoch: ages.append(epoch[-1])
    run_robot(rider, bus, Held(), clock, until(30, bus))
    # the thirteenth period was due seven before it came
    usual = rider.mission.gnss_age_s - 0.5e-9 * PERIOD_NS
    assert ages == [pytest.approx(usual), pytest.approx(usual - 7e-9 * PERIOD_NS)]
