"""The bench's frames as a robot has to know them: layout, protection, timing, and what odd values do."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from emulator.assembly.frame_tables import robot_frames
from emulator.assembly.session import Session
from emulator.config.rig.file import Rig, inputs_of
from emulator.config.rig.outputs import (
    COMMAND_FRAMES,
    INPUT_FRAME,
    CommandFrame,
    REQUEST_PERIOD_ms,
    USUAL_PERIODS_ms,
)
from emulator.core.frame_buffer import EXTENDED, EXTENDED_MASK, identifier_digits
from emulator.core.signals import COMMAND, COMMANDS, OUTPUT, OUTPUTS
from emulator.core.trip_reasons import TripReason
from emulator.inspection.interface.description import Frame, Protection, Sample, Sender, Signal, Watch
from emulator.inspection.interface.signs import COMMAND_SIGNS, INPUT_SIGNS, OUTPUT_SIGNS, REQUEST_SIGNS, Sign
from emulator.inspection.sensors.budget import budget_of
from emulator.plant.commands import WATCH_HEARTBEAT, WATCHES
from emulator.vehicle.driveline import TOP_GEAR
from emulator.wire.can_frames import Codec, check, pack, protect, unpack
from emulator.wire.can_timing import right_of_way
from emulator.wire.dbc_file import read_dbc
from emulator.wire.dbc_frames import header_fields
from emulator.wire.e2e import (
    BARE,
    MODES,
    NIBBLE,
    POLYNOMIAL_PROFILE_1,
    POLYNOMIAL_PROFILE_2,
    POLYNOMIAL_PROFILE_5,
    PROFILE_1,
    PROFILE_2,
    START_PROFILE_5,
    profile_1_start,
)
from emulator.wire.frame_map import Guard

Values = Mapping[str, float]

_EVERY_CODE = "every code is a value: it can't say 'not available'"


_NEWS = "a frame with a right CRC and a new alive counter in which it is available"
_NEWS_OF_BEATS = "a frame with a right CRC and a new alive counter in which it has another value than before"


class Words(NamedTuple):
    """What the DBC says of a frame: its comment, and of each signal comment and names of raw values."""

    frame: str
    signals: dict[str, str]
    codes: dict[str, dict[str, str]]


def words_of(dbc: Path, name: str) -> Words:
    """Comments of a frame of a DBC that was read before."""
    (message,) = (frame for frame in read_dbc(dbc).frames if frame.name == name)
    return Words(
        message.comment,
        {s.name: s.comment for s in message.signals},
        {s.name: {str(raw): text for raw, text in s.choices.items()} for s in message.signals},
    )


def command_limits(rig: Rig) -> dict[str, tuple[float, float]]:
    """What the bench makes of a robot's command at most, by signal, in the signal's unit."""
    a = rig.actuators
    limits = {
        "throttle": (0.0, 1.0),
        "clutch": (0.0, 1.0),
        "front_brake_Pa": (0.0, a.front_brake.limit_bar * 1e5),
        "rear_brake_Pa": (0.0, a.rear_brake.limit_bar * 1e5),
        "gear_request": (0.0, float(TOP_GEAR)),
    }
    if rig.steering == "torque_driven":
        limits["steering_torque_Nm"] = (-a.steering.limit_Nm, a.steering.limit_Nm)
    return limits


def frames_of_bench(
    session: Session, dbc: Path, samples: Mapping[str, Sequence[Sample]], speed_m_s: float
) -> list[Frame]:
    """Every frame of the rig, the most urgent first.

    samples    by frame name
    speed_m_s  at which the lag of wheel speed is told
    """
    codec = session.codec
    budget = budget_of(session.rig, session.vehicle, codec, speed_m_s=speed_m_s)
    lags = {o.name: o.age.behind for o in budget.outputs}
    in_dbc = {name: there.frame for name, there in zip(codec.frames, codec.in_dbc, strict=True)}
    order = sorted(codec.frames, key=lambda name: right_of_way(int(codec.table.can_id[codec.frame(name)])))
    return [
        frame_of(
            session,
            words_of(dbc, in_dbc[name]),
            name,
            tuple(samples.get(name, ())),
            lags.get(name),
        )
        for name in order
    ]


def sample_of(codec: Codec, name: str, situation: str, values: Values, counter: int = 0) -> Sample:
    """A frame packed and protected by the codec, and what the codec reads of it.

    Signals that are not among ``values`` are sent as not available. AssertionError if the check refuses it.
    """
    f = codec.frame(name)
    data = np.zeros(int(codec.table.length[f]), np.uint8)
    row = np.array([values.get(signal, np.nan) for signal in codec.signals[f]])
    pack(codec.table, f, row, data)
    protect(codec.table, f, counter, data)
    return read_sample(codec, name, situation, data.tobytes())


def read_sample(codec: Codec, name: str, situation: str, payload: bytes) -> Sample:
    """A frame as it came, checked and read by the codec. AssertionError if the check refuses it."""
    f = codec.frame(name)
    data = np.frombuffer(payload, np.uint8)
    counter = check(codec.table, f, data, len(payload))
    assert counter >= 0, f"{name}: {payload.hex()} does not hold its check"
    row = np.zeros(len(codec.signals[f]))
    unpack(codec.table, f, data, row)
    return Sample(
        situation=situation,
        hex=payload.hex(),
        counter=int(counter) if codec.table.profile[f] != BARE else None,
        values={
            signal: None if np.isnan(value) else float(value)
            for signal, value in zip(codec.signals[f], row, strict=True)
        },
    )


def frame_of(
    session: Session, words: Words, name: str, samples: tuple[Sample, ...], lag_ms: float | None
) -> Frame:
    """A frame of the session's codec, described."""
    rig, codec = session.rig, session.codec
    f = codec.frame(name)
    can_id = int(codec.table.can_id[f])
    sender: Sender = "bench"
    latency = jitter = gap = longest = None
    watches: tuple[Watch, ...] = ()
    if name in rig.outputs:
        output = rig.outputs[name]
        period_ms, latency, jitter = 1000.0 / output.rate_hz, output.latency_ms, output.jitter_ms
        gap = period_ms + rig.timing.hole_ms
        required, why = True, "sent in every state, from the start of the bench until it ends"
    elif name == rig.rehearsal.request_frame:
        period_ms, required, why = REQUEST_PERIOD_ms, False, "only while a robot is rehearsed"
    elif name == INPUT_FRAME:
        sender, period_ms = "interlocks", rig.limits.permissive_timeout_ms / 3.0
        required, why = True, "the rig asks for it: " + ", ".join(inputs_of(rig))
    else:
        sender, watches = "robot", _watches(session, f)
        period_ms = _period_ms(rig, name)
        required, why = _required(rig, session, f, watches)
        if watches:
            longest = min(w.timeout_ms for w in watches) - rig.limits.overrun_limit_ms
            longest = longest if longest > 0.0 else None
    return Frame(
        name=name,
        dbc_name=codec.in_dbc[f].frame,
        sender=sender,
        meaning=words.frame,
        identifier=can_id & EXTENDED_MASK,
        identifier_hex=identifier_digits(can_id),
        extended=bool(can_id & EXTENDED),
        can_fd=codec.fd[f],
        bytes=int(codec.table.length[f]),
        required=required,
        why_required=why,
        period_ms=period_ms,
        longest_period_ms=longest,
        rate_hz=1000.0 / period_ms,
        latency_ms=latency,
        lag_ms=lag_ms,
        jitter_ms=jitter,
        longest_gap_ms=gap,
        watches=watches,
        signals=tuple(_signal(session, words, f, k) for k in range(len(codec.signals[f]))),
        protection=_protection(codec, f),
        samples=samples,
    )


def _period_ms(rig: Rig, name: str) -> float:
    """How often a frame of the robot is expected."""
    frame: CommandFrame = next(n for n in USUAL_PERIODS_ms if n == name)
    return rig.device_under_test.periods_ms.get(frame, USUAL_PERIODS_ms[frame])


def _watches(session: Session, f: int) -> tuple[Watch, ...]:
    """What of a robot's frame has to come again and again, as the plant's tables have it."""
    rig, robot = session.rig, robot_frames(session)
    found = []
    for watch in range(len(WATCHES)):
        if not robot.carries[f, watch]:
            continue
        beats = watch == WATCH_HEARTBEAT
        of_watch = {"heartbeat": "heartbeat", "steering": _steering(rig), "drive": "throttle"}
        found.append(
            Watch(
                signal=of_watch[WATCHES[watch]],
                news=_NEWS_OF_BEATS if beats else _NEWS,
                timeout_ms=rig.limits.heartbeat_timeout_ms if beats else rig.limits.command_timeout_ms,
                states=("armed", "running") if beats else ("running",),
                trip_reason=int(TripReason.HEARTBEAT if beats else TripReason.COMMAND),
            )
        )
    return tuple(found)


def _steering(rig: Rig) -> str:
    return "steering_angle_rad" if rig.steering == "angle_driven" else "steering_torque_Nm"


def _required(rig: Rig, session: Session, f: int, watches: tuple[Watch, ...]) -> tuple[bool, str]:
    """Whether a robot's frame has to be sent, and why."""
    if watches:
        parts = [f"{w.signal} within {w.timeout_ms:g} ms while {' or '.join(w.states)}" for w in watches]
        return True, f"watched: {', '.join(parts)}; else the bench trips"
    asked = {
        "steering_angle_rad": rig.monitors.steering_angle,
        "estimate_roll_rad": rig.monitors.lean_estimate,
        "estimate_speed_m_s": rig.monitors.speed_estimate,
    }
    compared = [s for s in session.codec.signals[f] if asked.get(s) is not None]
    if compared:
        return True, f"the rig compares {', '.join(compared)} with the plant: never sent is beyond any bound"
    return False, "not watched; what is not sent is not compared, or keeps its last value"


def _signal(session: Session, words: Words, f: int, k: int) -> Signal:
    rig, codec = session.rig, session.codec
    t, name = codec.table, codec.signals[f][k]
    s = int(t.first[f]) + k
    bits = _bits(int(t.byte[s]), int(t.bit[s]), int(t.size[s]), int(t.step[s]))
    little = int(t.step[s]) > 0
    ends = sorted(float(raw * t.factor[s] + t.offset[s]) for raw in (t.raw_low[s], t.raw_high[s]))
    known, sign = _known(codec.frames[f], name)
    missing = bool(t.has_missing[s])
    limits = command_limits(rig).get(name) if codec.frames[f] in COMMAND_FRAMES else None
    not_available, beyond = _odd_values(session, f, name, missing, limits)
    in_dbc = codec.in_dbc[f].signals[k]
    return Signal(
        name=name,
        dbc_name=in_dbc,
        unit=codec.units[f][k],
        dbc_unit=codec.in_dbc[f].units[k],
        meaning=_meaning(known, words.signals.get(in_dbc, "")),
        zero=sign.zero,
        positive=sign.positive,
        bits=bits,
        start_bit=bits[0] if little else bits[-1],
        byte_order="little_endian" if little else "big_endian",
        signed=bool(t.signed[s]),
        factor=float(t.factor[s]),
        offset=float(t.offset[s]),
        minimum=ends[0],
        maximum=ends[1],
        raw_minimum=int(t.raw_low[s]),
        raw_maximum=int(t.raw_high[s]),
        raw_not_available=int(t.raw_missing[s]) if missing else None,
        codes=words.codes.get(in_dbc, {}),
        not_available=not_available,
        out_of_range=beyond,
        acts_from=None if limits is None else limits[0],
        acts_to=None if limits is None else limits[1],
    )


def _bits(byte: int, bit: int, size: int, step: int) -> tuple[int, ...]:
    """Bit numbers from the least significant on, by the codec's own walk."""
    found = []
    for _ in range(size):
        found.append(8 * byte + bit)
        bit += 1
        if bit == 8:
            byte, bit = byte + step, 0
    return tuple(found)


def _meaning(known: str, comment: str) -> str:
    """The program's words and the DBC's, which often say more of the same."""
    comment = comment.rstrip(".")
    if comment.casefold().startswith(known.casefold()):
        return comment
    return f"{known}; {comment}" if comment else known


def _known(frame: str, name: str) -> tuple[str, Sign]:
    """Meaning of a value by the program's table, and its signs."""
    if frame in COMMAND_FRAMES:
        return COMMANDS[COMMAND[name]].meaning, COMMAND_SIGNS[name]
    if frame == INPUT_FRAME:
        return "", INPUT_SIGNS.get(name, Sign(""))
    if name in REQUEST_SIGNS:
        return REQUEST_SIGNS[name]
    return OUTPUTS[OUTPUT[name]].meaning, OUTPUT_SIGNS[name]


def _odd_values(
    session: Session, f: int, name: str, missing: bool, limits: tuple[float, float] | None
) -> tuple[str, str]:
    """What 'not available' and a code beyond the range do in a signal, in words."""
    rig, frame = session.rig, session.codec.frames[f]
    if frame == rig.rehearsal.request_frame:
        return "never sent so", "never sent"
    if frame in rig.outputs:
        absent = name in rig.outputs[frame].absent
        told = "always sent so by this rig: the bench has the real one" if absent else _MISSING_OUTPUT
        return told if missing else _EVERY_CODE, "never sent: values are held at the range's ends"
    if frame == INPUT_FRAME and name == rig.local_enable:
        return "neither released nor pressed" if missing else _EVERY_CODE, "neither released nor pressed"
    if frame == INPUT_FRAME:
        return (
            "withdraws it at once: not given" if missing else _EVERY_CODE,
            "withdraws it: only a 1 permits",
        )
    watched = [w for w in _watches(session, f) if w.signal == name]
    told = _EVERY_CODE
    if missing:
        told = "changes nothing: the last value holds"
        if limits is not None:
            told += ", and before the first one the actuator stays where it is"
        if watched:
            told += (
                f"; it is no news, so after {watched[0].timeout_ms:g} ms of it the bench trips while "
                + " or ".join(watched[0].states)
            )
    beyond = "taken as it stands"
    if limits is not None:
        beyond += f"; the actuator goes from {limits[0]:.10g} to {limits[1]:.10g} only" + _told_of_limit(rig)
    return told, beyond


_MISSING_OUTPUT = "there is no measurement: take it as missing, not as 0, and not as the last one"


def _told_of_limit(rig: Rig) -> str:
    """What the monitor of limits makes of a command beyond its actuator."""
    monitor = rig.monitors.command_limit
    if monitor is None:
        return ""
    then = "is a trip" if monitor.then == "trip" else "is recorded as an event"
    return f", and a command beyond it for longer than {monitor.for_ms:g} ms {then}"


def _protection(codec: Codec, f: int) -> Protection | None:
    t = codec.table
    profile, at, data_id, mode = (int(row[f]) for row in (t.profile, t.header, t.data_id, t.mode))
    if profile == BARE:
        return None
    crc, counter = (
        tuple(range(8 * byte + bit, 8 * byte + bit + size))
        for byte, bit, size in header_fields(Guard(profile, at))
    )
    sent = profile == PROFILE_1 and mode == NIBBLE
    data_ids: tuple[int, ...] = (data_id,)
    after: tuple[tuple[int, ...], ...] = ((),)
    start: tuple[int, ...]
    if profile == PROFILE_1:
        polynomial = POLYNOMIAL_PROFILE_1
        start = (profile_1_start(data_id, mode, 0), profile_1_start(data_id, mode, 1))
    elif profile == PROFILE_2:
        polynomial, start, data_ids = POLYNOMIAL_PROFILE_2, (0xFF,), tuple(map(int, t.data_ids[f]))
        after = tuple((one,) for one in data_ids)
    else:
        polynomial, start = POLYNOMIAL_PROFILE_5, (START_PROFILE_5,)
        after = ((data_id & 0xFF, data_id >> 8),)
    in_crc = {bit // 8 for bit in crc}
    return Protection(
        profile=f"AUTOSAR E2E {codec.profiles[f]}",
        data_ids=data_ids,
        mode=MODES[mode] if profile == PROFILE_1 else "",  # type: ignore[arg-type]  # one of the four
        crc_bits=crc,
        counter_bits=counter,
        counters=int(t.counters[f]),
        data_id_bits=tuple(range(counter[-1] + 1, counter[-1] + 5)) if sent else (),
        data_id_sent=data_id >> 8 & 0xF if sent else 0,
        crc_polynomial=polynomial,
        crc_start=start,
        crc_over=tuple(byte for byte in range(int(t.length[f])) if byte not in in_crc),
        crc_after=after,
        crc_final_xor=0xFF if profile == PROFILE_2 else 0,
    )
