"""What only the kernel's CAN has: CAN FD, its drop count, error frames, interfaces that go down.

Not collected by an ordinary run; tests/links/test_socketcan.py runs it in a guest (or, on a host with CAN,
as root: ``pytest tests/links/kernel_can_cases.py`` with vcan0, vxcan0 and vxcan1 up, all with mtu 72).
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import socket
import struct
import tty
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any, ClassVar

import numpy as np
import pytest
from can.interfaces.socketcan.socketcan import build_can_frame, capture_message

from emulator.assembly.link_specs import can_spec
from emulator.assembly.session import Session, load_session, mission
from emulator.config.rig.outputs import COMMAND_FRAMES
from emulator.core.errors import DeviceAbsent, StartFailed
from emulator.core.frame_buffer import frame_buffer
from emulator.core.keeping.machine import machine
from emulator.core.link_protocols import CanLink, LinkCounts
from emulator.core.signals import INDEX, STANDBY, TICK_NS, TRIPPED
from emulator.links.can_bus import CanBusSpec, open_can
from emulator.links.python_can import can
from emulator.loop.bus_watch import TEXTS, BusFault, BusRules
from emulator.loop.contract import Outcome
from emulator.robot.mission import ReferenceRider
from emulator.shared_memory.rings import TX
from emulator.shared_memory.status import LoopEvent
from emulator.wire.can_frames import Codec
from tests.support.cycled import CycledRide
from tests.support.link_ends import EXTENDED, Frame, content, fill, outgoing, receive, wait_until
from tests.support.scripted_robot import HELD_CLUTCH, RIG, RUN, demo_session, variant


def ip_link(arguments: str) -> None:
    assert os.system(f"ip link {arguments}") == 0


def test_what_the_host_worked_out_is_found_here() -> None:
    """Kept numbers go by the processor's name, and the guest's kernel has one of its own for it."""
    assert machine() == os.environ.get("EMULATOR_TEST_MACHINE", machine())


@pytest.fixture
def fd_pair() -> Iterator[tuple[CanLink, Any]]:
    link = open_can(CanBusSpec("socketcan", "vxcan0", fd=True, data_bitrate=2_000_000))
    bus = can.Bus(interface="socketcan", channel="vxcan1", fd=True)
    yield link, bus
    link.close()
    bus.shutdown()


class TestCanFd:
    def test_long_payloads_go_out_as_fd_frames(self, fd_pair: tuple[CanLink, Any]) -> None:
        link, bus = fd_pair
        frames: list[Frame] = [
            (0x123, bytes(range(8))),
            (0x124, bytes(range(12))),
            (EXTENDED | 0x1ABCDEF0, bytes(range(64))),
            (0x125, bytes(range(1, 10))),  # nine bytes do not exist: twelve, zeros behind
        ]
        assert link.send(outgoing(frames)) == 4
        got = [bus.recv(10) for _ in frames]
        assert [m.is_fd for m in got] == [False, True, True, True]
        assert [m.bitrate_switch for m in got] == [False, True, True, True]
        assert [m.is_extended_id for m in got] == [False, False, True, False]
        assert [m.arbitration_id for m in got] == [0x123, 0x124, 0x1ABCDEF0, 0x125]
        assert [bytes(m.data) for m in got] == [f[1] for f in frames[:3]] + [frames[3][1] + bytes(3)]

    def test_what_comes_in_both_formats(self, fd_pair: tuple[CanLink, Any]) -> None:
        link, bus = fd_pair
        bus.send(can.Message(arbitration_id=0x10, is_extended_id=False, data=b"\x01"))
        bus.send(can.Message(arbitration_id=0x11, is_extended_id=False, is_fd=True, data=bytes(range(48))))
        bus.send(can.Message(arbitration_id=0x12, is_extended_id=True, is_fd=True, data=b"\x02\x03"))
        assert receive(link, 3) == [
            (0x10, b"\x01"),
            (0x11, bytes(range(48))),
            (EXTENDED | 0x12, b"\x02\x03"),
        ]

    def test_remote_frames_are_passed_over(self, fd_pair: tuple[CanLink, Any]) -> None:
        link, bus = fd_pair
        bus.send(can.Message(arbitration_id=0x10, is_extended_id=False, is_remote_frame=True, dlc=4))
        bus.send(can.Message(arbitration_id=0x11, is_extended_id=False, data=b"\x01"))
        assert receive(link, 1) == [(0x11, b"\x01")]


class TestCounts:
    def test_error_frames(self) -> None:
        link = open_can(CanBusSpec("socketcan", "vcan0"))
        bus = can.Bus(interface="socketcan", channel="vcan0")
        bus_off = struct.pack("=IB3x8s", 0x20000000 | 0x40, 8, b"")  # CAN_ERR_FLAG | CAN_ERR_BUSOFF
        bus.socket.send(bus_off)
        bus.send(can.Message(arbitration_id=0x11, is_extended_id=False, data=b"\x01"))
        assert receive(link, 1) == [(0x11, b"\x01")]
        assert link.counts().bus_errors == 1
        assert link.counts().received == 1
        link.close()
        bus.shutdown()

    def test_frames_the_kernel_dropped(self) -> None:
        """A receive queue that overflows between two ticks is known to the frame."""
        link = open_can(CanBusSpec("socketcan", "vcan0", receive_buffer=4096))
        bus = can.Bus(interface="socketcan", channel="vcan0")
        message = can.Message(arbitration_id=0x11, is_extended_id=False, data=bytes(8))
        for _ in range(200):
            bus.send(message, timeout=10)
        into = frame_buffer(512)
        link.receive(into, 0)
        bus.send(message, timeout=10)  # the kernel tells its drop count with the next frame it queues
        wait_until(lambda: link.receive(into, 0), "the frame behind the burst")
        counts = link.counts()
        assert counts.receive_lost > 0
        assert counts.received + counts.receive_lost == 201
        link.close()
        bus.shutdown()

    def test_the_asked_receive_buffer_holds_a_burst(self) -> None:
        link = open_can(CanBusSpec("socketcan", "vcan0"))
        bus = can.Bus(interface="socketcan", channel="vcan0")
        for number in range(900):  # the ordinary buffer holds about 280
            bus.send(can.Message(arbitration_id=0x11, is_extended_id=False, data=[number & 255]), timeout=10)
        into = frame_buffer(1024)
        wait_until(lambda: link.receive(into, 0) * 0 + int(into.count[0]) >= 900, "the whole burst")
        assert [data[0] for _, data in content(into)] == [number & 255 for number in range(900)]
        assert link.counts().receive_lost == 0
        link.close()
        bus.shutdown()

    def test_an_interface_that_is_down_loses_frames_and_comes_back(self) -> None:
        link = open_can(CanBusSpec("socketcan", "vcan1"))
        into = frame_buffer(4)
        ip_link("set vcan1 down")
        try:
            assert link.receive(into, 0) == 0
            assert link.send(outgoing([(0x10, b"\x01")])) == 0
            assert link.counts().send_lost == 1
            assert link.counts().alive
        finally:
            ip_link("set vcan1 up")
        wait_until(lambda: link.receive(into, 0) or link.send(outgoing([(0x10, b"\x01")])), "sending again")
        link.close()


class SlcanInterface:
    """A CAN interface of the kernel's own driver for serial adapters, with the adapter in the test's hands.

    The one driver in the guest that has a controller: a transmit queue of ten frames that fills, a state that
    goes to bus-off and back, and hardware that can be pulled out. The adapter's side: ``put``, ``got``.
    Source of the texts: Linux kernel, drivers/net/can/slcan (a state is s, a letter, two error counters).
    """

    name = "can0"

    def __init__(self) -> None:
        assert os.system("modprobe -a can-dev slcan") == 0
        self.far, self._near = os.openpty()
        tty.setraw(self._near)
        fcntl.ioctl(self._near, 0x5423, struct.pack("i", 17))  # TIOCSETD, N_SLCAN
        os.set_blocking(self.far, False)
        ip_link(f"set {self.name} up")

    def put(self, text: bytes) -> None:
        os.write(self.far, text + b"\r")

    def got(self) -> bytes:
        try:
            return os.read(self.far, 65536)
        except BlockingIOError:
            return b""

    def unplug(self) -> None:
        for descriptor in (self.far, self._near):
            if descriptor >= 0:
                os.close(descriptor)
        self.far = self._near = -1


@pytest.fixture
def slcan() -> Iterator[SlcanInterface]:
    interface = SlcanInterface()
    yield interface
    interface.unplug()
    wait_until(lambda: not os.path.exists(f"/sys/class/net/{interface.name}"), "the interface to go")


ONE: Frame = (0x120, b"\x01")


def read_until(link: CanLink, condition: Callable[[LinkCounts], object], what: str) -> list[Frame]:
    into = frame_buffer(64)
    wait_until(lambda: (link.receive(into, 0), condition(link.counts()))[1], what)
    return content(into)


class TestControllerAndQueue:
    def test_bus_off_and_back(self, slcan: SlcanInterface) -> None:
        link = open_can(CanBusSpec("socketcan", slcan.name))
        slcan.put(b"sp130000")  # error passive: an error frame, and no more
        read_until(link, lambda counts: counts.bus_errors == 1, "the controller to be error passive")
        assert link.send(outgoing([ONE])) == 1
        slcan.put(b"sb000248")
        read_until(link, lambda counts: counts.bus_off, "the controller to be off the bus")
        before = slcan.got()
        assert link.send(outgoing([ONE, ONE])) == 0
        counts = link.counts()
        assert (counts.bus_offs, counts.send_lost, counts.send_full, counts.alive) == (1, 2, 0, True)
        slcan.put(b"sa000000")
        read_until(link, lambda counts: not counts.bus_off, "the controller to be back")
        assert link.send(outgoing([(0x7AB, b"\x05")])) == 1
        text = bytearray()
        wait_until(lambda: (text.extend(slcan.got()), b"t7AB105" in text)[1], "a frame on the bus again")
        # what was said off the bus does not come out of some queue later
        assert (before + text).count(b"t120101") == 1
        link.close()

    def test_a_bus_off_that_only_the_interface_ends(self, slcan: SlcanInterface) -> None:
        link = open_can(CanBusSpec("socketcan", slcan.name))
        slcan.put(b"sb000248")
        read_until(link, lambda counts: counts.bus_off, "the controller to be off the bus")
        ip_link(f"set {slcan.name} down")
        read_until(link, lambda counts: counts.down and not counts.bus_off, "the interface to be down")
        ip_link(f"set {slcan.name} up")
        wait_until(lambda: link.send(outgoing([ONE])), "sending again")
        assert not link.counts().down
        slcan.put(b"t1231AA")
        assert read_until(link, lambda counts: counts.received, "a frame") == [(0x123, b"\xaa")]
        link.close()

    def test_a_full_transmit_queue_is_told_and_what_was_taken_comes_out(self, slcan: SlcanInterface) -> None:
        """Nobody takes what the driver writes: its queue of ten fills."""
        link = open_can(CanBusSpec("socketcan", slcan.name))
        slcan.got()
        taken = link.send(outgoing([(0x100 + i, bytes([i])) for i in range(64)]))
        counts = link.counts()
        assert 0 < taken < 20
        assert (counts.sent, counts.send_lost, counts.send_full) == (taken, 64 - taken, 64 - taken)
        text = bytearray()
        wait_until(lambda: (text.extend(slcan.got()), text.count(b"\r") >= taken)[1], "the frames it took")
        ids = [int(line[1:4], 16) for line in bytes(text).split(b"\r") if line[:1] == b"t"]
        assert ids == [0x100 + i for i in range(taken)]
        wait_until(lambda: link.send(outgoing([ONE])), "room again")
        link.close()

    def test_an_adapter_that_is_pulled_out(self, slcan: SlcanInterface) -> None:
        link = open_can(CanBusSpec("socketcan", slcan.name))
        assert link.send(outgoing([ONE])) == 1
        slcan.unplug()
        read_until(link, lambda counts: not counts.alive, "the link to be dead")
        assert link.send(outgoing([ONE])) == 0
        link.close()


def joined(**options: Any) -> Any:
    """python-can's bus on vcan1 for :func:`heard`, which waits 10 s at most."""
    bus = can.Bus(interface="socketcan", channel="vcan1", fd=True, **options)
    bus.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("ll", 10, 0))
    return bus


def heard(bus: Any) -> Any:
    """The next message, read by python-can without its own wait: one call of the kernel, dear here, of three.

    Raises CanOperationError where none comes in time, and once where the interface was down.
    """
    return capture_message(bus.socket)


class Witness:
    """A socket that was on the bus before the link: what it has got of the robot's frames, the link has got.

    The kernel may leave delivery to a thread of its own (on a host that stalls it does), while the stepped
    clock runs on by dozens of ticks. Whoever sends waits here, so that a frame is in the tick it was sent in.
    Who asks for single identifiers gets a frame behind those that take all (net/can/af_can.c, from memory).
    """

    def __init__(self, codec: Codec) -> None:
        robots = [int(codec.table.can_id[codec.frame(name)]) for name in COMMAND_FRAMES]
        self.bus = joined(
            can_filters=[{"can_id": number, "can_mask": 0x7FF, "extended": False} for number in robots]
        )

    def wait_for(self, can_ids: list[int]) -> None:
        """Until each of them has come once more, in this order."""
        for can_id in can_ids:
            while True:
                try:
                    message = heard(self.bus)
                except can.CanOperationError as error:
                    if error.error_code != errno.ENETDOWN:  # that the interface was down is told once
                        raise AssertionError(f"0x{can_id:03X} was sent and did not come") from error
                    continue
                if message.arbitration_id == can_id and not message.is_error_frame:
                    break


class Peer:
    """Who is on the bus beside the bench; made before its link, to be heard in the tick it speaks in."""

    def __init__(self, session: Session) -> None:
        self._witness = Witness(session.codec)
        self._bus = joined()
        self._fd = {int(i): fd for i, fd in zip(session.codec.table.can_id, session.codec.fd, strict=True)}
        self._heard = self.said = 0

    def say(self, frames: list[Frame]) -> None:
        for can_id, payload in frames:
            fd = self._fd[can_id]
            message = can.Message(arbitration_id=can_id, is_extended_id=False, data=payload, is_fd=fd)
            self._bus.socket.send(build_can_frame(message))
        self._witness.wait_for([can_id for can_id, _ in frames])
        self.said += len(frames)

    def hear(self, sent: int) -> list[Frame]:
        """What is new, until it has heard all that was sent so far."""
        new: list[Frame] = []
        while self._heard < sent:
            message = heard(self._bus)
            assert message.is_fd == message.bitrate_switch == self._fd[message.arbitration_id]
            new.append((message.arbitration_id, bytes(message.data)))
            self._heard += 1
        return new

    def close(self) -> None:
        self._bus.shutdown()
        self._witness.bus.shutdown()


def soon_at_rest(session: Session) -> Session:
    """The session with a short way to rest: a second of ticks takes one of computing here, and more."""
    limits = session.rig.limits.model_copy(update={"ramp_to_rest_s": 0.2})
    return variant(session, rig={"limits": limits})


class TestBench:
    """The real cycle and plant on the kernel's bus, on the stepped clock: the guest keeps ticks, not time."""

    FROM, UNTIL = 1200, 1300

    def ridden(self, fault: str, answer: str) -> tuple[CanLink, Outcome, dict[str, Any]]:
        session = soon_at_rest(demo_session())
        witness = Witness(session.codec)
        link = open_can(CanBusSpec("socketcan", "vcan1"))
        bus = can.Bus(interface="socketcan", channel="vcan1")
        disturbed = False

        def put(frames: list[Frame]) -> None:
            sent: list[int] = []
            with contextlib.suppress(can.CanError):  # down: the robot's own frames are lost, too
                for can_id, payload in frames:
                    bus.send(can.Message(arbitration_id=can_id, is_extended_id=False, data=payload))
                    sent.append(can_id)
            if not disturbed:
                witness.wait_for(sent)

        def before(cycle: int) -> None:
            nonlocal disturbed
            disturbed = self.FROM <= cycle < self.UNTIL
            if fault == "interface_down" and cycle in (self.FROM, self.UNTIL):
                ip_link(f"set vcan1 {'down' if cycle == self.FROM else 'up'}")
            elif fault == "error_frames" and self.FROM <= cycle < self.UNTIL:
                bus.socket.send(struct.pack("=IB3x8s", 0x20000000 | 0x88, 8, bytes(8)))
            elif fault == "transmit_full" and cycle == self.FROM:
                assert os.system("modprobe sch_netem") == 0
                assert os.system("tc qdisc replace dev vcan1 root netem delay 10s limit 3") == 0
            elif fault == "transmit_full" and cycle == self.UNTIL:
                assert os.system("tc qdisc del dev vcan1 root") == 0

        rules = BusRules({**BusRules().answers, BusFault[fault.upper()]: answer})
        ride = CycledRide(session, link, put, before)
        try:
            outcome, published = ride.run(self.UNTIL + 300, rules)
        finally:
            link.close()
            bus.shutdown()
            witness.bus.shutdown()
            os.system("ip link set vcan1 up")
        return link, outcome, published

    @pytest.mark.parametrize("answer", ["trip", "mark"])
    @pytest.mark.parametrize("fault", ["interface_down", "error_frames", "transmit_full"])
    def test_each_fault_ends_as_the_rig_says_and_nothing_is_lost_from_the_record(
        self, fault: str, answer: str
    ) -> None:
        link, outcome, published = self.ridden(fault, answer)
        tick = self.FROM - CycledRide.START
        kind = BusFault[fault.upper()]
        told = [e.tick for e in published["events"] if e.code == LoopEvent.BUS_FAULT and e.index == kind]
        assert len(told) == 1
        assert tick <= told[0] <= tick + 20
        assert [p for p in outcome.problems if p.startswith(TEXTS[kind])] == outcome.problems[:1]
        if answer == "trip":
            assert (outcome.final_state, outcome.trip_tick) == (TRIPPED, told[0] + 1)
        else:
            assert (outcome.final_state, outcome.trip_tick) == (STANDBY, None)
        assert outcome.at_rest
        signals, frames = published["signals"], published["frames"]
        riding = signals.tick[signals.tick >= 0]
        assert riding.tolist() == list(range(riding[-1] + 1))
        sent = frames.tick[frames.direction == TX]
        assert len(sent) == link.counts().sent
        if fault != "error_frames":
            assert not ((sent >= tick + 3) & (sent < tick + 100)).any()
            assert link.counts().send_lost > 150
        assert sent[-1] > self.UNTIL - CycledRide.START  # and goes on


class TestEndToEnd:
    """A peer on the kernel's bus steps the steering, and sees what came of it in the frames it receives."""

    STEP = 1300  # cycle in whose frames the step is
    CLOSELY = 20  # cycles before it from which on the robot speaks in each
    LATENCY_MS: ClassVar = {"imu_rates": 2.0, "imu_force": 7.0, "steering_angle": 12.0}
    EVERY = 2  # ticks between two samples of each of them

    def heard(self, session: Session, torque_Nm: float, step: int) -> dict[int, list[tuple[int, bytes]]]:
        """By identifier: the cycle each frame was sent in, by when the peer had it, and its payload."""
        peer = Peer(session)
        link = open_can(replace(can_spec(session.rig, session.codec, 0), kind="socketcan", channel="vcan1"))
        seen: dict[int, list[tuple[int, bytes]]] = {}

        def before(cycle: int) -> None:  # called behind the peer's frames of this cycle
            for can_id, payload in peer.hear(link.counts().sent):
                seen.setdefault(can_id, []).append((cycle - 1, payload))
            if cycle == self.STEP - self.CLOSELY:
                ride.every = 1
            if cycle == step - 1:
                steering = {"steering_torque_Nm": torque_Nm, "steering_angle_rad": 0.0}
                ride.commands = {**HELD_CLUTCH, "steering": steering}

        ride = CycledRide(session, link, peer.say, before)
        try:
            ride.run(self.STEP + 60)
        finally:
            link.close()
            peer.close()
        return seen

    @pytest.mark.parametrize("rig", ["loopback", "can_fd"], ids=["classical", "fd"])
    def test_a_step_of_the_steering_is_seen_at_the_configured_latency(self, rig: str) -> None:
        session = soon_at_rest(demo_session(RIG.parent / f"{rig}.yaml"))
        quick = session.rig.actuators.steering.model_copy(  # or the first tick is below a sensor's step
            update={"time_constant_ms": 0.1, "rate_limit_Nm_s": 1e6}
        )
        session = variant(
            session,
            rig={"actuators": session.rig.actuators.model_copy(update={"steering": quick})},
            outputs={name: {"latency_ms": ms} for name, ms in self.LATENCY_MS.items()},
        )
        quiet = self.heard(session, 0.0, self.STEP)
        for step in (self.STEP, self.STEP + 1):
            stepped = self.heard(session, 200.0, step)
            for name, latency_ms in self.LATENCY_MS.items():
                can_id = int(session.codec.table.can_id[session.codec.frame(name)])
                pairs = list(zip(quiet[can_id], stepped[can_id], strict=True))
                assert len(pairs[0][0][1]) == int(session.codec.table.length[session.codec.frame(name)])
                assert all(a[0] == b[0] for a, b in pairs)
                # without CRC and counter
                first = next(b[0] for a, b in pairs if a[1][2:] != b[1][2:])
                answers = step + (name != "imu_force")  # force at once, rates and angle a tick later
                assert first == -(-answers // self.EVERY) * self.EVERY + latency_ms, name


class TestOpening:
    def test_an_interface_that_is_down(self) -> None:
        ip_link("set vcan1 down")
        try:
            with pytest.raises(DeviceAbsent, match="CAN interface vcan1: the interface is down") as error:
                open_can(CanBusSpec("socketcan", "vcan1"))
            assert "ip link set vcan1 up" in error.value.advice
        finally:
            ip_link("set vcan1 up")

    def test_an_interface_without_can_fd(self) -> None:
        ip_link("add vcan7 mtu 16 type vcan")
        ip_link("set vcan7 up")
        try:
            with pytest.raises(StartFailed, match="classical frames only"):
                open_can(CanBusSpec("socketcan", "vcan7", fd=True))
            open_can(CanBusSpec("socketcan", "vcan7")).close()
        finally:
            ip_link("del vcan7")

    def test_no_such_interface(self) -> None:
        with pytest.raises(DeviceAbsent, match="CAN interface vcan8: no such interface"):
            open_can(CanBusSpec("socketcan", "vcan8"))


class TestFreeRide:
    """The reference robot on the kernel's bus, in ticks: a control period every two, however slow a tick."""

    UNTIL = 5500

    def test_the_bike_rides_on_after_the_release(self) -> None:
        session = soon_at_rest(load_session(RIG.parent / "can_fd.yaml", RUN))
        peer = Peer(session)
        link = open_can(replace(can_spec(session.rig, session.codec, 0), kind="socketcan", channel="vcan1"))
        rider = ReferenceRider(mission(session))
        rx, tx = frame_buffer(256), frame_buffer(16)
        bursts = 0

        def nobody(_frames: list[Frame]) -> None:
            raise AssertionError("the scripted robot is not on this bus")

        def before(cycle: int) -> None:
            nonlocal bursts
            if cycle % 2:
                return
            fill(rx, peer.hear(link.counts().sent))
            now_ns = cycle * TICK_NS
            for burst in ride.gnss.bursts[bursts:]:
                rider.hear(burst, now_ns - TICK_NS, now_ns - 2 * TICK_NS)
            bursts = len(ride.gnss.bursts)
            rider.step(rx, tx)
            peer.say(content(tx))

        ride = CycledRide(session, link, nobody, before)
        ride.every = 0
        try:
            outcome, published = ride.run(self.UNTIL)
        finally:
            link.close()
            peer.close()
        assert (outcome.trip_tick, outcome.problems, outcome.at_rest) == (None, [], True)
        assert link.counts().received == peer.said > 4000
        assert link.counts().send_lost == 0
        signals = published["signals"]
        riding = signals.rows[(signals.tick > 0) & (signals.tick < self.UNTIL - CycledRide.START)]
        free = riding[riding[:, INDEX["truth.support"]] == 0.0]
        assert len(free) > 1500
        assert free[:, INDEX["truth.fallen"]].max() == 0.0
        assert np.abs(free[:, INDEX["line.offset_m"]]).max() < 0.5
        assert free[:, INDEX["truth.speed_m_s"]].min() > 10.0 / 3.6
        assert free[-1, INDEX["truth.speed_m_s"]] > 20.0 / 3.6
