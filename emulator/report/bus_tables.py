"""The bus budget of a rig on the terminal: what every frame takes, and where each latency goes."""

from __future__ import annotations

from rich.console import Group, RenderableType
from rich.table import Table
from rich.text import Text

from emulator.config.rig.bus_load import BusLoad
from emulator.core.signals import TICK_NS
from emulator.report.terminal_table import terminal_table


def bus_load_tables(load: BusLoad) -> RenderableType:
    """Two tables, frames and latencies, and what stands behind them. Times in ms."""
    return Group(_frames(load), _latencies(load), Text(_notes(load)))


def _ms(ns: float | None, sign: str = "") -> str:
    return "never" if ns is None else f"{ns * 1e-6:{sign}.2f}"


def _frames(load: BusLoad) -> Table:
    rates = load.rates
    share = f"{load.load * 100.0:.1f} % of {rates.nominal / 1000:g} kbit/s at most"
    if rates.data != rates.nominal:
        share += f" (CAN FD: {rates.data / 1000:g} kbit/s behind the switch)"
    heads = ["frame", "from", "id", "bytes", "bits", "time", "period", "worst", "deadline", "in time?"]
    rows = [
        (
            f.label,
            "robot" if f.from_robot else "bench",
            f"0x{f.can_id:x}",
            str(f.data_bytes),
            f"{f.bits.nominal}+{f.bits.fast}" if f.bits.fast else str(f.bits.nominal),
            f"{f.longest_ns * 1e-6:.3f}",
            _ms(f.period_ns),
            _ms(f.worst_ns),
            _ms(f.deadline_ns),
            "yes" if f.in_time else Text("NO", "bold red"),
        )
        for f in load.frames
    ]
    return terminal_table(f"Bus load {share}", heads, rows, right=heads[2:], no_wrap=True)


def _latencies(load: BusLoad) -> Table:
    heads = ["output", "latency", "waits", "queues", "frame", "arrives", "off by", "worst age"]
    rows = []
    for f in load.frames:
        if f.arrivals is None or f.latency_ns is None:
            continue
        a, (least, _, most) = f.arrivals, f.arrivals.error_ns
        rows.append(
            (
                f.label,
                _ms(f.latency_ns),
                _range(*a.wait_ns),
                f"0..{_ms(a.queue_ns)}" if a.queue_ns else "0",
                f"{f.usual_ns * 1e-6:.3f}",
                _range(f.latency_ns + least, f.latency_ns + most),
                _range(least, most, "+"),
                _ms(f.worst_age_ns),
            )
        )
    return terminal_table("Where each latency goes", heads, rows, right=heads[1:], no_wrap=True)


def _range(low: float, high: float, sign: str = "") -> str:
    return _ms(low, sign) if round(high - low) == 0 else f"{_ms(low, sign)}..{_ms(high, sign)}"


def _before(load: BusLoad) -> str:
    """What is taken to go before a frame."""
    if load.planned:
        return (
            "the robot's come when it is worst, the outputs' as planned, on ticks that are on time, with all "
            "jitter that may be drawn; one less urgent may be on its way"
        )
    return (
        "every one more urgent goes before it, one less urgent is on its way: no plan of the outputs is known"
    )


def _notes(load: BusLoad) -> str:
    tick = TICK_NS * 1e-6
    notes = [
        "Times in ms. worst: from when a frame may first be handed over until it is over, all frames as long "
        f"as any content makes them; {_before(load)}; deadline: its period.",
        f"Frames leave on ticks of {tick:g} ms, each at the one that brings its arrival nearest to its "
        f"latency: off by up to {tick / 2:g}, and more where frames promised for one instant queue. Not in "
        "it: jitter that is drawn, the robot's frames (they are in worst age), computing (0.1 to 0.3), an "
        "adapter's own line.",
    ]
    if load.assumed:
        notes.append(
            "The robot's periods are assumed to be the reference robot's (device_under_test.periods_ms)."
        )
    before: dict[str, list[str]] = {}
    for late, early in load.inverted:
        before.setdefault(early, []).append(late)
    notes += [
        f"Priority: {early} goes before {', '.join(late)}, whose deadline is nearer."
        for early, late in before.items()
    ]
    return "\n".join(notes) + "\n"
