"""The probe of the response, on a clock and a bus of its own."""

import numpy as np
import pytest

from tests.bench import probe

MS = 1_000_000
RIDE_MS, SENT_AT_NS, WAY_NS = 6_000, 150_000, 60_000


class Bench:
    """Shows the throttle of the last text before a tick in a frame behind it; its bus closes at the end.

    texts  (when, throttle) of all that was sent to it
    """

    def __init__(self, now_ns):
        self.now_ns, self.end_ns = now_ns, now_ns + (RIDE_MS + 400) * MS
        self.next_ns = now_ns - now_ns % MS + MS + SENT_AT_NS
        self.texts, self.closed = [], False

    def monotonic_ns(self):
        self.now_ns += 2_000  # looking takes time
        return self.now_ns

    def send(self, throttle):
        self.texts.append((self.now_ns, throttle))

    def wait(self, seconds):
        until = self.now_ns + max(0, round(seconds * 1e9))
        if until < self.next_ns:
            self.now_ns = until
            return []
        tick_ns = self.next_ns - SENT_AT_NS
        self.now_ns, self.next_ns = max(self.now_ns, self.next_ns), self.next_ns + MS
        if self.now_ns > self.end_ns:
            raise ConnectionResetError
        shown = [throttle for sent, throttle in self.texts if sent + WAY_NS <= tick_ns][-1:]
        return [("state", probe._RUNNING), *(("engine", throttle) for throttle in shown)]

    def close(self):
        self.closed = True

    @staticmethod
    def value(frame, name, _signal):
        return frame[1] if name.endswith(frame[0]) else None


@pytest.fixture
def ridden(monkeypatch):
    """A probe's times, and the bench it took them of."""
    bench = Bench(10**12 + 1)
    monkeypatch.setattr(probe.time, "monotonic_ns", bench.monotonic_ns)
    robot = probe.Robot.__new__(probe.Robot)
    robot._client = robot._answers = bench
    robot._latency_us, robot.lost, robot._texts = 0.0, 0, lambda throttle: throttle
    return robot.response_us(RIDE_MS * 1e-3), bench, robot


def steps_ns(bench):
    """When each step of the throttle was sent."""
    return [at for (at, to), (_, before) in zip(bench.texts[1:], bench.texts, strict=False) if to != before]


def test_steps_come_at_any_phase_of_the_tick(ridden):
    """Who looks at the time only when a frame of the bench has come finds that every step takes a tick."""
    times, bench, robot = ridden
    phases = np.array(steps_ns(bench)) % MS
    assert len(times) > 300
    assert robot.lost == 0
    counts, _ = np.histogram(phases, 10, (0, MS))
    assert counts.min() > 0.4 * counts.mean()
    # way there, wait for the tick, what is behind it: no wait at least, a tick at most, half of one mostly
    least = (SENT_AT_NS + WAY_NS) * 1e-3
    assert least <= times.min() < least + 50.0
    assert np.median(times) == pytest.approx(least + 500.0, abs=60.0)
    assert times.max() < least + 1050.0


def test_it_stays_on_the_bus_until_the_bench_closes_it(ridden):
    """Else the bench says that its robot is gone, and the ride is no measurement; but steps end in time."""
    _, bench, _ = ridden
    assert bench.closed
    assert bench.texts[-1][0] > bench.end_ns - 2 * probe._KEEP_ALIVE_NS
    assert max(steps_ns(bench)) < bench.end_ns - 390 * MS
