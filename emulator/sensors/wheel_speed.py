"""Wheel speed the way a bike gets it: a toothed ring, a pick-up, and a timer that stamps its edges.

The wheel's angle is integrated from its rate, taken as linear within a tick. One edge passes the pick-up
for each tooth; its time is solved for within the tick and read from a timer that counts whole steps of its
resolution. Speed is the mean of the last edge intervals times the nominal rolling radius:

- teeth are not where they should be (pitch errors, a ring that runs out), the same ones each turn: the
  reading carries lines at multiples of the wheel's turns, and none once the window is a whole turn
- no edge for the time-out is standstill; the lowest speed that can be read is one pitch in that time
- an edge that is overdue bounds the reading: once more than two pitches' time has passed without one, the
  wheel has done less than two pitches
- the pick-up does not know which way the wheel turns: the reading is a magnitude. Its switching points lie
  a little apart in the two directions, so a wheel that trembles at one edge does not count up

Neglected: switching jitter of the pick-up, its lowest frequency and air gap (an active pick-up), torsion
between wheel and ring.  Source: definitions; model common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.core.random_streams import normal, stream_start, uniform

MOST_TEETH = 256
MOST_INTERVALS = 256
"""Longest averaging window in edge intervals."""
COUNTER_MODULO = 65536

_TIMES = MOST_INTERVALS + 1
_TURN = 2.0 * math.pi
_FASTEST = 5000.0  # [rad/s] a wheel is not followed beyond: bounds the edges in a tick
_HYSTERESIS = 0.05  # of a pitch between the switching points of the two directions
_MOST_PITCH_ERROR = 0.3  # of a pitch; keeps teeth in order, whatever is drawn

RING_DTYPE = np.dtype(
    [
        ("teeth", np.int64),  # 0: no ring is modelled, nothing below is used
        ("radius", np.float64),  # nominal rolling radius [m]
        ("window", np.int64),  # most edge intervals averaged, 1..MOST_INTERVALS
        ("window_ns", np.int64),  # longest time averaged over; one interval is always used
        ("timeout_ns", np.int64),  # without an edge for longer: standstill
        ("timer_ns", np.int64),  # resolution of the edge times
        ("resolution", np.float64),  # step of the speed reading [m/s]; 0 none
        ("edge", np.float64, (MOST_TEETH,)),  # [rad] wheel angle each tooth switches at, rising
        ("limit_hz", np.float64),  # highest frequency shown, see :func:`bring_to_rest`; infinite in use
        ("hysteresis", np.float64),  # [rad]
        ("angle", np.float64),  # [rad] of the wheel in this turn
        ("next", np.int64),  # edge met next when turning forward
        ("rate", np.float64),  # [rad/s] at ``now_ns``
        ("now_ns", np.int64),  # time the ring was turned to
        ("edges", np.int64),  # passed since the start
        ("known", np.int64),  # edge times that belong together: no standstill between
        ("time_ns", np.int64, (_TIMES,)),  # edge n at n % _TIMES
    ]
)
"""One wheel's ring, its pick-up and timer; records come from :func:`tone_ring`."""


def tone_ring(
    teeth: int,
    radius_m: float,
    *,
    seed: int,
    name: str,
    pitch_error: float = 0.0,
    eccentricity: float = 0.0,
    window: int = 1,
    window_ns: int | None = None,
    timeout_ns: int = 100_000_000,
    timer_ns: int = 1000,
    resolution_m_s: float = 0.0,
) -> NDArray[np.void]:
    """(1,) RING_DTYPE: a wheel at rest, its teeth and where it stands drawn from the seed.

    teeth          2..MOST_TEETH
    radius_m       [m] nominal rolling radius
    seed, name     of the run, of the ring: rings of other names have other teeth
    pitch_error    [1] one sigma of a tooth's place, in pitches; an interval between neighbours has sqrt(2)
                   of it; drawn beyond 0.3, it is 0.3
    eccentricity   [1] offset of the ring's centre from the axis over the ring's radius, 0..0.1
    window         1..MOST_INTERVALS edge intervals averaged at most
    window_ns      [ns] averaged over at most; None: however long
    timeout_ns     [ns] without an edge for longer: standstill
    timer_ns       [ns] resolution of the edge times, at least 1
    resolution_m_s [m/s] step of the speed reading; 0: none
    Raises ValueError outside these ranges.
    """
    if not 2 <= teeth <= MOST_TEETH:
        raise ValueError(f"expected 2 to {MOST_TEETH} teeth, got {teeth}")
    if not 1 <= window <= MOST_INTERVALS:
        raise ValueError(f"expected a window of 1 to {MOST_INTERVALS} intervals, got {window}")
    if not (0.0 <= pitch_error <= 0.1 and 0.0 <= eccentricity <= 0.1):
        raise ValueError(
            f"expected pitch error and eccentricity from 0 to 0.1, got {pitch_error} and {eccentricity}"
        )
    if radius_m <= 0.0 or timer_ns < 1 or timeout_ns < 1:
        raise ValueError(
            "expected a radius, a timer step and a time-out above 0, "
            f"got {radius_m}, {timer_ns}, {timeout_ns}"
        )
    stream = np.array([stream_start(seed, f"tone_ring/{name}")], np.uint64)
    pitch = _TURN / teeth
    stands, runs_out = _TURN * uniform(stream, 0), _TURN * uniform(stream, 0)
    drawn = np.array([normal(stream, 0) for _ in range(teeth)])
    places = pitch * np.arange(teeth)
    edges = places + pitch * np.clip(pitch_error * drawn, -_MOST_PITCH_ERROR, _MOST_PITCH_ERROR)
    edges += eccentricity * np.sin(places + runs_out)
    ring = np.zeros(1, RING_DTYPE)
    r = ring[0]
    r["teeth"], r["radius"], r["resolution"] = teeth, radius_m, resolution_m_s
    r["window"], r["window_ns"] = window, np.iinfo(np.int64).max if window_ns is None else window_ns
    r["timeout_ns"], r["timer_ns"] = timeout_ns, timer_ns
    r["edge"][:teeth] = edges
    r["limit_hz"] = math.inf
    r["hysteresis"] = _HYSTERESIS * pitch
    # The turn begins at edge 0, so that the next edge is found by counting.
    angle = edges[0] + stands
    r["next"] = np.count_nonzero(edges <= angle) % teeth
    r["angle"] = angle if r["next"] else angle - _TURN
    return ring


@jit
def _pass(r: Record, from_rate: float, to_rate: float, from_s: float, span_s: float) -> None:
    """Turn on for ``span_s``, beginning ``from_s`` after ``r.now_ns``, without a change of direction."""
    forward = from_rate + to_rate > 0.0
    speed, end = abs(from_rate), abs(to_rate)
    travel = 0.5 * (speed + end) * span_s
    acceleration = (end - speed) / span_s
    angle = r.angle
    while True:
        if forward:
            gap = r.edge[r.next] - angle
        elif r.next > 0:
            gap = angle - (r.edge[r.next - 1] - r.hysteresis)
        else:
            gap = angle - (r.edge[r.teeth - 1] - _TURN - r.hysteresis)
        if not gap <= travel:
            break
        # travel(t) = speed t + acceleration t^2 / 2, solved in the form that also holds without acceleration
        root = math.sqrt(max(0.0, speed * speed + 2.0 * acceleration * gap))
        after = min(span_s, 2.0 * gap / (speed + root)) if gap > 0.0 and speed + root > 0.0 else 0.0
        time = r.now_ns + np.int64(math.floor((from_s + after) * 1e9))
        time -= time % r.timer_ns
        if r.known > 0 and time - r.time_ns[(r.edges - 1) % _TIMES] > r.timeout_ns:
            r.known = 0
        r.time_ns[r.edges % _TIMES] = time
        r.edges += 1
        r.known = min(r.known + 1, _TIMES)
        if forward:
            r.next += 1
            if r.next == r.teeth:
                r.next = 0
                angle -= _TURN
        else:
            r.next -= 1
            if r.next < 0:
                r.next = r.teeth - 1
                angle += _TURN
    r.angle = angle + travel if forward else angle - travel


@jit
def turn(r: Record, rate: float, now_ns: int) -> None:
    """Turn the wheel on to ``now_ns`` [ns], where its rate is ``rate`` [rad/s]; linear since the last call.

    Edges are stamped at floor(time / resolution) of the timer. Rates beyond 5000 rad/s are cut, a rate that
    is not a number is taken as the last one. A new ring's time is 0; time never goes back.
    """
    if r.teeth == 0:
        return
    if not math.isfinite(rate):
        rate = r.rate
    rate = min(_FASTEST, max(-_FASTEST, rate))
    span = (now_ns - r.now_ns) * 1e-9
    last = r.rate
    if span > 0.0 and (last != 0.0 or rate != 0.0):
        if last * rate < 0.0:
            stops = span * last / (last - rate)
            if stops > 0.0:
                _pass(r, last, 0.0, 0.0, stops)
            if span - stops > 0.0:
                _pass(r, 0.0, rate, stops, span - stops)
        else:
            _pass(r, last, rate, 0.0, span)
    r.rate = rate
    r.now_ns = now_ns


@jit
def bring_to_rest(r: Record, ending: bool) -> None:
    """While ``ending``, show no more than the wheel's true rate, and nothing below the lowest speed.

    A run ends with signals at rest; without this the last edges would be shown for the time-out after it.
    Call after :func:`turn`.
    """
    if r.teeth == 0:
        return
    r.limit_hz = math.inf
    if ending:
        true_hz = abs(r.rate) * r.teeth / _TURN
        r.limit_hz = true_hz if true_hz * r.timeout_ns * 1e-9 >= 1.0 else 0.0


@jit
def edge_frequency(r: Record) -> float:
    """Edges a second [Hz] at ``r.now_ns``: intervals of the window over their time; 0 at standstill."""
    if r.known < 2:
        return 0.0
    newest = r.time_ns[(r.edges - 1) % _TIMES]
    since = r.now_ns - newest
    if since > r.timeout_ns:
        return 0.0
    intervals = np.int64(0)
    oldest = newest
    while intervals < min(r.window, r.known - 1):
        time = r.time_ns[(r.edges - 2 - intervals) % _TIMES]
        if intervals > 0 and newest - time > r.window_ns:
            break
        oldest = time
        intervals += 1
    span = max(newest - oldest, r.timer_ns)  # edges closer than the timer resolves are one step apart
    frequency = intervals / (span * 1e-9)
    if since > 0:
        frequency = min(frequency, 2.0 / (since * 1e-9))
    return min(frequency, r.limit_hz)


@jit
def wheel_speed(r: Record) -> float:
    """Speed reading [m/s]: turns a second times the nominal rolling circumference, in steps."""
    speed = edge_frequency(r) * _TURN / r.teeth * r.radius
    if r.resolution > 0.0:
        speed = np.rint(speed / r.resolution) * r.resolution
    return float(speed)


@jit
def edge_age(r: Record) -> float:
    """Time [s] since the newest edge; NaN before the first one."""
    if r.edges == 0:
        return math.nan
    return float((r.now_ns - r.time_ns[(r.edges - 1) % _TIMES]) * 1e-9)


@jit
def edge_count(r: Record) -> float:
    """Edges since the start, modulo 65536."""
    return float(r.edges % COUNTER_MODULO)
