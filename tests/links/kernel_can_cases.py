"""What only the kernel's CAN has: CAN FD, its drop count, error frames, interfaces that go down.

Not collected by an ordinary run; tests/links/test_socketcan.py runs it in a guest (or, on a host with CAN,
as root: ``pytest tests/links/kernel_can_cases.py`` with vcan0, vxcan0 and vxcan1 up, all with mtu 72).
"""

from __future__ import annotations

import os
import struct
from collections.abc import Iterator
from typing import Any

import can
import pytest
from link_ends import EXTENDED, Frame, content, outgoing, receive, wait_until

from emulator.errors import DeviceAbsent, StartFailed
from emulator.links.can_bus import CanBusSpec, open_can
from emulator.ports import CanLink, frame_buffer


def ip_link(arguments: str) -> None:
    assert os.system(f"ip link {arguments}") == 0


@pytest.fixture
def fd_pair() -> Iterator[tuple[CanLink, Any]]:
    link = open_can(CanBusSpec("socketcan", "vxcan0", fd=True))
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
