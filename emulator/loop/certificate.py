"""What was promised and what was kept: lateness, compute time and the timing certificate.

Everything is counted into fixed histograms by compiled code; nothing is allocated while the loop runs.
Histogram bins are spaced by the logarithm (``core.log_bins``), so a percentile read from one is within 0.3 %
(or 0.05 us) of the value of that rank, and never beyond the exact extremes, which are kept beside it. The
certificate's own histograms are ten times coarser.

All times given to this module are scenario time in integer nanoseconds (see ``runner.Plant``).

Where the bit rate of the bus is known, a frame counts when it has arrived. On the virtual bus of the stepped
clock that is known (``account_handed_over``, ``account_arrival``). In real time it is worked out from what
the bench itself sends: when the frame was handed over, or the bus was done with the frames before it, plus
its own time on the bus; no link of ours is told when a frame was over. Without a bit rate, handed over is all
there is.

What the scenario's own events do to a frame is no failing of the bench, and no part of the promise. Such
frames are left out of the statistics of what was kept, and counted by the reason: a fault of the frame gave
it another timing, or planted frames on the bus went before it. The ages of the latter are told apart.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core import log_bins
from emulator.core.compiled import bound, entry, jit
from emulator.core.frame_buffer import UNTIMED, FrameBuffer, frame_buffer
from emulator.core.log_bins import BINS, BINS_PER_DECADE, FIRST_EDGE_US
from emulator.wire.arbitration import WireTimes, frame_ns, wire_times

GNSS = -1
"""``OutputSpec.can_id`` of the GNSS stream."""


class OutputSpec(NamedTuple):
    """One output as promised: name as people are told it, identifier (or GNSS), rate, latency, drawn jitter.

    drawn_ns  one sigma
    wire_ns  how long its frame is on the bus; 0 where that is not known
    """

    name: str
    can_id: int
    rate_hz: float
    latency_ns: int
    drawn_ns: int = 0
    wire_ns: int = 0


_COARSER = 10
"""Bins that become one in a certificate's histogram."""


def edges_us(coarser: int = 1) -> NDArray[np.float64]:
    """The bin edges in microseconds: 0, 0.1, ..., 10 s, infinity; ``coarser``: of so many bins in one."""
    inner = FIRST_EDGE_US * 10.0 ** (np.arange(0, BINS - 1, coarser) / BINS_PER_DECADE)
    return np.concatenate([[0.0], inner, [np.inf]])


bin_of = jit(log_bins.bin_of)
_EDGES_NS = edges_us() * 1e3
_COARSE_EDGES_NS = edges_us(_COARSER) * 1e3
_MIDDLES_NS = np.concatenate([[0.5 * _EDGES_NS[1]], np.sqrt(_EDGES_NS[1:-2] * _EDGES_NS[2:-1]), [np.inf]])
_LONG_AGO = -(1 << 62)

# Columns of TimingAccounts._totals
_TICKS, _OVERRUNS, _MISSED, _MAX_LATENESS, _MAX_COMPUTE = range(5)

# Columns of TimingAccounts._outputs
(
    _SENT,
    _LOST,
    _LATE,
    _TIMED,
    _FIRST_SENT,
    _LAST_SENT,
    _LAST_VALID,
    _PERIODS,
    _SKIPPED,
    _INTERVALS,
    _MAX_JITTER,
    _MIN_ERROR,
    _MAX_ERROR,
    _DISORDERED,
    _SILENCE,
    _SILENCE_END,
    _FIRST_LOST,
    _OLDEST_AT,
    _LOST_AFTER,
    _UNTIMED,
    _DISTURBED,
    _DISTURBED_LATE,
    _DISTURBED_OLDEST,
    _DISTURBED_OLDEST_AT,
) = range(24)
_COLUMNS = 24

# Columns of FrameAccounts.fits
_POINTS, _MEAN_PERIOD, _MEAN_OFF, _CROSS, _SQUARE = range(5)
_FIT_COLUMNS = 5

# Places of FrameAccounts.wire
_FREE_ns, _PLANTED = range(2)


@jit
def _account_tick(
    totals: NDArray[np.int64],
    lateness_counts: NDArray[np.int64],
    compute_counts: NDArray[np.int64],
    period_ns: int,
    lateness_ns: int,
    compute_ns: int,
) -> None:
    """One tick: started so late, took so long."""
    totals[_TICKS] += 1
    if compute_ns > period_ns:
        totals[_OVERRUNS] += 1
    if lateness_ns >= period_ns:
        totals[_MISSED] += 1
    totals[_MAX_LATENESS] = max(totals[_MAX_LATENESS], lateness_ns)
    totals[_MAX_COMPUTE] = max(totals[_MAX_COMPUTE], compute_ns)
    lateness_counts[bin_of(lateness_ns)] += 1
    compute_counts[bin_of(compute_ns)] += 1


@jit
def _account_lost(out: NDArray[np.int64], due_ns: int) -> None:
    """One sample that the link refused."""
    if out[_LOST] == 0:
        out[_FIRST_LOST] = due_ns
    out[_LOST] += 1


@jit
def _fit(fit: NDArray[np.float64], periods: float, off_ns: float) -> None:
    """One more point of a line by least squares (Welford): ``off_ns`` after so many ``periods``."""
    fit[_POINTS] += 1.0
    ahead = periods - fit[_MEAN_PERIOD]
    fit[_MEAN_PERIOD] += ahead / fit[_POINTS]
    fit[_MEAN_OFF] += (off_ns - fit[_MEAN_OFF]) / fit[_POINTS]
    fit[_CROSS] += ahead * (off_ns - fit[_MEAN_OFF])
    fit[_SQUARE] += ahead * (periods - fit[_MEAN_PERIOD])


@jit
def _account_age(
    out: NDArray[np.int64],
    fit: NDArray[np.float64],
    jitter_counts: NDArray[np.int64],
    error_counts: NDArray[np.int64],
    period_ns: float,
    latency_ns: int,
    late_after_ns: int,
    due_ns: int,
    valid_ns: int,
    sent_ns: int,
) -> None:
    """One sample that is there; ``out``, ``fit``, ``jitter_counts``, ``error_counts`` are its output's rows.

    due_ns   when it should have been there; sent_ns  when it was
    """
    if valid_ns == UNTIMED:
        out[_UNTIMED] += 1
        return
    if sent_ns - due_ns > late_after_ns:
        out[_LATE] += 1
    error_ns = sent_ns - valid_ns - latency_ns
    if out[_TIMED] == 0 or error_ns > out[_MAX_ERROR]:
        out[_OLDEST_AT] = sent_ns
    if out[_TIMED] == 0:
        out[_FIRST_SENT] = sent_ns
        out[_MIN_ERROR] = error_ns
        out[_MAX_ERROR] = error_ns
    elif valid_ns < out[_LAST_VALID]:
        # A later one was there before it: how late it is counts, rate and jitter go by the others.
        out[_DISORDERED] += 1
        out[_MIN_ERROR] = min(out[_MIN_ERROR], error_ns)
        out[_MAX_ERROR] = max(out[_MAX_ERROR], error_ns)
    else:
        # Counting by the times of validity, a gap that was meant (a fault, a lost frame) is a gap of so
        # many periods, not a jitter of that size; it is reported as skipped.
        periods = round((valid_ns - out[_LAST_VALID]) / period_ns)
        jitter_ns = int(abs(sent_ns - out[_LAST_SENT] - periods * period_ns))
        out[_PERIODS] += periods
        out[_SKIPPED] += max(periods - 1, 0)
        out[_INTERVALS] += 1
        out[_MAX_JITTER] = max(out[_MAX_JITTER], jitter_ns)
        silence_ns = sent_ns - out[_LAST_SENT] - round(max(periods - 1, 0) * period_ns)
        if silence_ns > out[_SILENCE]:
            out[_SILENCE] = silence_ns
            out[_SILENCE_END] = sent_ns
        jitter_counts[bin_of(jitter_ns)] += 1
        out[_MIN_ERROR] = min(out[_MIN_ERROR], error_ns)
        out[_MAX_ERROR] = max(out[_MAX_ERROR], error_ns)
    if out[_TIMED] == 0 or valid_ns >= out[_LAST_VALID]:
        out[_LAST_SENT] = sent_ns
        out[_LAST_VALID] = valid_ns
        _fit(fit, float(out[_PERIODS]), sent_ns - out[_FIRST_SENT] - out[_PERIODS] * period_ns)
    out[_TIMED] += 1
    if error_ns >= 0:
        error_counts[BINS + bin_of(error_ns)] += 1
    else:
        error_counts[BINS - 1 - bin_of(-error_ns)] += 1


class FrameAccounts(NamedTuple):
    """What frames are counted into, for K outputs; compiled code may count directly.

    disturbed_counts  (K, BINS)  ages of frames that planted ones went before
    fits           (K, 5)  the line through an output's times of sending, over the periods counted
    times          how long frames are on the bus; where they are not told ``wire_ns`` (K,), of each output's
    wire     (2,)  when the bus is done with what it was given; 1: planted frames went before, and it has not
                   been idle since. In real time; the virtual bus has its own
    """

    ids: NDArray[np.int64]
    period_ns: NDArray[np.float64]
    latency_ns: NDArray[np.int64]
    outputs: NDArray[np.int64]
    fits: NDArray[np.float64]
    jitter_counts: NDArray[np.int64]
    error_counts: NDArray[np.int64]
    disturbed_counts: NDArray[np.int64]
    wire_ns: NDArray[np.int64]
    times: WireTimes
    wire: NDArray[np.int64]
    late_after_ns: int


@jit
def _output_of(a: FrameAccounts, can_id: int) -> int:
    """Which output an identifier is of; -1: of none."""
    for k in range(a.ids.shape[0]):
        if a.ids[k] == can_id:
            return k
    return -1


@jit
def _account_there(
    a: FrameAccounts, k: int, due_ns: int, valid_ns: int, arrival_ns: int, disturbed: bool
) -> None:
    """A frame of output ``k`` is there."""
    if not disturbed or valid_ns == UNTIMED:
        _account_age(
            a.outputs[k],
            a.fits[k],
            a.jitter_counts[k],
            a.error_counts[k],
            a.period_ns[k],
            a.latency_ns[k],
            a.late_after_ns,
            due_ns,
            valid_ns,
            arrival_ns,
        )
        return
    out, age_ns = a.outputs[k], arrival_ns - valid_ns
    out[_DISTURBED] += 1
    if arrival_ns - due_ns > a.late_after_ns:
        out[_DISTURBED_LATE] += 1
    if age_ns > out[_DISTURBED_OLDEST]:
        out[_DISTURBED_OLDEST], out[_DISTURBED_OLDEST_AT] = age_ns, arrival_ns
    a.disturbed_counts[k, bin_of(max(0, age_ns))] += 1


@jit
def account_frames(a: FrameAccounts, sent_ns: int, taken: int, frames: FrameBuffer) -> None:
    """All frames of one tick; the link took the first ``taken`` of them at ``sent_ns``."""
    for i in range(frames.count[0]):
        k = _output_of(a, frames.can_id[i])
        if i >= taken:
            if k >= 0:
                _account_lost(a.outputs[k], frames.time_ns[i])
            continue
        on_wire_ns = frame_ns(a.times, frames.can_id[i], frames.data[i], frames.length[i])
        if on_wire_ns == 0 and k >= 0:
            on_wire_ns = a.wire_ns[k]
        arrival_ns, disturbed = sent_ns, False
        if on_wire_ns > 0:
            if sent_ns >= a.wire[_FREE_ns]:
                a.wire[_PLANTED] = 0
            arrival_ns = max(sent_ns, a.wire[_FREE_ns]) + on_wire_ns
            a.wire[_FREE_ns] = arrival_ns
            disturbed = a.wire[_PLANTED] != 0
            if frames.valid_ns[i] == UNTIMED:
                a.wire[_PLANTED] = 1
        if k >= 0:
            a.outputs[k, _SENT] += 1
            _account_there(a, k, frames.time_ns[i], frames.valid_ns[i], arrival_ns, disturbed)


@jit
def _account_buffer(a: FrameAccounts, frames: FrameBuffer, sent_ns: int, taken: int) -> None:
    """The same of a buffer that stays the same."""
    account_frames(a, sent_ns, taken, frames)


@jit
def account_handed_over(a: FrameAccounts, can_id: int, due_ns: int, taken: bool) -> None:
    """A frame was handed to the virtual bus, or found no room there."""
    k = _output_of(a, can_id)
    if k < 0:
        return
    if taken:
        a.outputs[k, _SENT] += 1
    else:
        _account_lost(a.outputs[k], due_ns)


@jit
def account_arrival(
    a: FrameAccounts, can_id: int, due_ns: int, valid_ns: int, arrival_ns: int, disturbed: bool
) -> None:
    """A frame that was handed over has arrived; ``disturbed``: planted ones went before it."""
    k = _output_of(a, can_id)
    if k >= 0:
        _account_there(a, k, due_ns, valid_ns, arrival_ns, disturbed)


@jit
def account_given_up(a: FrameAccounts, can_id: int, due_ns: int, disturbed: bool) -> None:
    """A frame that was handed over never arrives; undisturbed it is lost, as if the link had refused it."""
    k = _output_of(a, can_id)
    if k >= 0 and not disturbed:
        a.outputs[k, _SENT] -= 1
        _account_lost(a.outputs[k], due_ns)


@jit
def _account_burst(a: FrameAccounts, k: int, due_ns: int, valid_ns: int, sent_ns: int, taken: bool) -> None:
    """One GNSS burst, which is output ``k``."""
    if taken:
        a.outputs[k, _SENT] += 1
        _account_there(a, k, due_ns, valid_ns, sent_ns, False)
    else:
        _account_lost(a.outputs[k], due_ns)


@jit
def _account_after(
    ids: NDArray[np.int64], outputs: NDArray[np.int64], taken: int, frames: FrameBuffer
) -> None:
    """Frames of a tick behind the ride: only those that the link refused are counted, each at its output."""
    for i in range(taken, frames.count[0]):
        for k in range(ids.shape[0]):
            if ids[k] == frames.can_id[i]:
                outputs[k, _LOST_AFTER] += 1


@jit
def percentile_bin(counts: NDArray[np.int64], fraction: float) -> int:
    """Bin that holds the smallest value not exceeded by ``fraction`` of all; -1 if there are none."""
    bins: int = counts.shape[0]
    total = 0
    for k in range(bins):
        total += counts[k]
    if total == 0:
        return -1
    rank = max(1, math.ceil(fraction * total - 1e-9))
    seen = 0
    for k in range(bins):
        seen += counts[k]
        if seen >= rank:
            return k
    return bins - 1


def percentile_ns(counts: NDArray[np.int64], fraction: float, max_ns: int) -> float:
    """Middle of that bin [ns], at most ``max_ns``; NaN if nothing was counted."""
    k = percentile_bin(counts, fraction)
    return math.nan if k < 0 else min(float(_MIDDLES_NS[k]), float(max_ns))


def _signed_percentile_ns(counts: NDArray[np.int64], fraction: float, min_ns: int, max_ns: int) -> float:
    """The same for a histogram of signed values: (2 * BINS,), negative ones mirrored below BINS."""
    k = percentile_bin(counts, fraction)
    if k < 0:
        return math.nan
    middle = float(_MIDDLES_NS[k - BINS]) if k >= BINS else -float(_MIDDLES_NS[BINS - 1 - k])
    return min(max(middle, float(min_ns)), float(max_ns))


def _coarse(counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """(BINS,) counts in the bins of a certificate's histogram; the first and the last stay by themselves."""
    inner = counts[1:-1].reshape(-1, _COARSER).sum(axis=1)
    return np.concatenate([counts[:1], inner, counts[-1:]])


def _number(value: float, digits: int = 3) -> float | None:
    """A number fit for a JSON file: rounded; None where there is none."""
    return round(value, digits) if math.isfinite(value) else None


class TimingAccounts:
    """Counts a run's timing and writes its certificate.

    outputs         what each output promises; frames with other identifiers are not part of the certificate
    period_ns       [ns] the loop's period; a tick that computes longer is an overrun, one that starts a
                    period or more after its deadline is a missed tick
    late_after_ns   [ns] a sample handed to its link this long after it was due is late
    lateness_counts (BINS,) int64, where to count lateness (the snapshot's, to let others see it live)
    times           how long any frame is on the bus; None: an output's own is all that is known

    Raises ValueError if an output's rate is not positive or two outputs share an identifier.
    """

    def __init__(
        self,
        outputs: Sequence[OutputSpec],
        *,
        period_ns: int = 1_000_000,
        late_after_ns: int = 1_500_000,
        lateness_counts: NDArray[np.int64] | None = None,
        times: WireTimes | None = None,
    ) -> None:
        ids = [o.can_id for o in outputs]
        if len(set(ids)) != len(ids):
            raise ValueError(f"two outputs share an identifier: {ids}")
        if any(not (o.rate_hz > 0 and math.isfinite(o.rate_hz)) for o in outputs):
            raise ValueError("every output needs a rate above 0 Hz")
        n = len(outputs)
        self.outputs = tuple(outputs)
        self.period_ns = period_ns
        self._late_after_ns = late_after_ns
        self._period_ns = np.array([1e9 / o.rate_hz for o in outputs], np.float64)
        self._latency_ns = np.array([o.latency_ns for o in outputs], np.int64)
        self._outputs = np.zeros((n, _COLUMNS), np.int64)
        self._fits = np.zeros((n, _FIT_COLUMNS))
        self._jitter = np.zeros((n, BINS), np.int64)
        self._error = np.zeros((n, 2 * BINS), np.int64)
        self._disturbed = np.zeros((n, BINS), np.int64)
        self._totals = np.zeros(5, np.int64)
        self._lateness = np.zeros(BINS, np.int64) if lateness_counts is None else lateness_counts
        self._compute = np.zeros(BINS, np.int64)
        self._gnss = ids.index(GNSS) if GNSS in ids else -1
        self._over = False
        self.frame_accounts = FrameAccounts(
            np.array(ids, np.int64),
            self._period_ns,
            self._latency_ns,
            self._outputs,
            self._fits,
            self._jitter,
            self._error,
            self._disturbed,
            np.array([o.wire_ns for o in outputs], np.int64),
            wire_times(None) if times is None else times,
            np.array([_LONG_AGO, 0], np.int64),
            late_after_ns,
        )

        self._ids = self.frame_accounts.ids
        self._account_after = entry(_account_after, self._ids, self._outputs, 0, frame_buffer(1))
        counts = (self._totals, self._lateness, self._compute, period_ns)
        self._account_tick = bound(_account_tick, counts, 0, 0)
        self._bind(frame_buffer(1))
        self._account_gnss = bound(_account_burst, (self.frame_accounts, self._gnss), 0, 0, 0, True)

    def tick(self, lateness_ns: int, compute_ns: int) -> None:
        """Count one tick: how long after its deadline it started, how long it took. Allocates nothing."""
        self._account_tick(lateness_ns, compute_ns)

    def frames(self, frames: FrameBuffer, taken: int, sent_ns: int) -> None:
        """Count one tick's frames, of which the link took the first ``taken`` by ``sent_ns``.

        ``frames.time_ns`` is when each was due, ``frames.valid_ns`` its time of validity (or UNTIMED).
        """
        if self._over:
            self._account_after(self._ids, self._outputs, taken, frames)
        else:
            if frames is not self._frames:
                self._bind(frames)
            self._account(sent_ns, taken)

    def _bind(self, frames: FrameBuffer) -> None:
        """Count frames of this buffer."""
        self._frames = frames
        self._account = bound(_account_buffer, (self.frame_accounts, frames), 0, 0)

    def gnss(self, due_ns: int, valid_ns: int, sent_ns: int, *, taken: bool) -> None:
        """Count one GNSS burst; nothing happens if no output is declared as GNSS."""
        if self._over:
            self._outputs[self._gnss, _LOST_AFTER] += not taken and self._gnss >= 0
        elif self._gnss >= 0:
            self._account_gnss(due_ns, valid_ns, sent_ns, taken)

    def restart(self) -> None:
        """The ride is armed now: what was sent before, perhaps to nobody, is not part of the promise."""
        for counts in (self._outputs, self._jitter, self._error, self._disturbed):
            counts[:] = 0
        self._fits[:] = 0.0
        self.frame_accounts.wire[:] = _LONG_AGO, 0

    def end_of_ride(self) -> None:
        """The ride is over: signals on their way to rest are not part of the promise. Ticks count on."""
        self._over = True

    @property
    def arrival_known_by(self) -> str:
        """How it is known when a frame has arrived: "computed" by what the bench sends, "unknown" without a
        bit rate. On the virtual bus of the stepped clock it is "arbitrated".
        """
        return "computed" if any(o.wire_ns > 0 for o in self.outputs) else "unknown"

    @property
    def ticks(self) -> int:
        """Ticks computed."""
        return int(self._totals[_TICKS])

    @property
    def overruns(self) -> int:
        """Ticks that took longer than the period."""
        return int(self._totals[_OVERRUNS])

    @property
    def missed_ticks(self) -> int:
        """Ticks that started a whole period or more after their deadline."""
        return int(self._totals[_MISSED])

    def lateness_ns(self) -> tuple[int, int, int, int]:
        """Lateness p50, p99, p99.9 and maximum so far [ns]; zeros before the first tick."""
        return self._spread_ns(self._lateness, int(self._totals[_MAX_LATENESS]))

    def compute_ns(self) -> tuple[int, int, int, int]:
        """Compute time p50, p99, p99.9 and maximum so far [ns]; zeros before the first tick."""
        return self._spread_ns(self._compute, int(self._totals[_MAX_COMPUTE]))

    def _spread_ns(self, counts: NDArray[np.int64], max_ns: int) -> tuple[int, int, int, int]:
        if not self.ticks:
            return 0, 0, 0, 0
        p50, p99, p999 = (int(percentile_ns(counts, f, max_ns)) for f in (0.5, 0.99, 0.999))
        return p50, p99, p999, max_ns

    def certificate(self, host: Mapping[str, Any] | None = None) -> dict[str, Any]:
        """The timing certificate as plain numbers: ``{'arrival': '', 'outputs': {name: {...}}, 'loop': {}}``.

        arrival: how times of arrival are known, see ``arrival_known_by``. Of each output: rate_hz and
        latency_ms as promised, kept_hz; sent, lost (the link refused it; lost_after: when the ride was over
        already), late, disordered (a later one came before it), skipped (periods without a sample, meant or
        not); kept_ppm, the error of the period by least squares through all samples, so that one that comes
        late at the end of a short ride is no error of the rate; jitter_us_*, how far intervals between
        samples were off; age_ms_*, from the time of validity until it had arrived (wire_us, its time
        on the bus, is then above 0) or, where the bus's rate is not known, was handed to the link;
        age_error_us_*, that age less the latency; age_histogram, samples by age: n + 1 edges, n counts;
        silence_ms_max, the longest time between two, periods left out on purpose not counted. Scenario times
        [s] of the oldest one, of the end of that silence and of the first one lost: age_max_at_s,
        silence_end_s, first_lost_s.
        All these are of the samples that were promised: ``judged`` of those sent. left_out: the others by
        their reason: frame_fault (a fault of the frame changed its timing), bus_fault (planted frames on the
        bus went before it), never_arrived. disturbed: of the second, count, late, age_ms_p50, age_ms_p99,
        age_ms_max and its age_max_at_s; None without any.
        None where nothing was sent. ``host`` is put in as it is (``HostReport.as_dict``).
        """
        lateness = dict(
            zip(("p50", "p99", "p999", "max"), (ns * 1e-3 for ns in self.lateness_ns()), strict=True)
        )
        compute = dict(
            zip(("p50", "p99", "p999", "max"), (ns * 1e-3 for ns in self.compute_ns()), strict=True)
        )
        return {
            "arrival": self.arrival_known_by,
            "outputs": {o.name: self._output(k) for k, o in enumerate(self.outputs)},
            "loop": {
                "period_us": self.period_ns * 1e-3,
                "ticks": self.ticks,
                "lateness_us": {k: round(v, 3) for k, v in lateness.items()},
                "compute_us": {k: round(v, 3) for k, v in compute.items()},
                "overruns": self.overruns,
                "missed_ticks": self.missed_ticks,
                "lateness_histogram": self._histogram(),
                "host": dict(host or {}),
            },
        }

    def _histogram(self) -> dict[str, list[float] | list[int]]:
        """The occupied stretch of the lateness histogram: n + 1 edges, n counts."""
        counts = _coarse(self._lateness)
        used = np.flatnonzero(counts)
        if not used.size:
            return {"edges_us": [], "counts": []}
        first, last = int(used[0]), int(used[-1])
        edges = edges_us(_COARSER)[first : last + 2]
        edges[-1] = min(edges[-1], max(edges[-2] * 1.06, self._totals[_MAX_LATENESS] * 1e-3))
        return {
            "edges_us": [round(float(e), 4) for e in edges],
            "counts": [int(c) for c in counts[first : last + 1]],
        }

    def _output(self, k: int) -> dict[str, Any]:
        spec, out = self.outputs[k], self._outputs[k]
        report: dict[str, Any] = {
            "rate_hz": spec.rate_hz,
            "latency_ms": spec.latency_ns * 1e-6,
            "drawn_ms": spec.drawn_ns * 1e-6,
            "wire_us": spec.wire_ns * 1e-3,
            "sent": int(out[_SENT]),
            "lost": int(out[_LOST]),
            "lost_after": int(out[_LOST_AFTER]),
            "late": int(out[_LATE]),
            "disordered": int(out[_DISORDERED]),
            "skipped": int(out[_SKIPPED]),
            "judged": int(out[_TIMED]),
            "left_out": {
                "frame_fault": int(out[_UNTIMED]),
                "bus_fault": int(out[_DISTURBED]),
                "never_arrived": int(out[_SENT] - out[_TIMED] - out[_UNTIMED] - out[_DISTURBED]),
            },
            "disturbed": self._disturbed_ages(k),
        }
        kept = math.nan
        if self._fits[k, _SQUARE] > 0.0:
            kept = self._fits[k, _CROSS] / self._fits[k, _SQUARE] / self._period_ns[k] * 1e6
        report["kept_ppm"] = _number(kept)
        report["kept_hz"] = _number(spec.rate_hz / (1.0 + kept * 1e-6), 6)
        max_jitter = int(out[_MAX_JITTER])
        for name, fraction in (("p50", 0.5), ("p99", 0.99), ("p999", 0.999)):
            report[f"jitter_us_{name}"] = _number(percentile_ns(self._jitter[k], fraction, max_jitter) * 1e-3)
            error = _signed_percentile_ns(
                self._error[k], fraction, int(out[_MIN_ERROR]), int(out[_MAX_ERROR])
            )
            report[f"age_error_us_{name}"] = _number(error * 1e-3)
            report[f"age_ms_{name}"] = _number((error + spec.latency_ns) * 1e-6, 6)
        report["jitter_us_max"] = _number(max_jitter * 1e-3) if out[_INTERVALS] else None
        report["age_error_us_min"] = _number(out[_MIN_ERROR] * 1e-3) if out[_TIMED] else None
        report["age_error_us_max"] = _number(out[_MAX_ERROR] * 1e-3) if out[_TIMED] else None
        report["age_ms_max"] = (
            _number((int(out[_MAX_ERROR]) + spec.latency_ns) * 1e-6, 6) if out[_TIMED] else None
        )
        report["age_max_at_s"] = _number(out[_OLDEST_AT] * 1e-9) if out[_TIMED] else None
        report["silence_ms_max"] = _number(out[_SILENCE] * 1e-6) if out[_INTERVALS] else None
        report["silence_end_s"] = _number(out[_SILENCE_END] * 1e-9) if out[_INTERVALS] else None
        report["first_lost_s"] = _number(out[_FIRST_LOST] * 1e-9) if out[_LOST] else None
        report["age_histogram"] = self._age_histogram(k)
        return report

    def _disturbed_ages(self, k: int) -> dict[str, int | float | None] | None:
        """Ages of an output's frames that planted ones went before; None if there are none."""
        out, counts = self._outputs[k], self._disturbed[k]
        if not out[_DISTURBED]:
            return None
        oldest = int(out[_DISTURBED_OLDEST])
        return {
            "count": int(out[_DISTURBED]),
            "late": int(out[_DISTURBED_LATE]),
            "age_ms_p50": _number(percentile_ns(counts, 0.5, oldest) * 1e-6, 6),
            "age_ms_p99": _number(percentile_ns(counts, 0.99, oldest) * 1e-6, 6),
            "age_ms_max": _number(oldest * 1e-6, 6),
            "age_max_at_s": _number(int(out[_DISTURBED_OLDEST_AT]) * 1e-9),
        }

    def _age_histogram(self, k: int) -> dict[str, list[float] | list[int]]:
        """The occupied stretch of an output's ages; the outermost edges are the least and greatest age."""
        error = self._error[k]
        # bins of negative errors are mirrored: [-e1, 0) is BINS - 1, [0, e1) is BINS
        counts = np.concatenate([_coarse(error[BINS - 1 :: -1])[::-1], _coarse(error[BINS:])])
        used = np.flatnonzero(counts)
        if not used.size:
            return {"edges_ms": [], "counts": []}
        first, last = int(used[0]), int(used[-1])
        out, inner = self._outputs[k], _COARSE_EDGES_NS[1:-1]
        edges = np.concatenate([[-np.inf], -inner[::-1], [0.0], inner, [np.inf]])[first : last + 2]
        edges[0], edges[-1] = max(edges[0], out[_MIN_ERROR]), min(edges[-1], out[_MAX_ERROR])
        latency_ns = self.outputs[k].latency_ns
        return {
            "edges_ms": [round((float(e) + latency_ns) * 1e-6, 6) for e in edges],
            "counts": [int(c) for c in counts[first : last + 1]],
        }
