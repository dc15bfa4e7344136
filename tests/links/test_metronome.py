"""Beats of the kernel's timer: at their phase, never before, none left out."""

from __future__ import annotations

import ctypes
import os
import select
import time

import pytest

from emulator.links.metronome import Metronome

PERIOD_NS = 3_000_000


@pytest.mark.parametrize("away_ns", [0, -(10**15) - 1, 10**15 + 1])
def test_beats_come_at_their_phase_however_far_away_the_one_told_is(away_ns: int) -> None:
    """From it on the kernel counts every beat, however late it is asked."""
    at_ns = time.monotonic_ns() + away_ns
    made_ns = time.monotonic_ns()
    metronome = Metronome(at_ns, PERIOD_NS)
    try:
        beats = 0
        for _ in range(5):
            assert select.select([metronome.fileno()], [], [], 10.0)[0]
            before_ns = time.monotonic_ns()
            beats += metronome.heard()
            after_ns = time.monotonic_ns()
            first, last = (
                (t - at_ns) // PERIOD_NS - (made_ns - at_ns) // PERIOD_NS for t in (before_ns, after_ns)
            )
            assert first - 1 <= beats <= last
            time.sleep(0.002)
        assert beats >= 5
    finally:
        metronome.close()


def test_what_was_heard_is_not_heard_again() -> None:
    metronome = Metronome(time.monotonic_ns() + 10**12, 2 * 10**12)
    assert metronome.heard() == 0
    metronome.close()
    with pytest.raises(OSError, match="descriptor"):
        os.fstat(metronome.fileno())


def test_a_system_without_such_a_timer_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ctypes, "CDLL", lambda *_arguments, **_options: object())
    with pytest.raises(OSError, match="no timerfd_create"):
        Metronome(0, PERIOD_NS)


def test_a_timer_refused_leaves_no_descriptor() -> None:
    before = len(os.listdir("/proc/self/fd"))
    with pytest.raises(OSError, match="Invalid"):
        Metronome(0, -1)
    assert len(os.listdir("/proc/self/fd")) == before
