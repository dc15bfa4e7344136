"""Faults of the bus with the whole bench behind them: the real cycle and plant, from error frame to rest.

The kernel's link runs on a scripted socket, the serial one on a pseudo terminal; the same on a real kernel is
in tests/links/kernel_can_cases.py.
"""

from __future__ import annotations

import errno
from typing import Any

import pytest

from emulator.assembly.link_specs import bus_rules
from emulator.assembly.session import Session
from emulator.core.signals import INDEX, STANDBY, TRIPPED
from emulator.core.trip_reasons import TripReason
from emulator.links.can_bus import open_can
from emulator.links.can_bus_spec import CanBusSpec
from emulator.links.can_kernel import KernelLink
from emulator.loop.bus_watch import TEXTS, BusFault, BusRules
from emulator.loop.contract import Outcome
from emulator.shared_memory.rings import TX
from emulator.shared_memory.status import LoopEvent, Status
from tests.support.cycled import CycledRide
from tests.support.link_ends import ScriptedSocket, SerialAdapter, data_frame, error_frame
from tests.support.scripted_robot import variant

FROM, UNTIL = 1500, 1600
"""Cycles of the fault; half a second into the ride."""


class KernelRide:
    """A ride on the kernel's link whose socket does what a test says."""

    def __init__(self, session: Session, fault: str) -> None:
        self.far, self._fault = ScriptedSocket(), fault
        sock: Any = self.far
        self.link = KernelLink(sock, lambda: None, fd=False, switch_bitrate=False, receive_buffer=4096)
        self.ride = CycledRide(session, self.link, self.put, self.before)
        self.own = int(session.codec.table.can_id[session.codec.frame("lean")])

    def put(self, frames: list[tuple[int, bytes]]) -> None:
        # a node that is off the bus, or whose interface is down, hears nothing
        if not (self.link.counts().bus_off or self.link.counts().down):
            self.far.incoming += [data_frame(*frame) for frame in frames]

    def before(self, cycle: int) -> None:
        far, begins, on = self.far, cycle == FROM, FROM <= cycle < UNTIL
        if self._fault == "bus_off" and begins:
            far.incoming.append(error_frame(0x40))
        elif self._fault == "bus_off" and cycle == UNTIL:
            far.incoming.append(error_frame(0x100))
        elif self._fault == "interface_down":
            far.refusal = OSError(errno.ENETDOWN, "down") if on else None
            if begins:
                far.incoming.append(OSError(errno.ENETDOWN, "down"))
        elif self._fault == "transmit_full":
            far.refusal = OSError(errno.ENOBUFS, "full") if on else None
        elif self._fault == "error_frames" and on:
            far.incoming.append(error_frame(0x88))
        elif self._fault == "own_identifier" and begins:
            far.incoming.append(data_frame(self.own, bytes(8)))
        elif self._fault == "flood" and on:
            far.incoming += [data_frame(0x001, bytes(8))] * 200
        elif self._fault == "receive_lost" and begins:
            far.incoming.append(b"neither of the two lengths")


FAULTS = tuple(fault.name.lower() for fault in BusFault)


def ridden(session: Session, fault: str, answer: str) -> tuple[KernelRide, Outcome, dict[str, Any]]:
    faults = session.rig.bus_faults.model_copy(update={fault: answer})
    with_rule = variant(session, rig={"bus_faults": faults})
    ride = KernelRide(with_rule, fault)
    outcome, published = ride.ride.run(2000, bus_rules(with_rule.rig))
    return ride, outcome, published


@pytest.mark.parametrize("answer", ["trip", "mark"])
@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_ends_as_the_rig_says_and_nothing_is_lost_from_the_record(
    session: Session, fault: str, answer: str
) -> None:
    ride, outcome, published = ridden(session, fault, answer)
    kind = BusFault[fault.upper()]
    tick = FROM - CycledRide.START

    told = [e for e in published["events"] if e.code == LoopEvent.BUS_FAULT and e.index == kind]
    assert len(told) == 1
    assert told[0].text == TEXTS[kind]
    # seen within eight ticks; a rate is known only after some of it has come
    assert tick <= told[0].tick <= tick + (60 if fault in ("flood", "error_frames") else 8)
    assert len(outcome.problems) == 1
    assert outcome.problems[0].startswith(TEXTS[kind])
    assert outcome.bus[fault]["answer"] == answer
    assert outcome.bus[fault]["first_tick"] == told[0].tick
    assert [f for f in FAULTS if outcome.bus[f]["episodes"] and f != fault] == []

    ended = ride.ride.bench.outcome()
    if answer == "trip":
        assert (ended["ended"], ended["trip_code"]) == ("tripped", TripReason.BUS)
        assert ended["trip_reason"] == "bus lost"
        assert (outcome.final_state, outcome.trip_tick) == (TRIPPED, told[0].tick + 1)
    else:
        assert (ended["ended"], ended["trip_code"], ended["trip_reason"]) == ("stopped", 0, "")
        assert (outcome.final_state, outcome.trip_tick) == (STANDBY, None)
        assert [e.index for e in published["events"] if e.code == LoopEvent.BUS_FAULT_OVER] == [kind]
        assert published["status"][Status.BUS_FAULTS] == 0
    assert outcome.at_rest

    # every tick of the ride is there, and every frame the socket took, no other
    signals, frames = published["signals"], published["frames"]
    riding = signals.tick[signals.tick >= 0]
    assert riding.tolist() == list(range(riding[-1] + 1))
    assert int((frames.direction == TX).sum()) == len(ride.far.sent)
    assert signals.rows[-1, INDEX["output.wheel_front_m_s"]] == 0.0
    # sending goes on after the fault
    assert frames.tick[frames.direction == TX][-1] > UNTIL - CycledRide.START


def test_a_full_queue_counts_as_lost_in_the_certificate(session: Session) -> None:
    ride, outcome, published = ridden(session, "transmit_full", "mark")
    lost = sum(output["lost"] for output in ride.ride.timing.certificate()["outputs"].values())
    # at 100 Hz and more every output sends within the hundred ticks of it
    assert lost == outcome.bus["transmit_full"]["count"] == published["status"][Status.SEND_FULL] > 150


def test_off_the_bus_exactly_what_would_have_been_said_is_lost_and_not_in_the_record(
    session: Session,
) -> None:
    sent = {}
    for fault in ("bus_off", "own_identifier"):  # the second one takes no frame away
        ride, _, published = ridden(session, fault, "mark")
        frames = published["frames"]
        cycle = frames.tick[frames.direction == TX] + CycledRide.START
        sent[fault] = int(((cycle >= FROM) & (cycle < UNTIL)).sum())
        if fault == "bus_off":
            assert published["status"][Status.BUS_OFFS] == 1
            lost = ride.link.counts().send_lost
    assert sent["bus_off"] == 0
    assert lost == sent["own_identifier"] > 150


def test_a_serial_adapter_that_is_unplugged_trips_the_rig(session: Session) -> None:
    adapter = SerialAdapter()
    link = open_can(CanBusSpec("serial", adapter.path, settle_s=0.0))
    adapter.host_is_open()

    def put(frames: list[tuple[int, bytes]]) -> None:
        if adapter.far >= 0:
            for frame in frames:
                adapter.put(*frame)

    def before(cycle: int) -> None:
        if cycle == FROM:
            adapter.close()
        elif adapter.far >= 0:
            adapter.serve()

    ride = CycledRide(session, link, put, before)
    try:
        outcome, published = ride.run(2000)
    finally:
        link.close()
        adapter.close()
    tick = FROM - CycledRide.START
    assert tick < (outcome.trip_tick or 0) <= tick + 10
    ended = ride.bench.outcome()
    assert (ended["ended"], ended["trip_code"]) == ("tripped", TripReason.BUS)
    assert ended["trip_reason"] == "bus lost"
    assert outcome.problems == ["the CAN link is gone"]
    assert [e.text for e in published["events"] if e.code == LoopEvent.LINK_DEAD] == ["the CAN link is gone"]
    assert outcome.at_rest
    ticks = published["signals"].tick
    assert ticks[ticks >= 0].tolist() == list(range(ticks[-1] + 1))


def test_what_the_rig_file_says_nothing_about_is_answered_as_the_loop_does_by_itself(
    session: Session,
) -> None:
    assert bus_rules(session.rig) == BusRules()
