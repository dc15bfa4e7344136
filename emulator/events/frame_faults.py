"""What a fault does to frames between their sender and their receiver.

A gate stands in the way of the frames of one identifier, to the robot or from it. Frames pass the gates of a
direction in the order of the scenario file, and each gate sees what the one before it let through:

    loss                A B C D  ->  A   C D        the sender's counter goes on: a gap
    repetition          A B C D  ->  A B B C D      the same bytes once or more behind it, in the same tick
    delay               A B C D  ->  A     B C D    every frame so much later, in its order
    insertion           A B      ->  A X B X        bytes of its own at a rate of its own
    masquerade          A B      ->  A Z            the last payload of another frame under this identifier
    incorrect_sequence  A B C D  ->  B A D C        each hit frame comes behind the next one
    corruption          A B      ->  A b            bits flipped, the checksum as it was

Names as in ISO 26262-5 annex D, failure modes of communication (from memory). A frame that a gate has given
another timing carries ``ports.UNTIMED``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.frame_buffer import MAX_DATA, UNTIMED, FrameBuffer
from emulator.core.random_streams import uniform
from emulator.core.signals import RUNNING

FRAME_EFFECTS = (
    *("loss", "repetition", "delay", "insertion", "masquerade", "incorrect_sequence", "corruption"),
)
LOSS, REPETITION, DELAY, INSERTION, MASQUERADE, INCORRECT_SEQUENCE, CORRUPTION = range(len(FRAME_EFFECTS))

TO_ROBOT, FROM_ROBOT = range(2)
"""Directions."""

WAITING_ROOM = 512
"""Frames a gate can hold back; one that finds no room is lost."""

_B64, _ROOM = (MAX_DATA,), (WAITING_ROOM,)
FRAME_FAULT_DTYPE = np.dtype(
    [
        ("event", np.int64),  # the event that opens it
        ("effect", np.int64),
        ("direction", np.int64),
        ("can_id", np.int64),  # frames it acts on
        ("other_id", np.int64),  # masquerade: whose payload is shown
        ("copies", np.int64),  # repetition: how often more
        ("delay", np.int64),  # [ticks]
        ("every", np.int64),  # [ticks] between insertions
        ("flips", np.int64),  # corruption: bits drawn in each frame; 0: those of the mask
        ("mask", np.uint8, _B64),
        ("payload", np.uint8, _B64),  # insertion
        ("length", np.int64),
        # what it remembers
        ("last", np.uint8, _B64),  # last payload of other_id
        ("last_length", np.int64),  # 0: none yet
        ("head", np.int64),  # frames held back: taken out, put in
        ("tail", np.int64),
        ("due", np.int64, _ROOM),  # tick each may go on at; NEVER: behind the next one
        ("time_ns", np.int64, _ROOM),
        ("lengths", np.int64, _ROOM),
        ("frames", np.uint8, (WAITING_ROOM, MAX_DATA)),
    ]
)
"""A gate; a table holds them in the order of the scenario file."""

_BEHIND_THE_NEXT = 1 << 62


def frame_fault_table(n: int) -> NDArray[np.void]:
    """(n,) gates that hold nothing."""
    table = np.zeros(n, FRAME_FAULT_DTYPE)
    table["other_id"] = -1
    return table


@jit
def _append(to: FrameBuffer, frames: FrameBuffer, i: int) -> int:
    """Row ``i`` of ``frames`` goes on behind the others; returns its row there, -1 if there is no room."""
    n = to.count[0]
    if n >= to.can_id.shape[0]:
        return -1
    to.can_id[n], to.length[n] = frames.can_id[i], frames.length[i]
    to.time_ns[n], to.valid_ns[n] = frames.time_ns[i], frames.valid_ns[i]
    for k in range(frames.length[i]):
        to.data[n, k] = frames.data[i, k]
    to.count[0] = n + 1
    return int(n)


@jit
def _hold(g: Record, frames: FrameBuffer, i: int, due: int) -> None:
    """Row ``i`` is held back until ``due``."""
    if g.tail - g.head >= WAITING_ROOM:
        return
    j = g.tail % WAITING_ROOM
    g.due[j], g.time_ns[j], g.lengths[j] = due, frames.time_ns[i], frames.length[i]
    for k in range(frames.length[i]):
        g.frames[j, k] = frames.data[i, k]
    g.tail += 1


@jit
def _release(g: Record, to: FrameBuffer, by: int) -> None:
    """What is due by tick ``by`` goes on, in its order."""
    while g.head < g.tail and g.due[g.head % WAITING_ROOM] <= by:
        j = g.head % WAITING_ROOM
        g.head += 1
        n = to.count[0]
        if n >= to.can_id.shape[0]:
            continue
        to.can_id[n], to.length[n] = g.can_id, g.lengths[j]
        to.time_ns[n], to.valid_ns[n] = g.time_ns[j], UNTIMED
        for k in range(g.lengths[j]):
            to.data[n, k] = g.frames[j, k]
        to.count[0] = n + 1


@jit
def _insert(g: Record, to: FrameBuffer) -> None:
    n = to.count[0]
    if n >= to.can_id.shape[0]:
        return
    to.can_id[n], to.length[n] = g.can_id, g.length
    to.time_ns[n], to.valid_ns[n] = 0, UNTIMED
    for k in range(g.length):
        to.data[n, k] = g.payload[k]
    to.count[0] = n + 1


@jit
def _flip_bits(g: Record, to: FrameBuffer, n: int, streams: NDArray[np.uint64], stream: int) -> None:
    """Flip bits of row ``n``: those of the mask, or so many drawn ones, no bit twice."""
    length = to.length[n]
    if g.flips == 0:
        for k in range(length):
            to.data[n, k] ^= g.mask[k]
        return
    bits, left = 8 * length, min(g.flips, 8 * length)
    for bit in range(bits):
        # of the bits that are left, so many are still to be flipped: each choice is equally likely
        if uniform(streams, stream) * (bits - bit) < left:
            to.data[n, bit // 8] ^= np.uint8(1 << (bit % 8))
            left -= 1


@jit
def apply_frame_fault(
    g: Record,
    frames: FrameBuffer,
    to: FrameBuffer,
    live: bool,
    share: float,
    elapsed: int,
    tick: int,
    streams: NDArray[np.uint64],
    stream: int,
    chance: int,
) -> None:
    """One tick of a gate: ``frames`` come, ``to`` goes on.

    live     whether its event acts now, ``elapsed`` ticks after it started; ``share`` of the frames is hit
    tick     any count of ticks that goes on by one
    stream   of bits to flip; ``chance`` of frames to hit
    """
    to.count[0] = 0
    if g.effect == DELAY:
        _release(g, to, tick)
    for i in range(frames.count[0]):
        if frames.can_id[i] == g.other_id:
            g.last_length = frames.length[i]
            for k in range(frames.length[i]):
                g.last[k] = frames.data[i, k]
        hit = False
        if frames.can_id[i] == g.can_id and live:
            hit = share >= 1.0 or uniform(streams, chance) < share
        if g.effect == INCORRECT_SEQUENCE and frames.can_id[i] == g.can_id:
            if g.head < g.tail:
                _append(to, frames, i)
                _release(g, to, _BEHIND_THE_NEXT)
            elif hit:
                _hold(g, frames, i, _BEHIND_THE_NEXT)
            else:
                _append(to, frames, i)
            continue
        if not hit or g.effect == INSERTION:
            _append(to, frames, i)
        elif g.effect == REPETITION:
            _append(to, frames, i)
            for _ in range(g.copies):
                n = _append(to, frames, i)
                if n >= 0:
                    to.valid_ns[n] = UNTIMED
        elif g.effect == DELAY:
            _hold(g, frames, i, tick + g.delay)
        elif g.effect == MASQUERADE:
            n = _append(to, frames, i)
            if n >= 0 and g.last_length > 0:
                to.length[n] = g.last_length
                for k in range(g.last_length):
                    to.data[n, k] = g.last[k]
        elif g.effect == CORRUPTION:
            n = _append(to, frames, i)
            if n >= 0:
                _flip_bits(g, to, n, streams, stream)
    if g.effect == INSERTION and live and elapsed % g.every == 0:
        _insert(g, to)


@jit
def copy_frames(frames: FrameBuffer, to: FrameBuffer) -> None:
    """``to`` becomes a copy of ``frames``, as far as there is room."""
    to.count[0] = 0
    for i in range(frames.count[0]):
        _append(to, frames, i)


@jit
def insert_before(frames: FrameBuffer, scratch_frames: FrameBuffer, can_id: int, n: int) -> None:
    """``n`` frames of eight zero bytes under ``can_id`` go before all others."""
    copy_frames(frames, scratch_frames)
    frames.count[0] = 0
    for i in range(min(n, frames.can_id.shape[0])):
        frames.can_id[i], frames.length[i] = can_id, 8
        frames.time_ns[i], frames.valid_ns[i] = 0, UNTIMED
        for k in range(8):
            frames.data[i, k] = 0
        frames.count[0] = i + 1
    for i in range(scratch_frames.count[0]):
        row = _append(frames, scratch_frames, i)
        if row >= 0:
            frames.valid_ns[row] = UNTIMED  # it waits behind them


@jit
def burst_faults(
    run: Record,
    frame_faults: NDArray[np.void],
    events: NDArray[np.void],
    streams: NDArray[np.uint64],
    line_id: int,
    burst: NDArray[np.uint8],
    length: int,
) -> tuple[int, int]:
    """One GNSS burst of so many bytes past the gates of its line: how often it comes, ticks later it does.

    Flips the bits that a corruption flips, but never the eighth of a byte: NMEA 0183 is a code of seven.
    """
    copies, delay = 1, 0
    for k in range(frame_faults.shape[0]):
        g = frame_faults[k]
        if g.can_id != line_id:
            continue
        e = events[g.event]
        if run.state != RUNNING or e.live == 0:
            continue
        if e.share < 1.0 and uniform(streams, e.chance) >= e.share:
            continue
        if g.effect == LOSS:
            copies = 0
        elif g.effect == REPETITION:
            copies *= 1 + g.copies
        elif g.effect == DELAY:
            delay += g.delay
        else:
            left = min(g.flips, 7 * length)
            for bit in range(7 * length):
                if uniform(streams, e.stream) * (7 * length - bit) < left:
                    burst[bit // 7] ^= np.uint8(1 << (bit % 7))
                    left -= 1
    return copies, delay
