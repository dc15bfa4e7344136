"""What the robot's frames show while it is only listened to: there, in time, sound, counted, in range.

A robot that sends nothing at all is not accused: its plug may be out, or the bench's. One that sends some of
its frames can be heard, so a frame that never comes is not sent.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.frame_buffer import identifier_digits
from emulator.inspection.rehearsal.crc_start import crc_of, expected_start, fit_of, reckoned
from emulator.inspection.rehearsal.findings import Finding, Whose
from emulator.inspection.rehearsal.heard import Arrivals, ExpectedFrame, Heard, decode
from emulator.wire.can_frames import Codec
from emulator.wire.dbc_frames import header_fields
from emulator.wire.e2e import BARE
from emulator.wire.frame_map import Guard

LEAST_PERIODS = 30
"""So many periods of a frame have to be listened to before anything is said of its rate."""
RATE_TOLERANCE = 0.1
"""Share that a rate may be off: more than clocks are, less than any wrong divider (common practice,
no source)."""
_DEAF_SHARE = 0.1  # of the time listened to; beyond it the bench says nothing about rates
_FEW = 5  # frames that tell of a counter
_SAMPLES = 3
_WHAT_KEEPS = "what keeps the robot's sending task waiting"
_ONE_HOST = "; robot and bench share this machine, whose doing it may be"
_LOOK_AT_BENCH = "this machine: `emulator host`; what its link loses"


@dataclass(frozen=True)
class FrameFigures:
    """What was measured of a frame.

    interval_ms   median, 99 % and greatest time between two arrivals, as the bench came round to them
    jitter_ms     standard deviation of that time
    wrong_crc     frames whose CRC, length or counter of 15 was refused
    missed        frames that are missing by the alive counter; repeated: with the counter of the one before
    ranges        lowest and highest value of each signal; None: never available
    """

    name: str
    frames: int
    rate_hz: float
    expected_hz: float
    interval_ms: tuple[float, float, float]
    jitter_ms: float
    wrong_crc: int
    missed: int
    repeated: int
    ranges: dict[str, tuple[float, float] | None]


class _Frame(NamedTuple):
    """A frame on its way through the checks; ``steps`` of its counter, ``values`` where its check held."""

    expected: ExpectedFrame
    arrivals: Arrivals
    steps: NDArray[np.int64]
    values: NDArray[np.float64]
    figures: FrameFigures
    heard: Heard
    codec: Codec


def listening_seconds(expected: tuple[ExpectedFrame, ...], least_s: float) -> float:
    """How long has to be listened."""
    return max(least_s, *(1.1e-3 * LEAST_PERIODS * frame.period_ms for frame in expected))


def figures_of(expected: ExpectedFrame, heard: Heard, codec: Codec) -> FrameFigures:
    """What was measured of a frame; not a number where nothing was."""
    return _frame(expected, heard, codec).figures


def judge_listening(
    heard: Heard, expected: tuple[ExpectedFrame, ...], codec: Codec, *, one_host: bool
) -> list[Finding]:
    """What is wrong with the robot's frames.

    one_host  robot and bench share a machine: a pause of the robot, and what it takes off a rate, may be the
              machine's
    """
    frames = [_frame(e, heard, codec) for e in expected]
    if all(f.arrivals.count == 0 for f in frames):
        return [_nothing(heard)]
    found: list[Finding] = []
    for f in frames:
        if f.arrivals.count == 0:
            found.append(_missing(f))
            continue
        found += [
            *_lengths(f),
            *_checks(f),
            *_counters(f),
            *_rate(f, one_host=one_host),
            *_pauses(f, one_host=one_host),
            *_values(f),
        ]
    return found


def in_hex(f_id: int, payload: bytes) -> str:
    """A frame as the trade writes it."""
    return f"{identifier_digits(f_id)}#{payload.hex().upper()}"


def _frame(expected: ExpectedFrame, heard: Heard, codec: Codec) -> _Frame:
    arrivals = heard.frames[expected.name]
    f, n = expected.f, arrivals.count
    counters = np.array(_counters_in(codec, f, arrivals.payloads), np.int64)
    steps = np.diff(counters) % int(codec.table.counters[f])
    gaps = np.diff(arrivals.at_ns) * 1e-6
    rate = (n - 1) / float(gaps.sum()) * 1e3 if n > 1 and gaps.sum() > 0.0 else math.nan
    percentiles = np.percentile(gaps, (50, 99, 100)) if n > 1 else (math.nan,) * 3
    decoded, held = decode(codec, f, arrivals.payloads)
    values = decoded[held]
    figures = FrameFigures(
        name=codec.label(expected.name),
        frames=n,
        rate_hz=rate,
        expected_hz=expected.rate_hz,
        interval_ms=(float(percentiles[0]), float(percentiles[1]), float(percentiles[2])),
        jitter_ms=float(gaps.std()) if n > 1 else math.nan,
        wrong_crc=n - int(held.sum()),
        missed=int(np.maximum(steps - 1, 0).sum()),
        repeated=int((steps == 0).sum()),
        ranges={s: _range(values[:, k]) for k, s in enumerate(codec.signals[f])},
    )
    return _Frame(expected, arrivals, steps, values, figures, heard, codec)


def _range(values: NDArray[np.float64]) -> tuple[float, float] | None:
    there = values[~np.isnan(values)]
    return (float(there.min()), float(there.max())) if there.size else None


def _samples(f: _Frame, payloads: list[bytes] | tuple[bytes, ...]) -> tuple[str, ...]:
    can_id = int(f.codec.table.can_id[f.expected.f])
    return tuple(in_hex(can_id, p) for p in payloads[:_SAMPLES])


def _bench_heard(f: _Frame) -> bool:
    """Whether the bench listened well enough to speak of frames that did not come."""
    deaf = f.heard.deaf_ns(f.heard.begin_ns, f.heard.end_ns)
    return f.heard.lost == 0 and deaf <= _DEAF_SHARE * (f.heard.end_ns - f.heard.begin_ns)


def _bench_words(f: _Frame) -> str:
    deaf_ms = f.heard.deaf_ns(f.heard.begin_ns, f.heard.end_ns) * 1e-6
    return f"the bench lost {f.heard.lost} frames and did not listen for {deaf_ms:.0f} ms"


# --- one check each ---------------------------------------------------------------------------------


def _nothing(heard: Heard) -> Finding:
    strangers = ", ".join(f"{identifier_digits(i)} ({a.count})" for i, a in heard.strangers.items())
    return Finding(
        kind="silent",
        about="bus",
        whose="nobody knows",
        what="no frame of the robot came",
        measured=f"0 frames in {heard.seconds:.1f} s; other identifiers: {strangers or 'none'}",
        expected="the robot's frames of the DBC",
        look="is the robot on, and on this bus; bit rate, wiring and termination; identifiers; a bench that "
        "hears nobody can't accuse anybody",
    )


def _missing(f: _Frame) -> Finding:
    heard, codec, f_ = f.heard, f.codec, f.expected.f
    as_stranger = [
        i for i, a in heard.strangers.items() if a.count >= _FEW and _fits(codec, f_, a.payloads[:_FEW])
    ]
    words = "".join(
        f"; {identifier_digits(i)} has its length and its CRC: sent with a wrong identifier"
        for i in as_stranger
    )
    sure = _bench_heard(f) and heard.seconds * 1e3 >= 10 * f.expected.period_ms
    identifier = identifier_digits(int(codec.table.can_id[f_]))
    return Finding(
        kind="missing",
        about=f.codec.label(f.expected.name),
        whose="robot" if sure else "bench",
        what=f"the frame never came, while others of the robot did{words}",
        measured=f"0 frames in {heard.seconds:.1f} s" + ("" if sure else f"; {_bench_words(f)}"),
        expected=f"identifier {identifier}, one every {f.expected.period_ms:g} ms",
        look="the robot's list of frames to send; its filter or gateway; the identifier",
        samples=tuple(in_hex(i, heard.strangers[i].payloads[0]) for i in as_stranger),
    )


def _fits(codec: Codec, f: int, payloads: tuple[bytes, ...]) -> bool:
    """Whether frames of another identifier could be this one: protected, of its length, their CRC right."""
    return bool(codec.table.profile[f] != BARE) and bool(decode(codec, f, payloads)[1].all())


def _lengths(f: _Frame) -> list[Finding]:
    length = int(f.codec.table.length[f.expected.f])
    wrong = [p for p in f.arrivals.payloads if len(p) != length]
    if not wrong:
        return []
    sizes = ", ".join(str(n) for n in sorted({len(p) for p in wrong}))
    return [
        Finding(
            kind="length",
            about=f.codec.label(f.expected.name),
            whose="robot",
            what="frames have another length than in the DBC",
            measured=f"{len(wrong)} of {f.arrivals.count} frames: {sizes} bytes",
            expected=f"{length} bytes",
            look="the robot's DBC or its data length code",
            samples=_samples(f, wrong),
        )
    ]


def _checks(f: _Frame) -> list[Finding]:
    codec, frame = f.codec, f.expected.f
    length = int(codec.table.length[frame])
    if codec.table.profile[frame] == BARE:
        return []
    whole = [p for p in f.arrivals.payloads if len(p) == length]
    if not reckoned(codec, frame):
        return _other_checks(f, whole)
    bad = [p for p in whole if crc_of(p, expected_start(codec, frame, p[1] & 0xF)) != p[0]]
    if not bad:
        return []
    fit = fit_of(codec, frame, bad)
    own = bool(fit.words) or len(bad) == len(whole) >= _FEW
    first = bad[0]
    should = crc_of(first, expected_start(codec, frame, first[1] & 0xF))
    return [
        Finding(
            kind="crc",
            about=f.codec.label(f.expected.name),
            whose="robot" if own else "nobody knows",
            what=(fit.words or "the CRC does not hold") + ("" if own else " in some frames"),
            measured=f"{len(bad)} of {len(whole)} frames; byte 0 is 0x{first[0]:02X}"
            + ("" if fit.start is None else f", which a start value of 0x{fit.start:02X} gives"),
            expected=f"0x{should:02X} in the first of them: polynomial 0x1D over bytes 1 to {length - 1}, "
            f"start value 0x{expected_start(codec, frame, first[1] & 0xF):02X} "
            f"(data id 0x{int(codec.table.data_id[frame]):04X})",
            look="where the robot computes E2E profile 1: data id, its mode, start value and final XOR"
            if own
            else "a second sender with this identifier, or bytes changed between checksum and bus",
            samples=_samples(f, bad),
        )
    ]


def _other_checks(f: _Frame, whole: list[bytes]) -> list[Finding]:
    """Frames of other profiles whose check does not hold; which mistake it is is not looked for."""
    codec, frame = f.codec, f.expected.f
    bad = [p for p in whole if not decode(codec, frame, (p,))[1].all()]
    if not bad:
        return []
    own = len(bad) == len(whole) >= _FEW
    return [
        Finding(
            kind="crc",
            about=codec.label(f.expected.name),
            whose="robot" if own else "nobody knows",
            what="the CRC does not hold" + ("" if own else " in some frames"),
            measured=f"{len(bad)} of {len(whole)} frames",
            expected=f"AUTOSAR E2E {codec.profiles[frame]} with the data ids of the rig's own_names",
            look=f"where the robot computes E2E {codec.profiles[frame]}: data ids, offset, byte order"
            if own
            else "a second sender with this identifier, or bytes changed between checksum and bus",
            samples=_samples(f, bad),
        )
    ]


def _counters_in(codec: Codec, f: int, payloads: Sequence[bytes]) -> list[int]:
    """Alive counters of frames that are long enough to have one; none of an unprotected frame."""
    profile, header = int(codec.table.profile[f]), int(codec.table.header[f])
    if profile == BARE:
        return []
    byte, bit, size = header_fields(Guard(profile, header))[1]
    return [p[byte] >> bit & (1 << size) - 1 for p in payloads if len(p) > byte]


def _counters(f: _Frame) -> list[Finding]:
    steps, n = f.steps, f.arrivals.count
    if len(steps) < _FEW:
        return []
    counters = _counters_in(f.codec, f.expected.f, f.arrivals.payloads)
    most = int(f.codec.table.counters[f.expected.f])
    shown = " ".join(str(c) for c in counters[:16])
    if (steps == 0).all():
        return [
            _counter_finding(
                f,
                "robot",
                "the alive counter stands still",
                f"{counters[0]} in all of {n} frames: all but the first are refused as repetitions",
                "who counts up in the robot, and whether a buffer is sent again without being filled",
            )
        ]
    if max(counters) >= most:
        return [
            _counter_finding(
                f,
                "robot",
                "the alive counter takes the value 15, which profile 1 never sends",
                f"{sum(c >= most for c in counters)} of {n} frames: {shown} ...",
                "the robot's counter wraps at 16 instead of 15",
            )
        ]
    off = int((steps != 1).sum())
    if off == 0:
        return []
    measured = (
        f"{off} of {len(steps)} steps are not 1: {f.figures.missed} frames missing by it, "
        f"{f.figures.repeated} with the counter of the one before; {shown} ..."
    )
    on_time = abs(f.figures.rate_hz / f.expected.rate_hz - 1.0) <= RATE_TOLERANCE
    if len(set(steps.tolist())) == 1 and on_time:  # at the full rate nothing was lost
        what = f"the alive counter goes on by {int(steps[0])} each time"
        return [_counter_finding(f, "robot", what, measured, "who counts up in the robot")]
    what = "the alive counter jumps"
    if not _bench_heard(f):
        return [_counter_finding(f, "bench", what, f"{measured}; {_bench_words(f)}", _LOOK_AT_BENCH)]
    look = (
        "frames lost between robot and bench (bus load, a full transmit queue, a gateway), or a second "
        "sender with this identifier"
    )
    return [_counter_finding(f, "nobody knows", what, measured, look)]


def _counter_finding(f: _Frame, whose: Whose, what: str, measured: str, look: str) -> Finding:
    counts = int(f.codec.table.counters[f.expected.f])
    return Finding(
        kind="counter",
        about=f.codec.label(f.expected.name),
        whose=whose,
        what=what,
        measured=measured,
        expected=f"each frame one more than the last, 0 to {counts - 1} and again",
        look=look,
        samples=_samples(f, f.arrivals.payloads),
    )


def _rate(f: _Frame, *, one_host: bool) -> list[Finding]:
    e, figures = f.expected, f.figures
    periods = f.heard.seconds * 1e3 / e.period_ms
    if periods < LEAST_PERIODS:
        return [_too_short(f, periods)]
    rate = figures.rate_hz if f.arrivals.count > 1 else f.arrivals.count / f.heard.seconds
    if abs(rate / e.rate_hz - 1.0) <= RATE_TOLERANCE:
        return []
    sent = rate * (1.0 + figures.missed / max(1, f.arrivals.count))
    lost_on_the_way = figures.missed > 0 and abs(sent / e.rate_hz - 1.0) <= RATE_TOLERANCE
    second = rate > e.rate_hz and bool(f.steps.size) and float((f.steps != 1).mean()) > RATE_TOLERANCE
    beyond = e.timeout_ms is not None and 1000.0 / rate > e.timeout_ms
    whose: Whose = "robot" if e.told or beyond else "nobody knows"
    look = "the timer or the divider that sends this frame in the robot"
    if not e.told:
        look = "the rig does not tell this period (device_under_test.periods_ms): write it there"
    if lost_on_the_way:
        whose, look = "nobody knows", "frames lost between robot and bench: its counter says it sent them"
    elif second and not (f.steps == 0).all():
        whose, look = "nobody knows", "a second sender with this identifier"
    elif one_host and rate < e.rate_hz and _in_time_but_for_pauses(f):
        whose, look = "nobody knows", _WHAT_KEEPS + _ONE_HOST
    if not _bench_heard(f):
        whose, look = "bench", _LOOK_AT_BENCH
    return [
        Finding(
            kind="rate",
            about=e.name,
            whose=whose,
            what=f"comes at {rate / e.rate_hz:.2f} of its rate",
            measured=f"{rate:.2f} Hz, {figures.frames} frames in {f.heard.seconds:.1f} s, "
            f"{figures.missed} missing by the counter" + ("" if _bench_heard(f) else f"; {_bench_words(f)}"),
            expected=f"{e.rate_hz:.2f} Hz, {RATE_TOLERANCE * 100:.0f} % more or less "
            f"({'told by the rig' if e.told else 'as usual; the rig does not say'})",
            look=look,
            samples=_samples(f, f.arrivals.payloads),
        )
    ]


def _in_time_but_for_pauses(f: _Frame) -> bool:
    """Whether most intervals are as they should be: a wrong timer or divider makes all of them longer."""
    return abs(f.figures.interval_ms[0] / f.expected.period_ms - 1.0) <= RATE_TOLERANCE


def _too_short(f: _Frame, periods: float) -> Finding:
    return Finding(
        kind="rate",
        about=f.codec.label(f.expected.name),
        whose="bench",
        what="was not listened to for long enough to speak of its rate",
        measured=f"{periods:.0f} periods",
        expected=f"{LEAST_PERIODS} periods",
        look="rehearsal.listen_s of the rig",
    )


def _pauses(f: _Frame, *, one_host: bool) -> list[Finding]:
    """Silences of a watched frame in which the bench would trip, less what the bench slept itself."""
    e, heard = f.expected, f.heard
    if e.timeout_ms is None:
        return []
    edges = np.concatenate([[heard.begin_ns], f.arrivals.at_ns, [heard.end_ns]])
    worst_ns, at_ns = 0, heard.begin_ns
    for begin, end in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
        silent_ns = end - begin - heard.deaf_ns(begin, end)
        if silent_ns > worst_ns:
            worst_ns, at_ns = silent_ns, begin
    if worst_ns <= e.timeout_ms * 1e6 or worst_ns <= 2e6 * e.period_ms:
        return []
    whose: Whose = "bench" if not _bench_heard(f) else "nobody knows" if one_host else "robot"
    return [
        Finding(
            kind="pause",
            about=e.name,
            whose=whose,
            what="the frame paused for longer than the bench waits",
            measured=f"{worst_ns * 1e-6:.1f} ms without one, {(at_ns - heard.begin_ns) * 1e-9:.2f} s after "
            "the begin; the bench listened meanwhile",
            expected=f"news within {e.timeout_ms:g} ms, or the bench trips",
            look=_WHAT_KEEPS + (_ONE_HOST if one_host else ""),
            samples=_samples(f, f.arrivals.payloads),
        )
    ]


def _values(f: _Frame) -> list[Finding]:
    """Codes beyond the DBC's range; values that never come; a heartbeat that stands."""
    codec, frame, table = f.codec, f.expected.f, f.codec.table
    found = []
    values = f.values
    if values.shape[0] < _FEW:
        return []
    for k, signal in enumerate(codec.signals[frame]):
        s = int(table.first[frame]) + k
        ends = sorted(
            float(raw * table.factor[s] + table.offset[s]) for raw in (table.raw_low[s], table.raw_high[s])
        )
        slack = 0.5 * abs(float(table.factor[s]))
        span = f.figures.ranges[signal]
        unit = codec.units[frame][k]
        if span is not None and not (ends[0] - slack <= span[0] and span[1] <= ends[1] + slack):
            found.append(
                Finding(
                    kind="range",
                    about=signal,
                    whose="robot",
                    what="a code beyond the range of the DBC",
                    measured=f"from {span[0]:.6g} to {span[1]:.6g} {unit}",
                    expected=f"from {ends[0]:.6g} to {ends[1]:.6g} {unit}",
                    look="how the robot packs it: factor, offset, sign, width",
                    samples=_samples(f, f.arrivals.payloads),
                )
            )
        if signal == "heartbeat" and span is not None and span[0] == span[1]:
            found.append(
                Finding(
                    kind="heartbeat",
                    about=signal,
                    whose="robot",
                    what="the heartbeat stands still",
                    measured=f"{span[0]:g} in all of {values.shape[0]} frames",
                    expected="another value in each frame: the bench arms for no other robot",
                    look="who counts it up in the robot; whether the robot is ready at all",
                    samples=_samples(f, f.arrivals.payloads),
                )
            )
    return found
