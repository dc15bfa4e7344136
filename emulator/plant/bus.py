"""What passes between the buses and the plant: frames in, frames out, through the faults on them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.signals import RUNNING
from emulator.events.bus_faults import OVERLOAD_BYTES
from emulator.events.frame_faults import apply_frame_fault, copy_frames, insert_before
from emulator.sensors.sampling import MOST_VALUES
from emulator.wire.can_frames import FrameCodec, check, find, unpack


@jit
def apply_frame_faults(
    run: Record,
    frame_faults: NDArray[np.void],
    events: NDArray[np.void],
    streams: NDArray[np.uint64],
    direction: int,
    frames: FrameBuffer,
    scratch_frames: FrameBuffer,
) -> None:
    """Frames of a direction (events.frame_faults) become what their receiver gets, in place.

    Outside the ride nothing acts, and what was held back is dropped: it belongs to the ride.
    """
    for k in range(frame_faults.shape[0]):
        g = frame_faults[k]
        if g.direction != direction:
            continue
        if run.state != RUNNING:
            g.head = g.tail
            continue
        e = events[g.event]
        elapsed = run.scenario_tick - e.started
        apply_frame_fault(
            g, frames, scratch_frames, e.live != 0, e.share, elapsed, run.tick, streams, e.stream, e.chance
        )
        copy_frames(scratch_frames, frames)


@jit
def inject_overload(run: Record, frames: FrameBuffer, scratch_frames: FrameBuffer) -> None:
    """An overloaded bus: frames of nobody are handed over before ours, for as much time on it as is owed."""
    n = int(run.overload_owed // run.overload_frame_ns)
    if n > 0:
        run.overload_owed -= n * run.overload_frame_ns
        insert_before(frames, scratch_frames, run.overload_id, OVERLOAD_BYTES, n)


@jit
def received(
    m: Record,
    codec: FrameCodec,
    out: NDArray[np.void],
    frames: FrameBuffer,
    intact: bool,
) -> None:
    """Record what the receivers of ``frames`` decode; ``intact``: no fault can have touched them.

    A frame whose check fails tells its receiver nothing, and the last value stays.
    """
    for i in range(frames.count[0]):
        f = find(codec, frames.can_id[i])
        if f < 0 or not (intact or check(codec, f, frames.data[i], frames.length[i]) >= 0):
            continue
        for j in range(out.shape[0]):
            o = out[j]
            if o.frame != f:
                continue
            unpack(codec, f, frames.data[i], m.payload)
            for k in range(MOST_VALUES):
                v = o.value_of[k]
                if v < 0:
                    break
                if m.row_of[v] >= 0:
                    m.row[m.row_of[v]] = m.payload[k]
            break
