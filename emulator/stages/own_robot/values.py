"""Frames as values, for a robot that is spared the bytes: what it hears decoded, what it commands encoded.

Heard: frames with a wrong CRC or a repeated counter say nothing, as to any careful receiver; "not available"
is NaN. Sent: every frame of the robot at its period, its counter and CRC by the rig's DBC, once one of its
values was given; values that were not are sent as "not available". The heartbeat counts by itself unless it
is given.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.config.rig.outputs import USUAL_PERIODS_ms, commands_in
from emulator.config.validation import did_you_mean
from emulator.core.compiled import entry, jit
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import COMMAND, OUTPUT, OUTPUT_VALUES, R_HEARTBEAT, ROBOT_COMMANDS
from emulator.stages.own_robot.protocol import RobotFailed
from emulator.wire.can_frames import FrameCodec, append_packed, find, sound_and_new, unpack
from emulator.wire.geodesy import Origin
from emulator.wire.nmea_reading import Gga, Rmc, parse

_HEARTBEATS = 65536


@jit
def _hear(
    codec: FrameCodec,
    place_of: NDArray[np.int64],
    alive: NDArray[np.int64],
    payload: NDArray[np.float64],
    rx: FrameBuffer,
    n: int,
    heard: NDArray[np.float64],
    new: NDArray[np.int64],
) -> int:
    """The first ``n`` frames into ``heard``; returns how many places of it, in ``new``, were written."""
    written = 0
    for i in range(n):
        f = find(codec, rx.can_id[i])
        if f < 0 or place_of[f, 0] == -2:
            continue
        if not sound_and_new(codec, f, rx.data[i], rx.length[i], alive):
            continue
        unpack(codec, f, rx.data[i], payload)
        for k in range(codec.first[f + 1] - codec.first[f]):
            z = place_of[f, k]
            if z >= 0 and written < new.shape[0]:
                heard[z] = payload[k]
                new[written] = z
                written += 1
    return written


class HeardValues:
    """Values of what arrives, by the names of the DBC; a fix of the receiver by those of its values."""

    def __init__(self, session: Session) -> None:
        codec = session.codec
        places = np.full((len(codec.frames), codec.most_signals), -1, np.int64)
        for f, name in enumerate(codec.frames):
            if name not in session.outputs:
                places[f] = -2
                continue
            for k, signal in enumerate(codec.signals[f]):
                places[f, k] = OUTPUT.get(signal, -1)
        self._heard, self._new = np.zeros(len(OUTPUT)), np.zeros(1024, np.int64)
        self._arguments = (codec.table, places, np.full(len(codec.frames), -1), np.zeros(codec.most_signals))
        self._decode = entry(_hear, *self._arguments, frame_buffer(1), 0, self._heard, self._new)
        self._fixes = _Fixes(session.origin)

    def of_frames(self, inbox: FrameBuffer, n: int) -> dict[str, float]:
        """Of the first ``n`` frames; where two have the same value, of the last."""
        written = self._decode(*self._arguments, inbox, n, self._heard, self._new)
        heard = self._heard.tolist()
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


@jit
def _send(
    codec: FrameCodec,
    frame_of: NDArray[np.int64],
    value_of: NDArray[np.int64],
    counter: NDArray[np.int64],
    due_ns: NDArray[np.int64],
    period_ns: NDArray[np.int64],
    values: NDArray[np.float64],
    payload: NDArray[np.float64],
    tx: FrameBuffer,
    now_ns: int,
    counts: bool,
) -> None:
    """Append every frame that is due and has a value; ``counts``: the heartbeat counts by itself."""
    for i in range(frame_of.shape[0]):
        f = frame_of[i]
        if due_ns[i] > now_ns:
            continue
        given = beats = False
        for k in range(codec.first[f + 1] - codec.first[f]):
            z = value_of[i, k]
            if z == R_HEARTBEAT:
                beats = True
            elif not np.isnan(values[z]):
                given = True
        if not given:
            continue
        due_ns[i] = max(due_ns[i] + period_ns[i], now_ns - period_ns[i] + 1)
        if beats and counts:
            values[R_HEARTBEAT] = (values[R_HEARTBEAT] + 1.0) % _HEARTBEATS
        for k in range(codec.first[f + 1] - codec.first[f]):
            payload[k] = values[value_of[i, k]]
        append_packed(codec, f, payload, counter[i], tx)
        counter[i] = (counter[i] + 1) % codec.counters[f]


class SentValues:
    """A robot's commands as frames."""

    def __init__(self, session: Session) -> None:
        codec, told = session.codec, session.rig.device_under_test.periods_ms
        names = commands_in(codec.frames)
        value_of = np.zeros((len(names), codec.most_signals), np.int64)
        for i, name in enumerate(names):
            for k, signal in enumerate(codec.signals[codec.frame(name)]):
                value_of[i, k] = COMMAND[signal]
        periods = [told.get(name, USUAL_PERIODS_ms[name]) for name in names]
        self._signals: dict[str, tuple[str, ...]] = {n: codec.signals[codec.frame(n)] for n in names}
        self._values = np.full(len(COMMAND), math.nan)
        self._counts = True
        self._values[R_HEARTBEAT] = 0.0
        self._arguments = (
            codec.table,
            np.array([codec.frame(name) for name in names], np.int64),
            value_of,
            np.zeros(len(names), np.int64),
            np.full(len(names), -(1 << 62), np.int64),
            np.array([round(period * 1e6) for period in periods], np.int64),
            self._values,
            np.zeros(codec.most_signals),
        )
        self._encode = entry(_send, *self._arguments, frame_buffer(1), 0, True)

    def take(self, values: Mapping[str, float]) -> None:
        """What the robot gave in a period. Raises RobotFailed for a name that is none, or no number."""
        for name, value in values.items():
            place = COMMAND.get(name)
            if place is None:
                known, near = ", ".join(ROBOT_COMMANDS), did_you_mean(name, ROBOT_COMMANDS)
                text = f"it gave a value for {name!r:.60}{near}; expected one of {known}"
                raise RobotFailed("nonsense", text)
            if math.isinf(value):
                raise RobotFailed("nonsense", f"it gave {value} for {name}; expected a number")
            if place == R_HEARTBEAT:
                self._counts = False
            self._values[place] = value

    def never_given(self, frame: str) -> list[str]:
        """The values of a frame, the heartbeat aside, if the robot gave none of them."""
        names = [name for name in self._signals.get(frame, ()) if COMMAND[name] != R_HEARTBEAT]
        return names if all(math.isnan(self._values[COMMAND[name]]) for name in names) else []

    def send(self, tx: FrameBuffer, now_ns: int) -> None:
        """Append the frames that are due now."""
        self._encode(*self._arguments, tx, now_ns, self._counts)
