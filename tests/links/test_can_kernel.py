"""The kernel's link on a scripted socket: what it makes of error frames and of every error of a call.

The same on a real kernel is in kernel_can_cases.py; bus-off needs a controller, which no guest has.
"""

from __future__ import annotations

import errno
import struct
from typing import Any

import pytest

from emulator.core.frame_buffer import frame_buffer
from emulator.links.can_kernel import KernelLink
from tests.support.link_ends import EXTENDED, ScriptedSocket, content, data_frame, error_frame, outgoing

# Linux kernel, include/uapi/linux/can/error.h (from memory)
ERR_CRTL, ERR_BUSOFF, ERR_BUSERROR, ERR_RESTARTED = 0x4, 0x40, 0x80, 0x100
TX_PASSIVE, ACTIVE = 0x20, 0x40


@pytest.fixture
def far() -> ScriptedSocket:
    return ScriptedSocket()


@pytest.fixture
def link(far: ScriptedSocket) -> KernelLink:
    sock: Any = far
    return KernelLink(sock, lambda: None, fd=False, switch_bitrate=False, receive_buffer=4096)


def test_which_frames_go_out_as_fd_frames(far: ScriptedSocket) -> None:
    """Long ones and those of the named identifiers, however long; struct canfd_frame, from memory."""
    sock: Any = far
    far_id = EXTENDED | 0x1ABCDEF0
    for switch, flags in ((True, 1), (False, 0)):
        far.sent.clear()
        link = KernelLink(
            sock, lambda: None, fd=True, switch_bitrate=switch, receive_buffer=4096,
            fd_ids=frozenset({0x121, far_id}),
        )  # fmt: skip
        short, long = b"\x01\x02", bytes(range(16))
        assert link.send(outgoing([(0x120, short), (0x121, short), (far_id, short), (0x122, long)])) == 4
        assert far.sent == [
            struct.pack("=IB3x8s", 0x120, 2, short),
            struct.pack("=IBB2x64s", 0x121, 2, flags, short),
            struct.pack("=IBB2x64s", far_id, 2, flags, short),
            struct.pack("=IBB2x64s", 0x122, 16, flags, long),
        ]


ONE = outgoing([(0x120, b"\x01")])
TWO = outgoing([(0x120, b"\x01"), (0x121, b"\x02")])


def test_off_the_bus_nothing_is_handed_over_and_all_of_it_is_lost(
    link: KernelLink, far: ScriptedSocket
) -> None:
    far.incoming = [error_frame(ERR_CRTL, TX_PASSIVE), error_frame(ERR_BUSOFF | ERR_BUSERROR)]
    link.receive(frame_buffer(4), 0)
    counts = link.counts()
    assert (counts.bus_errors, counts.bus_offs, counts.bus_off, counts.alive) == (2, 1, True, True)
    assert link.send(TWO) == 0
    assert far.sent == []
    assert (link.counts().send_lost, link.counts().send_full) == (2, 0)


@pytest.mark.parametrize(
    "word",
    [error_frame(ERR_RESTARTED), error_frame(ERR_CRTL, ACTIVE), data_frame(0x10, b"\x07")],
    ids=["restarted", "error active", "a frame received"],
)
def test_back_on_the_bus_by_a_word_of_the_driver_or_a_frame(
    link: KernelLink, far: ScriptedSocket, word: bytes
) -> None:
    into = frame_buffer(4)
    far.incoming = [error_frame(ERR_BUSOFF)]
    link.receive(into, 0)
    far.incoming = [error_frame(ERR_CRTL, TX_PASSIVE)]
    link.receive(into, 0)
    assert link.counts().bus_off  # that was no word of being back
    far.incoming = [word]
    link.receive(into, 0)
    assert not link.counts().bus_off
    assert link.send(TWO) == 2
    assert content(into) == ([(0x10, b"\x07")] if len(content(into)) else [])
    far.incoming = [error_frame(ERR_BUSOFF), error_frame(ERR_BUSOFF)]
    link.receive(into, 0)
    assert link.counts().bus_offs == 2


@pytest.mark.parametrize("refusal", [OSError(errno.ENOBUFS, "full"), BlockingIOError(errno.EAGAIN, "full")])
def test_a_full_queue_is_told_apart_from_other_losses(
    link: KernelLink, far: ScriptedSocket, refusal: OSError
) -> None:
    far.refusal = refusal
    assert link.send(TWO) == 0
    counts = link.counts()
    assert (counts.send_lost, counts.send_full, counts.alive) == (2, 2, True)
    far.refusal = None
    assert link.send(TWO) == 2
    assert (link.counts().send_lost, link.counts().send_full) == (2, 2)


def test_an_interface_switched_off_and_on(link: KernelLink, far: ScriptedSocket) -> None:
    far.incoming = [OSError(errno.ENETDOWN, "down")]  # told once, then there is nothing to read
    far.refusal = OSError(errno.ENETDOWN, "down")
    for _ in range(3):
        assert link.receive(frame_buffer(4), 0) == 0
        assert link.send(ONE) == 0
    counts = link.counts()
    assert (counts.downs, counts.down, counts.alive, counts.send_lost) == (1, True, True, 3)
    assert counts.send_full == 0
    far.refusal = None
    assert link.send(ONE) == 1
    assert (link.counts().downs, link.counts().down) == (1, False)


def test_switching_an_interface_off_ends_a_bus_off(link: KernelLink, far: ScriptedSocket) -> None:
    far.incoming = [error_frame(ERR_BUSOFF), OSError(errno.ENETDOWN, "down")]
    link.receive(frame_buffer(4), 0)
    assert (link.counts().bus_off, link.counts().down) == (False, True)
    assert link.send(ONE) == 1


@pytest.mark.parametrize("number", [errno.ENODEV, errno.ENXIO])
def test_an_interface_that_was_taken_away_is_gone(link: KernelLink, far: ScriptedSocket, number: int) -> None:
    far.incoming = [OSError(number, "gone")]
    assert link.receive(frame_buffer(4), 0) == 0
    assert not link.counts().alive
    assert link.send(ONE) == 0


def test_a_flood_takes_a_bounded_part_of_one_call_and_the_rest_waits(
    link: KernelLink, far: ScriptedSocket
) -> None:
    far.incoming = [data_frame(n & 0x7FF, b"") for n in range(1000)]
    into = frame_buffer(2048)
    assert [link.receive(into, 0) for _ in range(5)] == [256, 256, 256, 232, 0]
    assert [can_id for can_id, _ in content(into)] == [n & 0x7FF for n in range(1000)]
