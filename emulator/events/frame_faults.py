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
another timing carries ``frame_buffer.UNTIMED``.
"""

from __future__ import annotations

from collections.abc import Iterator, Set

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.frame_buffer import MAX_DATA, UNTIMED, FrameBuffer
from emulator.core.random_streams import uniform
from emulator.core.signals import RUNNING
from emulator.events.declaration import (
    PAUSES,
    Effect,
    EventKeys,
    EventKind,
    Key,
    RigView,
    Row,
    Takes,
    Wrong,
    effect_key,
)
from emulator.events.progress import ticks

EFFECTS = (
    Effect("loss", "it does not come", takes=("share",)),
    Effect("repetition", "it comes again, ``copies`` times, in the same tick", takes=("copies", "share")),
    Effect("delay", "it comes ``delay_ms`` later", needs={"delay_ms": "a time"}, takes=("share",)),
    Effect(
        "insertion",
        "``payload`` comes every ``every_ms`` besides",
        needs={"payload": "bytes", "every_ms": "a time"},
    ),
    Effect(
        "masquerade",
        "it comes with the last payload of frame ``shows``",
        needs={"shows": "a frame"},
        takes=("share",),
    ),
    Effect("incorrect_sequence", "it comes behind the next one", takes=("share",)),
    Effect(
        "corruption",
        "bits are flipped: those of ``mask``, or ``flips`` drawn ones",
        takes=("mask", "flips", "share"),
    ),
)
FRAME_EFFECTS = tuple(e.name for e in EFFECTS)
LOSS, REPETITION, DELAY, INSERTION, MASQUERADE, INCORRECT_SEQUENCE, CORRUPTION = range(len(EFFECTS))

GNSS_FRAME_EFFECTS = ("loss", "repetition", "delay", "corruption")
"""What can be done to GNSS sentences as a whole."""
GNSS_LINE = -2
"""``can_id`` of a gate on the GNSS receiver's sentences; no frame has it."""

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
def insert_before(frames: FrameBuffer, scratch_frames: FrameBuffer, can_id: int, length: int, n: int) -> None:
    """``n`` frames of so many zero bytes under ``can_id`` go before all others."""
    copy_frames(frames, scratch_frames)
    frames.count[0] = 0
    for i in range(min(n, frames.can_id.shape[0])):
        frames.can_id[i], frames.length[i] = can_id, length
        frames.time_ns[i], frames.valid_ns[i] = 0, UNTIMED
        for k in range(length):
            frames.data[i, k] = 0
        frames.count[0] = i + 1
    for i in range(scratch_frames.count[0]):
        _append(frames, scratch_frames, i)


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


def fill_frame_fault(g: Row, number: int, event: EventKeys, rig: RigView) -> None:
    """Put an event of kind ``frame``, the ``number``-th of its scenario, into its gate."""
    g["event"], g["effect"] = number, FRAME_EFFECTS.index(event.effect)
    g["can_id"] = GNSS_LINE if event.frame == "gnss" else rig.frames[event.frame][0]
    ours = event.frame == "gnss" or event.frame in rig.frame_rates_hz
    g["direction"] = TO_ROBOT if ours else FROM_ROBOT
    if event.shows is not None:
        g["other_id"] = rig.frames[event.shows][0]
    g["copies"], g["flips"] = event.copies or 1, event.flips or 0
    g["delay"] = 0 if event.delay_ms is None else ticks(event.delay_ms * 1e-3)
    g["every"] = 1 if event.every_ms is None else ticks(event.every_ms * 1e-3)
    for key in ("mask", "payload"):
        data = bytes.fromhex(getattr(event, key) or "")
        g[key][: len(data)] = list(data)
    g["length"] = len(bytes.fromhex(event.payload or ""))


def _fill(e: Row, event: EventKeys, _rig: RigView) -> None:
    e["effect"] = FRAME_EFFECTS.index(event.effect)


def _rules(event: EventKeys, _given: Set[str]) -> Iterator[Wrong]:
    if event.effect == "corruption" and (event.mask is None) == (event.flips is None):
        yield Wrong("expected either mask or flips with effect corruption")
    if event.mask is not None and set(event.mask) == {"0"}:
        yield Wrong("expected a bit that is set: this mask flips none", "mask")
    if event.frame == "gnss" and event.effect not in GNSS_FRAME_EFFECTS:
        yield Wrong(
            f"expected one of {', '.join(GNSS_FRAME_EFFECTS)} for gnss, whose sentences have no "
            f"identifier and no counter, got {event.effect}",
            "effect",
        )
    if event.frame == "gnss" and event.mask is not None:
        yield Wrong("expected flips instead of mask for gnss: its bytes are characters", "mask")
    if event.shows == event.frame:
        yield Wrong("expected another frame than its own", "shows")


def _unmet(event: EventKeys, rig: RigView) -> Iterator[Wrong]:
    """Frames the rig hasn't, bytes that no frame on its bus has, bits the frame hasn't, too long a wait."""
    known = (*rig.frames, "gnss")
    for key in ("frame", "shows"):
        name = getattr(event, key)
        if name is not None and name not in (known if key == "frame" else rig.frames):
            yield Wrong(f"expected a frame of this rig ({', '.join(known)}), got {name!r}", key, known)
    if event.payload is not None:
        n = len(bytes.fromhex(event.payload))
        if n > rig.short and n not in rig.long:
            lengths = ", ".join(map(str, rig.long))
            may = f"or {lengths} bytes" if rig.long else "bytes on a bus of classical frames"
            yield Wrong(f"expected 1 to {rig.short} {may}, got {n}", "payload")
    if event.frame in rig.frames:
        n = rig.frames[event.frame][1]
        if event.mask is not None and any(bytes.fromhex(event.mask)[n:]):
            yield Wrong(
                f"expected bits of the frame's {n} bytes, got a mask that sets bits beyond them", "mask"
            )
        if event.flips is not None and event.flips > 8 * n:
            yield Wrong(f"expected at most the {8 * n} bits of the frame, got {event.flips}", "flips")
    most_ms = 1e3 * WAITING_ROOM / rig.frame_rates_hz.get(event.frame, 1000.0)
    if event.delay_ms is not None and event.frame != "gnss" and event.delay_ms >= most_ms:
        yield Wrong(
            f"expected less than {most_ms:g} ms: no more than {WAITING_ROOM} frames are held back", "delay_ms"
        )


KIND = EventKind(
    "frame",
    "A fault of one frame on its way to the robot or from it, or of the GNSS sentences (frame ``gnss``).\n\n"
    "Counters and checksums are the sender's: nothing is made good. ``share`` of the frames is hit.",
    (
        Key("frame", Takes.FRAME, "the frame it acts on, or gnss", required=True),
        effect_key(EFFECTS, "what becomes of the frame"),
        Key(
            "share",
            Takes.NUMBER,
            "share of the frames that is hit, each drawn",
            left_out="all",
            above=0,
            most=1,
        ),
        PAUSES,
        Key("copies", Takes.WHOLE, "how often it comes again", left_out="once", least=1, most=8),
        Key("delay_ms", Takes.NUMBER, "how much later it comes", least=1, most=1000),
        Key("every_ms", Takes.NUMBER, "from one inserted frame to the next", least=1, most=60_000),
        Key("payload", Takes.BYTES, "bytes of the inserted frame, in hexadecimal"),
        Key("shows", Takes.FRAME, "the frame whose payload is shown"),
        Key(
            "mask",
            Takes.BYTES,
            "bits that are flipped, in hexadecimal from the first byte on",
            left_out="flips says how many",
        ),
        Key(
            "flips",
            Takes.WHOLE,
            "how many drawn bits are flipped each time",
            left_out="mask says which",
            least=1,
            most=8 * MAX_DATA,
        ),
    ),
    _fill,
    EFFECTS,
    rules=_rules,
    unmet=_unmet,
)
