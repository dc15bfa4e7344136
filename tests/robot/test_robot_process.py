"""The robot's own cycle on a stepped clock: its period, its ends, and what it does after a stall."""

import numpy as np
import pytest

from emulator.core.link_protocols import LinkCounts
from emulator.robot.process import run_robot
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
