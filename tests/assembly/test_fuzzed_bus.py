"""A hundred thousand frames and texts that mean nothing never stop the loop, nor move the bike by a bit.

Two rides see the same frames of the robot; one hears nothing else, the other noise before and after each of
them. Everything the plant computes, sends and says has to be the same bytes. What passes the robot's own
protection by accident is no noise: a CRC of eight bits lets one random frame of 256 through. An independent
implementation (package e2e) says which, and those are left out.
"""

from __future__ import annotations

import random
import socket
from collections.abc import Callable, Iterator
from typing import Any

import e2e
import pytest

from emulator.assembly.session import Session
from emulator.config.rig.outputs import COMMAND_FRAMES
from emulator.links.can_kernel import KernelLink
from emulator.links.can_text import TextLink
from emulator.loop.bus_watch import BusFault, BusRules
from tests.support.cycled import CycledRide, Frame
from tests.support.link_ends import EXTENDED, ScriptedSocket, data_frame, error_frame
from tests.support.scripted_robot import HELD_CLUTCH

TELL_ONLY = BusRules(dict.fromkeys(BusFault, "note"))
CYCLES = 2000
A_CYCLE = 50
"""Pieces of noise a cycle: 100,000 in a ride."""


class Noise:
    """Frames that are none of the robot's, however much they look like it."""

    def __init__(self, session: Session, seed: int) -> None:
        self.dice = random.Random(seed)
        table, codec = session.codec.table, session.codec
        self.ids = {
            int(table.can_id[codec.frame(n)]): int(table.data_id[codec.frame(n)]) for n in COMMAND_FRAMES
        }
        self.lengths = {
            int(table.can_id[codec.frame(n)]): int(table.length[codec.frame(n)]) for n in COMMAND_FRAMES
        }
        self.others = [int(i) for i in table.can_id if int(i) not in self.ids]

    def passes(self, can_id: int, payload: bytes) -> bool:
        """Whether a receiver by the book would take it for the robot's; by an implementation not ours."""
        if can_id not in self.ids or len(payload) != self.lengths[can_id]:
            return False
        data_id = self.ids[can_id]
        return data_id < 0 or bool(e2e.p01.e2e_p01_check(bytearray(payload), data_id))

    def frame(self, robot: list[Frame]) -> Frame:
        """One piece of noise: random, or a frame of the robot's that was bent."""
        dice = self.dice
        while True:
            kind = dice.randrange(6)
            length = dice.randrange(9)
            if kind == 0:
                made = (dice.randrange(1 << 11), dice.randbytes(length))
            elif kind == 1:
                made = (dice.randrange(1 << 29) | EXTENDED, dice.randbytes(length))
            elif kind == 2:  # a stranger's payload under the robot's name
                made = (dice.choice(list(self.ids)), dice.randbytes(dice.choice((length, 8))))
            elif kind == 3:  # bits turned over on the way
                can_id, payload = dice.choice(robot)
                bent = int.from_bytes(payload, "big")
                for _ in range(dice.randrange(1, 5)):
                    bent ^= 1 << dice.randrange(8 * len(payload))
                made = (can_id, bent.to_bytes(len(payload), "big"))
                if made in robot:
                    continue
            elif kind == 4:  # cut short, or under another of the robot's names
                can_id, payload = dice.choice(robot)
                made = (dice.choice(list(self.ids)), payload[: dice.randrange(9)])
                if made in robot:
                    continue
            else:  # what only the bench sends
                made = (dice.choice(self.others), dice.randbytes(8))
            if not self.passes(*made):
                return made


def repeated(noise: Noise, robot: list[Frame]) -> list[Frame]:
    """The robot's newest frames once more: fresh by no measure."""
    return [noise.dice.choice(robot) for _ in range(3)]


class KernelBus:
    """Noise as frames of the kernel."""

    def __init__(self, session: Session, noise: Noise | None) -> None:
        self.noise = noise
        self.far = ScriptedSocket()
        sock: Any = self.far
        self.link = KernelLink(sock, lambda: None, fd=False, switch_bitrate=False, receive_buffer=4096)
        self.ride = CycledRide(session, self.link, self.put, self.before)
        self.pieces = 0

    def put(self, frames: list[Frame]) -> None:
        self.far.incoming += [data_frame(*frame) for frame in frames]
        if self.noise is not None:
            self.far.incoming += [data_frame(*frame) for frame in repeated(self.noise, frames)]

    def before(self, _cycle: int) -> None:
        if self.noise is None:
            return
        dice, robot = self.noise.dice, self.ride.sent
        for _ in range(A_CYCLE):
            kind = dice.randrange(40)
            if kind == 0:
                self.far.incoming.append(error_frame(dice.choice((1, 2, 4, 8, 0x80)), dice.randrange(0x40)))
            elif kind == 1:
                self.far.incoming.append(dice.randbytes(dice.choice((0, 3, 15, 17, 71, 73))))
            elif kind == 2:
                self.far.incoming.append(data_frame(0x40000000 | dice.choice(list(self.noise.ids)), b""))
            else:
                self.far.incoming.append(data_frame(*self.noise.frame(robot)))
        self.pieces += A_CYCLE

    def close(self) -> None: ...


class TextBus:
    """Noise as texts of the virtual bus, whole, bent and senseless."""

    def __init__(self, session: Session, noise: Noise | None) -> None:
        self.noise = noise
        self.far, near = socket.socketpair()
        near.setblocking(False)
        self.link = TextLink(near.fileno(), near.close, serial=False)
        self.ride = CycledRide(session, self.link, self.put, self.before)
        self.pieces = 0

    @staticmethod
    def text(frame: Frame) -> bytes:
        can_id, payload = frame
        name = b"%08X" % (can_id & 0x1FFFFFFF) if can_id & EXTENDED else b"%03X" % can_id
        return b"< frame %b 0.0 %b >" % (name, payload.hex().upper().encode())

    def put(self, frames: list[Frame]) -> None:
        told = frames if self.noise is None else frames + repeated(self.noise, frames)
        self.far.sendall(b"".join(map(self.text, told)))

    def before(self, _cycle: int) -> None:
        self.far.setblocking(False)
        with_room = True
        while with_room:  # what the bench says, so that it never finds the line full
            try:
                with_room = bool(self.far.recv(65536))
            except BlockingIOError:
                with_room = False
        self.far.setblocking(True)
        if self.noise is None:
            return
        dice, robot = self.noise.dice, self.ride.sent
        texts = []
        for _ in range(A_CYCLE):
            kind = dice.randrange(4)
            text = self.text(self.noise.frame(robot))
            if kind == 0:  # broken within: a piece is missing, or its end mark comes early
                cut = dice.randrange(3, 12)
                text = text[:cut] + text[cut + dice.randrange(1, 9) :]
                text = b"< " + dice.choice((b"frane", b"send", b"", b"FRAME")) + text[8:]
            elif kind == 1:
                text = dice.randbytes(dice.randrange(40)).replace(b"frame", b"")
            elif kind == 2 and dice.random() < 0.2:
                text = dice.choice(
                    (b"< error bus >", b"< ok >", b"< hi >", b"< rtr 123 0.0 4 >", b"<><><>", b">")
                )
            texts.append(text)
        # a text without an end would take the robot's next one with it, as on any stream
        self.far.sendall(b"".join(texts) + b">")
        self.pieces += A_CYCLE

    def close(self) -> None:
        self.link.close()
        self.far.close()


@pytest.fixture(params=[KernelBus, TextBus], ids=["kernel", "virtual bus"])
def bus(request: pytest.FixtureRequest, session: Session) -> Iterator[Callable[[Noise | None], Any]]:
    made: list[Any] = []

    def make(noise: Noise | None) -> Any:
        made.append(request.param(session, noise))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.mark.slow
def test_noise_changes_nothing_but_the_counts(bus: Callable[[Noise | None], Any], session: Session) -> None:
    published = []
    rides = (bus(None), bus(Noise(session, 20_270_504)))
    for ride in rides:
        outcome, seen = ride.ride.run(CYCLES, TELL_ONLY)
        assert (outcome.trip_tick, outcome.at_rest, outcome.problems) == (None, True, [])
        assert outcome.ticks > CYCLES
        published.append(seen)
    quiet, noisy = rides
    assert noisy.pieces >= 100_000
    assert noisy.link.counts().received > quiet.link.counts().received + 25_000

    a, b = published
    assert a["signals"].tick.tobytes() == b["signals"].tick.tobytes()
    assert a["signals"].rows.tobytes() == b["signals"].rows.tobytes()
    for seen in published:  # what was sent; what was received is what differs
        mine = seen["frames"].direction == 1
        seen["sent"] = [
            getattr(seen["frames"], f)[mine].tobytes() for f in ("tick", "valid_ns", "can_id", "data")
        ]
    assert a["sent"] == b["sent"]
    assert quiet.ride.gnss.bursts == noisy.ride.gnss.bursts
    # all of its memory, but for what came in and the counts of what was damaged or repeated
    for name, value in quiet.ride.bench.plant._asdict().items():
        if name in ("inbox", "scratch_frames"):
            continue
        other = getattr(noisy.ride.bench.plant, name)
        untouched = dict.fromkeys(("counts", "values", "since", "stranger_ids", "strangers"), 0)
        bytes_of = [as_bytes(v._replace(**untouched) if name == "robot" else v) for v in (value, other)]
        assert bytes_of[0] == bytes_of[1], name
    counts = [ride.ride.bench.frame_counts() for ride in rides]
    for frame in COMMAND_FRAMES:
        assert counts[1][frame]["accepted"] == counts[0][frame]["accepted"]
        assert counts[1][frame]["lost"] == 0
        assert counts[1][frame]["damaged"] > 500
        assert min(counts[1][f]["accepted"] for f in HELD_CLUTCH) > 150
        assert min(counts[1][f]["repeated"] for f in HELD_CLUTCH) > 50


def as_bytes(value: Any) -> Any:
    """Everything in a named tuple of arrays."""
    if isinstance(value, tuple):
        return [as_bytes(part) for part in value]
    return value.tobytes() if hasattr(value, "tobytes") else value
