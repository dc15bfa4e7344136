"""One contract for every CAN link, each against a far end that is not our code.

loopback: python-can's own client on the same virtual bus. serial: a scripted SLCAN adapter on a pty.
socketcan: python-can's bus on the kernel's CAN, when EMULATOR_KERNEL_CAN names the two interfaces of a
virtual cable; tests/links/test_socketcan.py runs that part in a guest, so it is never left out.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from typing import Any

import pytest

from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import CanLink
from emulator.links.can_bus import CanBusSpec, open_can
from emulator.links.python_can import can
from tests.support.link_ends import (
    EXTENDED,
    Frame,
    SerialAdapter,
    VirtualBus,
    content,
    outgoing,
    receive,
    wait_until,
)

KERNEL_CAN = os.environ.get("EMULATOR_KERNEL_CAN", "")
KINDS = ["loopback", "serial"] if not KERNEL_CAN else ["socketcan"]


class FarEnd:
    """What sits at the other end of the bus."""

    link: CanLink

    def put(self, frames: list[Frame]) -> None:
        raise NotImplementedError

    def got(self) -> list[Frame]:
        raise NotImplementedError

    def vanish(self) -> None:
        raise NotImplementedError

    def close(self) -> None:
        raise NotImplementedError


class PythonCanEnd(FarEnd):
    def __init__(self, bus: can.BusABC, link: CanLink) -> None:
        self.bus, self.link = bus, link
        self._got: list[Frame] = []

    def put(self, frames: list[Frame]) -> None:
        for can_id, payload in frames:
            self.bus.send(
                can.Message(
                    arbitration_id=can_id & 0x1FFFFFFF, is_extended_id=bool(can_id & EXTENDED), data=payload
                ),
                timeout=10,
            )

    def got(self) -> list[Frame]:
        while (message := self.bus.recv(0.001)) is not None:
            extended = EXTENDED if message.is_extended_id else 0
            self._got.append((message.arbitration_id | extended, bytes(message.data)))
        return self._got

    def close(self) -> None:
        self.bus.shutdown()


class LoopbackEnd(PythonCanEnd):
    def __init__(self) -> None:
        self.server = VirtualBus()
        address: dict[str, Any] = {"channel": "can0", "host": "127.0.0.1", "port": self.server.port}
        super().__init__(
            can.Bus(interface="socketcand", **address), open_can(CanBusSpec("loopback", **address))
        )
        # python-can listens only after the server's grace time; an own frame ends it
        self.put([(0x7FF, b"")])
        receive(self.link, 1)

    def vanish(self) -> None:
        self.server.stop()

    def close(self) -> None:
        super().close()
        self.server.stop()


class SerialEnd(FarEnd):
    def __init__(self) -> None:
        self.adapter = SerialAdapter()
        self.link = open_can(CanBusSpec("serial", self.adapter.path, settle_s=0.0))
        self.adapter.host_is_open()

    def put(self, frames: list[Frame]) -> None:
        for frame in frames:
            self.adapter.put(*frame)

    def got(self) -> list[Frame]:
        return self.adapter.frames()

    def vanish(self) -> None:
        self.adapter.close()

    def close(self) -> None:
        self.adapter.close()


class KernelEnd(PythonCanEnd):
    def __init__(self) -> None:
        near, far = KERNEL_CAN.split(",")
        bus = can.Bus(interface="socketcan", channel=far)
        super().__init__(bus, open_can(CanBusSpec("socketcan", near)))

    def vanish(self) -> None:
        assert os.system(f"ip link del {KERNEL_CAN.split(',')[0]}") == 0

    def close(self) -> None:
        super().close()
        near, far = KERNEL_CAN.split(",")
        if not os.path.exists(f"/sys/class/net/{near}"):
            add = f"ip link add {near} mtu 72 type vxcan peer name {far} mtu 72"
            assert os.system(f"{add} && ip link set {near} up && ip link set {far} up") == 0


@pytest.fixture(params=KINDS)
def end(request: pytest.FixtureRequest) -> Iterator[FarEnd]:
    kinds = {"loopback": LoopbackEnd, "serial": SerialEnd, "socketcan": KernelEnd}
    far = kinds[request.param]()
    yield far
    far.link.close()
    far.close()


SAMPLES: list[Frame] = [
    (0x000, b""),
    (0x001, b"\x00"),
    (0x7FF, bytes(8)),
    (0x123, bytes.fromhex("0102030405060708")),
    (EXTENDED | 0x0000_0123, b"\xff\x00\x10"),  # the same number as above, yet another identifier
    (EXTENDED | 0x1FFF_FFFF, bytes.fromhex("f0e0d0c0b0a09080")),
    (0x345, b"\x3e\x0d\x20\x07"),  # the end marks of both text protocols as payload
]


class TestEveryCanLink:
    def test_what_is_sent_arrives_in_order(self, end: FarEnd) -> None:
        before = end.link.counts().sent
        assert end.link.send(outgoing(SAMPLES)) == len(SAMPLES)
        for frame in SAMPLES:
            assert end.link.send(outgoing([frame])) == 1
        wait_until(lambda: len(end.got()) >= 2 * len(SAMPLES), "all frames at the far end")
        assert end.got() == SAMPLES * 2
        counts = end.link.counts()
        assert (counts.sent - before, counts.send_lost, counts.alive) == (2 * len(SAMPLES), 0, True)

    def test_what_comes_is_received_in_order(self, end: FarEnd) -> None:
        before = end.link.counts().received
        end.put(SAMPLES)
        assert receive(end.link, len(SAMPLES)) == SAMPLES
        counts = end.link.counts()
        assert (counts.received - before, counts.receive_lost) == (len(SAMPLES), 0)
        assert counts.bus_errors == 0

    def test_random_frames_both_ways(self, end: FarEnd) -> None:
        random_state = random.Random(7)
        frames: list[Frame] = []
        for _ in range(60):
            extended = random_state.random() < 0.5
            number = (
                random_state.randrange(1 << 29) | EXTENDED if extended else random_state.randrange(1 << 11)
            )
            frames.append((number, random_state.randbytes(random_state.randrange(9))))
        end.put(frames)
        assert receive(end.link, 60) == frames
        assert end.link.send(outgoing(frames)) == 60
        wait_until(lambda: len(end.got()) >= 60, "all frames at the far end")
        assert end.got() == frames

    def test_frames_are_appended_and_stamped(self, end: FarEnd) -> None:
        end.put([(0x10, b"\x01")])
        into = frame_buffer(8)
        into.valid_ns[:] = 99
        wait_until(lambda: end.link.receive(into, 1_000), "first frame")
        end.put([(0x11, b"\x02\x03")])
        wait_until(lambda: end.link.receive(into, 2_000), "second frame")
        assert content(into) == [(0x10, b"\x01"), (0x11, b"\x02\x03")]
        assert into.time_ns[:2].tolist() == [1_000, 2_000]
        assert into.valid_ns[:2].tolist() == [0, 0]

    def test_nothing_waiting_is_no_frame(self, end: FarEnd) -> None:
        into = frame_buffer(1)
        assert [end.link.receive(into, 0) for _ in range(3)] == [0, 0, 0]
        assert end.link.send(frame_buffer(1)) == 0
        assert end.link.counts().alive

    def test_own_frames_do_not_come_back(self, end: FarEnd) -> None:
        end.link.send(outgoing([(0x10, b"\x01")] * 5))
        wait_until(lambda: len(end.got()) == 5, "frames at the far end")
        end.put([(0x20, b"\x02")])
        assert receive(end.link, 1) == [(0x20, b"\x02")]

    def test_frames_beyond_the_buffer_wait_for_the_next_call(self, end: FarEnd) -> None:
        before = end.link.counts()
        frames = [(0x100 + i, bytes([i])) for i in range(10)]
        end.put(frames)
        into, got = frame_buffer(4), []
        begun = frame_buffer(4)  # with one free row left
        begun.count[0] = 3
        wait_until(lambda: end.link.receive(begun, 0) == 1, "the first frame")
        got += content(begun)[3:]

        def all_there() -> bool:
            into.count[0] = 0
            end.link.receive(into, 0)
            got.extend(content(into))
            return len(got) >= 10

        wait_until(all_there, "the others")
        assert got == frames
        counts = end.link.counts()
        assert counts.received - before.received == 10
        assert counts.receive_lost == before.receive_lost

    def test_classical_links_refuse_long_payloads(self, end: FarEnd) -> None:
        frames = [(0x10, b"\x01"), (0x11, bytes(12)), (0x12, b"\x03")]
        assert end.link.send(outgoing(frames)) == 2
        wait_until(lambda: len(end.got()) >= 2, "the others")
        assert end.got() == [frames[0], frames[2]]
        assert end.link.counts().send_lost == 1

    @pytest.mark.parametrize("by", ["sending", "receiving"])
    def test_a_vanished_bus_is_noticed_and_raises_nothing(self, end: FarEnd, by: str) -> None:
        end.vanish()
        into = frame_buffer(4)

        def used_and_dead() -> bool:
            if by == "sending":
                end.link.send(outgoing([(1, b"\x00")]))
            else:
                end.link.receive(into, 0)
            return not end.link.counts().alive

        wait_until(used_and_dead, "alive to become false")
        lost = end.link.counts().send_lost
        assert end.link.send(outgoing([(1, b""), (2, b"")])) == 0
        assert end.link.counts().send_lost == lost + 2
        assert end.link.receive(into, 0) == 0

    def test_closed_twice_and_used_after(self, end: FarEnd) -> None:
        end.link.close()
        end.link.close()
        assert not end.link.counts().alive
        assert end.link.receive(frame_buffer(1), 0) == 0
        assert end.link.send(outgoing([(1, b"")])) == 0
        assert end.link.counts().send_lost == 1
