"""Pulse per second: a rising edge in the tick of each whole second of UTC."""

from __future__ import annotations

import os

import pytest

from emulator.core.errors import DeviceAbsent
from emulator.links.pulse import PulseLine, PulseSpec, open_pulse

MS = 1_000_000


class Port:
    """A serial port that keeps what its lines did; breaks when told."""

    def __init__(self) -> None:
        object.__setattr__(self, "did", [])
        object.__setattr__(self, "broken", False)
        object.__setattr__(self, "closed", 0)

    def __setattr__(self, name: str, value: object) -> None:
        if name in ("rts", "dtr"):
            if self.broken:
                raise OSError(5, "gone")
            self.did.append((name, value))
        else:
            object.__setattr__(self, name, value)

    def close(self) -> None:
        self.closed += 1


def edges(
    start_ns: int, ticks: int, late: tuple[int, ...] = (), width_ms: int = 100, line: str = "rts"
) -> list:
    """(tick, high) of each change."""
    port = Port()
    pulse = PulseLine(port, line, width_ms)  # type: ignore[arg-type]
    seen = []
    for n in range(ticks):
        before = len(port.did)
        assert pulse.follow(start_ns + n * MS, on_time=n not in late)
        seen += [(n, value) for name, value in port.did[before:] if name == line]
        assert all(name == line for name, _ in port.did)
    return seen


@pytest.mark.parametrize("line", ["rts", "dtr"])
def test_the_edge_is_in_the_first_tick_of_each_second(line: str) -> None:
    start = 1_800_000_000_000_000_000 - 250 * MS
    assert edges(start, 2400, line=line) == [
        (250, True), (350, False), (1250, True), (1350, False), (2250, True), (2350, False),
    ]  # fmt: skip


def test_a_second_between_two_ticks_is_shown_by_the_next_tick() -> None:
    start = 1_800_000_000_000_000_000 - 250 * MS + 400_000
    assert edges(start, 300)[0] == (250, True)  # 0.4 ms after it; never before


def test_a_late_pulse_is_left_out_and_a_pulse_ends_also_late() -> None:
    start = 1_800_000_000_000_000_000 - 250 * MS
    assert edges(start, 1400, late=(250,)) == [(1250, True), (1350, False)]
    assert edges(start, 500, late=tuple(range(251, 400))) == [(250, True), (350, False)]


def test_a_jump_of_time_is_no_second() -> None:
    port = Port()
    pulse = PulseLine(port, "rts", 100)
    for utc in (999 * MS, 5_000_500 * MS, 5_000_501 * MS):
        pulse.follow(utc, on_time=True)
    assert port.did == []
    pulse.follow(5_001_000 * MS, on_time=True)
    pulse.follow(1_000 * MS, on_time=True)  # back: the pulse that was up does not stay
    assert port.did == [("rts", True), ("rts", False)]


def test_a_line_that_breaks_is_told_and_closed() -> None:
    port = Port()
    pulse = PulseLine(port, "rts", 100)
    assert pulse.follow(999 * MS, on_time=True)
    port.broken = True
    assert not pulse.follow(1000 * MS, on_time=True)
    assert not pulse.follow(1001 * MS, on_time=True)
    pulse.close()
    assert port.closed == 1


def test_closing_lowers_the_line() -> None:
    port = Port()
    pulse = PulseLine(port, "dtr", 900)
    pulse.follow(999 * MS, on_time=True)
    pulse.follow(1000 * MS, on_time=True)
    pulse.close()
    pulse.close()
    assert port.did == [("dtr", True), ("dtr", False)]
    assert port.closed == 1


def test_a_missing_device_is_named() -> None:
    with pytest.raises(DeviceAbsent, match="pulse per second on /dev/nowhere: no such device"):
        open_pulse(PulseSpec("/dev/nowhere", "rts", 100))


def test_a_terminal_without_control_lines_is_no_port_for_it() -> None:
    """A pseudo terminal has none: what it refuses is told in words, and nothing stays open."""
    master, slave = os.openpty()
    try:
        with pytest.raises(DeviceAbsent, match="pulse per second on /dev/pts/"):
            open_pulse(PulseSpec(os.ttyname(slave), "rts", 100))
    finally:
        os.close(master)
        os.close(slave)
