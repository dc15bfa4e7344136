"""What was heard of a robot: frames with their times of arrival, and when the bench itself did not listen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.session import Session
from emulator.config.rig.outputs import USUAL_PERIODS_ms, commands_in
from emulator.core.compiled import jit
from emulator.wire.can_frames import Codec, FrameCodec, check, unpack

Received = tuple[int, int, bytes]
"""Arrival [ns, CLOCK_MONOTONIC], identifier (bit 31 set for 29-bit ones), payload."""
Spans = tuple[tuple[int, int], ...]
"""(begin, end) [ns] in which the bench did not come round: what arrived then bears the time of the end."""


@dataclass(frozen=True)
class Arrivals:
    """Frames of one identifier: (n,) times of arrival [ns], ascending, and their payloads."""

    at_ns: NDArray[np.int64]
    payloads: tuple[bytes, ...]

    def after(self, time_ns: int) -> Arrivals:
        """Only those that arrived later."""
        k = int(np.searchsorted(self.at_ns, time_ns, "right"))
        return Arrivals(self.at_ns[k:], self.payloads[k:])

    @property
    def count(self) -> int:
        """How many."""
        return len(self.payloads)


@dataclass(frozen=True)
class Heard:
    """A stretch of time on the bus.

    frames     by name, the robot's frames of the DBC, each, also those that never came
    strangers  by identifier, what no DBC of the rig declares
    deaf       see Spans
    lost       frames the bench's own link lost in it, or could not make sense of
    """

    begin_ns: int
    end_ns: int
    frames: dict[str, Arrivals]
    strangers: dict[int, Arrivals]
    deaf: Spans = ()
    lost: int = 0

    @property
    def seconds(self) -> float:
        """How long it is."""
        return (self.end_ns - self.begin_ns) * 1e-9

    def deaf_ns(self, begin_ns: int, end_ns: int) -> int:
        """How much of a stretch the bench did not listen."""
        return sum(max(0, min(end, end_ns) - max(begin, begin_ns)) for begin, end in self.deaf)

    @property
    def longest_deaf_ns(self) -> int:
        """The longest time in it that the bench did not come round."""
        return max((end - begin for begin, end in self.deaf), default=0)


@dataclass(frozen=True)
class ExpectedFrame:
    """A frame that the robot has to send.

    period_ms   as the rig says, or else as usual
    told        the rig says it, or our own robot sends: not only usual
    timeout_ms  how long a watched value in it may stay away before the bench trips; None: not watched
    """

    name: str
    f: int
    period_ms: float
    told: bool
    timeout_ms: float | None

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        return 1000.0 / self.period_ms


def expected_frames(session: Session) -> tuple[ExpectedFrame, ...]:
    """The robot's frames of a rig, in the order of the DBC's commands."""
    rig, codec = session.rig, session.codec
    dut, limits = rig.device_under_test, rig.limits
    steering = "steering_angle_rad" if rig.steering == "angle_driven" else "steering_torque_Nm"
    watched = {
        "heartbeat": limits.heartbeat_timeout_ms,
        steering: limits.command_timeout_ms,
        "throttle": limits.command_timeout_ms,
    }
    found = []
    for name in commands_in(codec.frames):
        f, usual_ms = codec.frame(name), USUAL_PERIODS_ms[name]
        timeouts = [watched[s] for s in codec.signals[f] if s in watched]
        told = dut.kind == "reference" or name in dut.periods_ms
        found.append(
            ExpectedFrame(name, f, dut.periods_ms.get(name, usual_ms), told, min(timeouts, default=None))
        )
    return tuple(found)


def sort_frames(
    received: Iterable[Received], codec: Codec, begin_ns: int, end_ns: int, deaf: Spans = (), lost: int = 0
) -> Heard:
    """Frames of a stretch of time by what they are, without those of the DBC that are not the robot's."""
    names = {int(i): name for i, name in zip(codec.table.can_id, codec.frames, strict=True)}
    times: dict[int, list[int]] = {}
    payloads: dict[int, list[bytes]] = {}
    for at_ns, can_id, payload in received:
        if begin_ns <= at_ns <= end_ns:
            times.setdefault(can_id, []).append(at_ns)
            payloads.setdefault(can_id, []).append(payload)

    def of(can_id: int) -> Arrivals:
        return Arrivals(np.array(times.get(can_id, []), np.int64), tuple(payloads.get(can_id, [])))

    return Heard(
        begin_ns,
        end_ns,
        {name: of(int(codec.table.can_id[codec.frame(name)])) for name in commands_in(codec.frames)},
        {can_id: of(can_id) for can_id in times if can_id not in names},
        tuple((b, e) for b, e in deaf if e > begin_ns and b < end_ns),
        lost,
    )


def values_of(codec: Codec, f: int, payloads: Sequence[bytes]) -> NDArray[np.float64]:
    """(n, signals) of the frames whose check holds; NaN is "not available"."""
    rows, held = decode(codec, f, payloads)
    return rows[held]


def decode(codec: Codec, f: int, payloads: Sequence[bytes]) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """(n, signals) of all frames, and (n,) whose check held: length, CRC, counter below 15."""
    n, longest = len(payloads), max(map(len, payloads), default=0)
    width = max(longest, int(codec.table.length[f]))
    data = np.frombuffer(bytearray().join(p.ljust(width, b"\0") for p in payloads), np.uint8).reshape(
        n, width
    )
    lengths = np.array([len(p) for p in payloads], np.int64)
    values, held = np.zeros((n, len(codec.signals[f]))), np.zeros(n, np.bool_)
    _decode(codec.table, f, data, lengths, values, held)
    return values, held


@jit
def _decode(
    codec: FrameCodec,
    f: int,
    data: NDArray[np.uint8],
    lengths: NDArray[np.int64],
    values: NDArray[np.float64],
    held: NDArray[np.bool_],
) -> None:
    for i in range(data.shape[0]):
        held[i] = check(codec, f, data[i], lengths[i]) >= 0
        if held[i]:
            unpack(codec, f, data[i], values[i])
