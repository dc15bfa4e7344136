"""What the timing certificate must keep for a run to count: promised, allowed and kept of every output."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple


@dataclass(frozen=True)
class TimingTolerance:
    """How far an output may be off its promise. Defaults: common practice, no source.

    rate_ppm     [ppm]  error of its mean period
    age_p99_ms   [ms]   of its age, median and p99, off the promised latency
    hole_ms      [ms]   of its longest silence beyond its period, and of its oldest sample beyond its latency:
                        what a machine does once, where the others are what it does always
    lost_frames  [1]    frames that the link refused
    """

    rate_ppm: float = 200.0
    age_p99_ms: float = 2.0
    hole_ms: float = 20.0
    lost_frames: int = 0


class Kept(NamedTuple):
    """One figure of an output.

    key       its name in the certificate
    allowed   what it may be at most; of an age, how far either way off ``promised``
    at_s      scenario time of the instant that decides it, None if it has none
    sentence  what is wrong, in words; empty if it was kept
    """

    key: str
    promised: float
    allowed: float
    kept: float
    at_s: float | None
    sentence: str


_DRAWN_AGE = {"age_ms_p50": 0.6745, "age_ms_p99": 2.5758}
"""A drawn jitter is half-normal: these shares of its sigma are part of the promise at p50 and p99 (quantiles
0.75 and 0.995 of the normal distribution)."""
_DRAWN_MOST = 5.0
"""The largest drawn jitter in sigma: one sample in 1.7 million has more (normal distribution)."""


def kept_of(name: str, output: Mapping[str, Any], tolerance: TimingTolerance) -> list[Kept]:
    """Every figure of one output of a certificate that has a promise.

    What chance does to a drawn jitter in a short run is no failing of the bench: four sigma of the mean
    period over the run, and of a mean age, are added. Both vanish with the jitter and with time. Nor does the
    one hole that a ride may have decide by its ages or by its rate: see _age_p99, _hole_ppm. Samples that
    events of the scenario made late are no part of any figure; where there are no others, only lost ones can
    be judged. What the certificate does not tell counts as not kept, but for figures that earlier versions
    did not have.
    """
    lost = _number(output, "lost")
    lost_frames = Kept(
        "lost",
        0.0,
        float(tolerance.lost_frames),
        lost,
        output.get("first_lost_s"),
        _unless(
            lost <= tolerance.lost_frames,
            f"{name}: {_text(lost)} {'frame' if lost == 1 else 'frames'} lost",
            f"{tolerance.lost_frames}",
        ),
    )
    if left_out(output) and output.get("judged") == 0:
        return [lost_frames]
    sent, drawn = _number(output, "sent"), _number(output, "drawn_ms") if "drawn_ms" in output else 0.0
    latency, rate = _number(output, "latency_ms"), _number(output, "rate_hz")
    chance_ppm = 4e3 * drawn * rate / sent if drawn else 0.0
    chance_ms = 4.0 * drawn / math.sqrt(sent) if drawn else 0.0
    figures = []
    ppm = abs(_number(output, "kept_ppm"))
    allowed = tolerance.rate_ppm + chance_ppm + _hole_ppm(tolerance.hole_ms, sent, rate)
    figures.append(
        Kept(
            "kept_ppm",
            0.0,
            allowed,
            ppm,
            None,
            _unless(ppm <= allowed, f"{name}: mean period off by {_text(ppm)} ppm", f"{_text(allowed)} ppm"),
        )
    )
    for key, share in _DRAWN_AGE.items():
        age, promised = _number(output, key), latency + share * drawn
        allowed = tolerance.age_p99_ms + chance_ms
        judged, which = key, "median age"
        if key == "age_ms_p99":
            judged, which, age = _age_p99(output, tolerance, rate)
        off = abs(age - promised)
        said = f"{name}: {which} {_text(age)} ms, promised {_text(promised)} ms"
        figures.append(
            Kept(
                judged,
                promised,
                allowed,
                age,
                None,
                _unless(off <= allowed, said, f"{_text(allowed)} ms off"),
            )
        )
    period, most = 1e3 / rate if rate else math.nan, _DRAWN_MOST * drawn
    for key, promised, when, said in (
        ("age_ms_max", latency + most, "age_max_at_s", "oldest sample"),
        ("silence_ms_max", period + most, "silence_end_s", "silent for"),
    ):
        if output.get(key) is None:
            continue
        value, at_s = _number(output, key), output.get(when)
        allowed = promised + tolerance.hole_ms
        at = f" {at_s:.1f} s into the ride" if isinstance(at_s, float) else ""
        words = f"{name}: {said} {_text(value)} ms{at}"
        figures.append(
            Kept(
                key, promised, allowed, value, at_s, _unless(value <= allowed, words, f"{_text(allowed)} ms")
            )
        )
    figures.append(lost_frames)
    return figures


def _age_p99(output: Mapping[str, Any], tolerance: TimingTolerance, rate: float) -> tuple[str, str, float]:
    """The age [ms] that is judged as the one at p99: its key, its words, and it.

    In a ride of a few seconds the samples that one hole makes late are more than a hundredth of all: there
    the oldest ones are left out, as many as come in the longest hole that is allowed, and one. Taken from the
    histogram, at a bin's upper edge.
    """
    histogram = output.get("age_histogram") or {}
    counts, edges = histogram.get("counts") or [], histogram.get("edges_ms") or []
    sent, spared = sum(counts), tolerance.hole_ms * rate * 1e-3 + 1.0
    if not sent or spared <= _HOLE_SHARE * sent:
        return "age_ms_p99", "age at p99", _number(output, "age_ms_p99")
    rank = max(1.0, 0.99 * (sent - spared))
    seen = 0
    for count, edge in zip(counts, edges[1:], strict=True):
        seen += count
        if seen >= rank:
            return "age_ms_p99_short", "age at p99, one hole left out,", float(edge)
    return "age_ms_p99", "age at p99", math.nan


def _hole_ppm(hole_ms: float, sent: float, rate: float) -> float:
    """What the longest hole that is allowed can make of the period [ppm], coming last in the ride.

    A hole h makes the samples within it late, by h, h less a period and so on, h^2 / 2 periods altogether.
    The line by least squares through n samples of a time T takes 6 / (n T) of what its end is off.
    Below 0.2 ppm after two minutes.
    """
    if not (sent > 0.0 and rate > 0.0):
        return 0.0
    share = hole_ms * 1e-3 * rate / sent
    return 1e6 * (3.0 * share * share + 6.0 * share / sent)


_HOLE_SHARE = 0.005
"""A hole with a smaller share of the samples than this can't be what makes an age at p99; our own choice."""


def left_out(output: Mapping[str, Any]) -> int:
    """How many samples of an output are in no figure, since events of the scenario gave them another time."""
    counts = output.get("left_out")
    if not isinstance(counts, Mapping):
        return 0
    return sum(int(n) for key in ("frame_fault", "bus_fault") if (n := _number(counts, key)) > 0)


class TimingFinding(NamedTuple):
    """Something of the timing that was not kept: a sentence, and when it began [s] if that is known."""

    sentence: str
    at_s: float | None


def not_kept(certificate: Mapping[str, Any] | None, tolerance: TimingTolerance) -> Iterator[TimingFinding]:
    """All of a certificate that was not kept; that there is none, too."""
    outputs = (certificate or {}).get("outputs")
    if not isinstance(outputs, Mapping) or not outputs:
        yield TimingFinding(
            "there is no timing certificate; whether the bench kept its timing is unknown", None
        )
        return
    for name, output in outputs.items():
        if not isinstance(output, Mapping) or not _number(output, "sent") > 0:
            yield TimingFinding(f"timing not kept: {name}: never sent", None)
            continue
        for figure in kept_of(name, output, tolerance):
            if figure.sentence:
                yield TimingFinding(f"timing not kept: {figure.sentence}", figure.at_s)
        disordered = output.get("disordered")
        if disordered:  # samples of one output never overtake each other, whatever the tolerances
            samples = f"{int(disordered)} {'sample' if disordered == 1 else 'samples'}"
            yield TimingFinding(f"timing not kept: {name}: {samples} out of order", None)


def with_allowed(certificate: Mapping[str, Any], tolerance: TimingTolerance) -> dict[str, Any]:
    """The certificate with what is allowed beside what was kept: ``outputs.NAME.allowed``, by key.

    Of kept_ppm, silence_ms_max, age_ms_max and lost the most it may be; of age_ms_p50 and age_ms_p99 the
    least and the most, [ms, ms].
    """
    outputs = certificate.get("outputs")
    if not isinstance(outputs, Mapping):
        return dict(certificate)
    told = {}
    for name, output in outputs.items():
        if not isinstance(output, Mapping) or not _number(output, "sent") > 0:
            told[name] = output
            continue
        allowed: dict[str, Any] = {}
        for figure in kept_of(name, output, tolerance):
            if figure.key == "age_ms_p99_short":
                continue  # what stands in the certificate is not what was judged
            if figure.key in _DRAWN_AGE:
                ends = (figure.promised - figure.allowed, figure.promised + figure.allowed)
                allowed[figure.key] = [round(end, 3) for end in ends]
            else:
                allowed[figure.key] = round(figure.allowed, 3)
        told[name] = {**output, "allowed": allowed}
    return {**certificate, "outputs": told}


def processes_kept(processes: Mapping[str, Any]) -> dict[str, Any]:
    """What the bench's processes kept, for the certificate: by role, of emulator.stages.bench.evidence.

    promise_ms: the longest time between two turns that is no stall; longest_ms, count: the longest stall, how
    many there were. lag_ms: of the recorder, how long a row waited. delay_p50_us and so on: of the virtual
    bus, how long a frame can have been in it at most.
    """
    kept = {}
    for role, measured in processes.items():
        kept[role] = {
            key: measured[key] for key in ("promise_ms", "longest_ms", "count", "lag_ms") if key in measured
        }
        kept[role] |= {f"delay_{name}_us": us for name, us in (measured.get("delay_us") or {}).items()}
    return kept


def _unless(kept: bool, sentence: str, allowed: str) -> str:
    """The sentence, unless it was kept. A NaN is never within anything, so it is not kept."""
    return "" if kept else f"{sentence} (allowed {allowed})"


def _number(item: Mapping[str, Any], key: str) -> float:
    value = item.get(key)
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else math.nan


def _text(value: float) -> str:
    return "?" if math.isnan(value) else f"{value:.4g}"
