"""Frames as values, for a robot that is spared the bytes: what it hears decoded, what it commands encoded.

Heard: frames with a wrong CRC or a repeated counter say nothing, as to any careful receiver; "not available"
is NaN. Sent: every frame of the robot at its period, its counter and CRC by the rig's DBC, once one of its
values was given; values that were not are sent as "not available". The heartbeat counts by itself unless it
is given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.config.rig.outputs import USUAL_PERIODS_ms, commands_in
from emulator.config.validation import did_you_mean
from emulator.core.compiled import jit
from emulator.core.frame_buffer import FrameBuffer
from emulator.core.signals import COMMAND, OUTPUT, OUTPUT_VALUES, R_HEARTBEAT, ROBOT_COMMANDS
from emulator.stages.own_robot.protocol import RobotFailed
from emulator.wire.can_frames import FrameCodec, append_packed, find, sound_and_new, unpack
from emulator.wire.geodesy import Origin
from emulator.wire.nmea_reading import Gga, Rmc, parse

_HEARTBEATS = 65536


class Hearing(NamedTuple):
    """What decodes frames that arrive, as compiled code sees it; F frames, K values in the one that has most.

    codec     of the rig
    place_of  (F, K)  place of each value among the outputs, -1: it has none; -2 first: nobody hears the frame
    alive     (F,)    counters heard last
    payload   (K,)    room for the values of a frame
    heard     (len(OUTPUT),)  values by place, each as it arrived last
    new       (1024,) places of those that have arrived in this period, in their order
    """

    codec: FrameCodec
    place_of: NDArray[np.int64]
    alive: NDArray[np.int64]
    payload: NDArray[np.float64]
    heard: NDArray[np.float64]
    new: NDArray[np.int64]


@jit
def hear(hearing: Hearing, inbox: FrameBuffer, n: int) -> int:
    """Decode the first ``n`` frames; returns how many places of ``new`` were written."""
    codec, place_of, new = hearing.codec, hearing.place_of, hearing.new
    written = 0
    for i in range(n):
        f = find(codec, inbox.can_id[i])
        if f < 0 or place_of[f, 0] == -2:
            continue
        if not sound_and_new(codec, f, inbox.data[i], inbox.length[i], hearing.alive):
            continue
        unpack(codec, f, inbox.data[i], hearing.payload)
        for k in range(codec.first[f + 1] - codec.first[f]):
            z = place_of[f, k]
            if z >= 0 and written < new.shape[0]:
                hearing.heard[z] = hearing.payload[k]
                new[written] = z
                written += 1
    return written


class HeardValues:
    """Values of what arrives, by the names of the DBC; a fix of the receiver by those of its values.

    wanted    false: no frame is decoded
    hearing   decodes frames
    """

    def __init__(self, session: Session, *, wanted: bool = True) -> None:
        codec = session.codec
        places = np.full((len(codec.frames), codec.most_signals), -1, np.int64)
        for f, name in enumerate(codec.frames):
            if name not in session.outputs or not wanted:
                places[f] = -2
                continue
            for k, signal in enumerate(codec.signals[f]):
                places[f, k] = OUTPUT.get(signal, -1)
        self.hearing = Hearing(
            codec=codec.table,
            place_of=places,
            alive=np.full(len(codec.frames), -1),
            payload=np.zeros(codec.most_signals),
            heard=np.zeros(len(OUTPUT)),
            new=np.zeros(1024, np.int64),
        )
        self._heard = self.hearing.heard.data.cast("B").cast("d")
        self._new = self.hearing.new.data.cast("B").cast("q")
        self._fixes = _Fixes(session.origin)

    def by_name(self, written: int) -> dict[str, float]:
        """What :func:`hear` has decoded; where two frames have the same value, that of the last."""
        heard = self._heard
        return {OUTPUT_VALUES[z]: heard[z] for z in self._new[:written].tolist()}

    def of_sentences(self, data: bytes) -> dict[str, float]:
        """Of bytes from the GNSS port, in any pieces."""
        return self._fixes.read(data)


class _Fixes:
    """GGA and RMC of one epoch to place, speed and course."""

    def __init__(self, origin: Origin) -> None:
        self._origin, self._rest = origin, b""

    def read(self, data: bytes) -> dict[str, float]:
        *lines, self._rest = (self._rest + data).split(b"\n")
        self._rest = self._rest[-256:]
        values: dict[str, float] = {}
        for line in lines:
            parsed = parse(line + b"\n") if line[3:6] in (b"GGA", b"RMC") else None
            if isinstance(parsed, Gga):
                values["gnss_fix"] = float(parsed.fix_quality)
                height = parsed.altitude_msl_m + parsed.geoid_separation_m
                place = self._origin.geodetic_to_enu(parsed.latitude_rad, parsed.longitude_rad, height)
                if parsed.fix_quality > 0 and all(map(math.isfinite, place)):
                    values |= dict(zip(("gnss_x_m", "gnss_y_m", "gnss_z_m"), map(float, place), strict=True))
            elif isinstance(parsed, Rmc) and parsed.valid:
                values |= {"gnss_speed_m_s": parsed.speed_m_s, "gnss_course_rad": parsed.course_rad}
        return values


class Sending(NamedTuple):
    """What makes frames of a robot's values, as compiled code sees it; N frames, K values in the longest.

    codec      of the rig
    frame_of   (N,)    place of each frame in the codec
    value_of   (N, K)  place of each of its values among the commands
    counter    (N,)    what it is counted by next
    due_ns     (N,)    when it is due
    period_ns  (N,)
    values     (len(COMMAND),)  by place; NaN: never given, or not available
    payload    (K,)    room for the values of a frame
    counts     (1,)    whether the heartbeat counts by itself
    """

    codec: FrameCodec
    frame_of: NDArray[np.int64]
    value_of: NDArray[np.int64]
    counter: NDArray[np.int64]
    due_ns: NDArray[np.int64]
    period_ns: NDArray[np.int64]
    values: NDArray[np.float64]
    payload: NDArray[np.float64]
    counts: NDArray[np.bool_]


@jit
def send(sending: Sending, tx: FrameBuffer, now_ns: int) -> None:
    """Append every frame that is due now and has a value."""
    codec, values = sending.codec, sending.values
    for i in range(sending.frame_of.shape[0]):
        f = sending.frame_of[i]
        if sending.due_ns[i] > now_ns:
            continue
        given = beats = False
        for k in range(codec.first[f + 1] - codec.first[f]):
            z = sending.value_of[i, k]
            if z == R_HEARTBEAT:
                beats = True
            elif not np.isnan(values[z]):
                given = True
        if not given:
            continue
        period_ns = sending.period_ns[i]
        sending.due_ns[i] = max(sending.due_ns[i] + period_ns, now_ns - period_ns + 1)
        if beats and sending.counts[0]:
            values[R_HEARTBEAT] = (values[R_HEARTBEAT] + 1.0) % _HEARTBEATS
        for k in range(codec.first[f + 1] - codec.first[f]):
            sending.payload[k] = values[sending.value_of[i, k]]
        append_packed(codec, f, sending.payload, sending.counter[i], tx)
        sending.counter[i] = (sending.counter[i] + 1) % codec.counters[f]


class SentValues:
    """A robot's commands as frames.

    sending  makes them
    """

    def __init__(self, session: Session) -> None:
        codec, told = session.codec, session.rig.device_under_test.periods_ms
        names = commands_in(codec.frames)
        value_of = np.zeros((len(names), codec.most_signals), np.int64)
        for i, name in enumerate(names):
            for k, signal in enumerate(codec.signals[codec.frame(name)]):
                value_of[i, k] = COMMAND[signal]
        periods = [told.get(name, USUAL_PERIODS_ms[name]) for name in names]
        self._signals: dict[str, tuple[str, ...]] = {n: codec.signals[codec.frame(n)] for n in names}
        values = np.full(len(COMMAND), math.nan)
        values[R_HEARTBEAT] = 0.0
        self.sending = Sending(
            codec=codec.table,
            frame_of=np.array([codec.frame(name) for name in names], np.int64),
            value_of=value_of,
            counter=np.zeros(len(names), np.int64),
            due_ns=np.full(len(names), -(1 << 62), np.int64),
            period_ns=np.array([round(period * 1e6) for period in periods], np.int64),
            values=values,
            payload=np.zeros(codec.most_signals),
            counts=np.ones(1, np.bool_),
        )
        self._values = values.data.cast("B").cast("d")
        self._given: tuple[str, ...] = ()  # names given last, and their places
        self._places: tuple[int, ...] = ()

    def take(self, values: Mapping[str, float]) -> None:
        """What the robot gave in a period. Raises RobotFailed for a name that is none, or no number."""
        names, numbers, cells = tuple(values), values.values(), self._values
        if names != self._given:
            self._places, self._given = _places(names), names
        if math.inf in numbers or -math.inf in numbers:
            name, value = next((name, value) for name, value in values.items() if math.isinf(value))
            raise RobotFailed("nonsense", f"it gave {value} for {name}; expected a number")
        if R_HEARTBEAT in self._places:
            self.sending.counts[0] = False
        for place, number in zip(self._places, numbers, strict=True):
            cells[place] = number

    def never_given(self, frame: str) -> list[str]:
        """The values of a frame, the heartbeat aside, if the robot gave none of them."""
        names = [name for name in self._signals.get(frame, ()) if COMMAND[name] != R_HEARTBEAT]
        return names if all(math.isnan(self._values[COMMAND[name]]) for name in names) else []


def _places(names: Sequence[str]) -> tuple[int, ...]:
    for name in names:
        if name not in COMMAND:
            known, near = ", ".join(ROBOT_COMMANDS), did_you_mean(name, ROBOT_COMMANDS)
            text = f"it gave a value for {name!r:.60}{near}; expected one of {known}"
            raise RobotFailed("nonsense", text)
    return tuple(COMMAND[name] for name in names)
