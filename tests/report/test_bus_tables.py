"""The bus budget on the terminal: every frame, every latency, and what is not in it."""

from __future__ import annotations

from fractions import Fraction

from rich.console import Console

from emulator.config.rig.bus_load import BusLoad, FrameLine
from emulator.config.rig.hand_overs import Periodic, arrivals
from emulator.report.bus_tables import bus_load_tables
from emulator.wire.can_timing import BitRates, FrameBits


def budget(*, assumed: bool = False) -> BusLoad:
    (kept,) = arrivals([Periodic("lean", Fraction(100), 8_000_000, 246_000)])
    common = {
        "data_bytes": 8,
        "bits": FrameBits(135, 0),
        "longest_ns": 270_000,
        "usual_ns": 246_000,
        "jitter_ns": 0,
    }
    ours = FrameLine(
        name="lean", in_dbc="lean",
        from_robot=False, can_id=0x102, period_ns=10_000_000, drawn_ns=0, latency_ns=8_000_000,
        arrivals=kept, wait_ns=8_000_000, worst_ns=11_340_000, blocking_ns=0, deadline_ns=10_000_000,
        **common,
    )  # fmt: skip
    robots = FrameLine(
        name="steering", in_dbc="steering",
        from_robot=True, can_id=0x80, period_ns=2_000_000, drawn_ns=0, latency_ns=None,
        arrivals=None, wait_ns=0, worst_ns=540_000, blocking_ns=270_000, deadline_ns=2_000_000, **common,
    )  # fmt: skip
    return BusLoad(BitRates(500_000, 500_000), 0.162, assumed, True, (robots, ours), (("lean", "steering"),))


def shown(budget: BusLoad, width: int = 110) -> str:
    console = Console(width=width, force_terminal=False, record=True, soft_wrap=True)
    with console.capture() as capture:
        console.print(bus_load_tables(budget))
    return capture.get()


def test_fd_frames_have_bits_of_two_rates() -> None:
    frames = budget().frames
    steering = frames[0]._replace(data_bytes=12, bits=FrameBits(33, 154), longest_ns=143_000)
    text = shown(budget()._replace(rates=BitRates(500_000, 2_000_000), frames=(steering, frames[1])))
    assert "500 kbit/s at most (CAN FD: 2000 kbit/s behind the switch)" in text
    rows = [line.split() for line in text.splitlines()]
    assert ["steering", "robot", "0x80", "12", "33+154", "0.143", "2.00", "0.54", "2.00", "yes"] in rows
    assert ["lean", "bench", "0x102", "8", "135", "0.270", "10.00", "11.34", "10.00", "NO"] in rows


def test_frames_and_latencies_stand_in_two_tables() -> None:
    text = shown(budget())
    assert "Bus load 16.2 % of 500 kbit/s at most" in text
    rows = [line.split() for line in text.splitlines()]
    assert ["steering", "robot", "0x80", "8", "135", "0.270", "2.00", "0.54", "2.00", "yes"] in rows
    assert ["lean", "bench", "0x102", "8", "135", "0.270", "10.00", "11.34", "10.00", "NO"] in rows
    # handed over at 8 ms, there at 8.246; at worst 8 + 11.34
    assert ["lean", "8.00", "8.00", "0", "0.246", "8.25", "+0.25", "19.34"] in rows
    assert "Priority: steering goes before lean, whose deadline is nearer." in text
    assert "off by up to 0.5" in text
    assert "assumed" not in text
    assert "\x1b" not in text


def test_a_frame_of_a_labs_dbc_is_told_by_both_names() -> None:
    load = budget()
    lean = next(f for f in load.frames if f.name == "lean")
    renamed = load._replace(
        frames=tuple(f._replace(in_dbc="LEAN_UNIT") if f is lean else f for f in load.frames)
    )
    assert shown(renamed).count("lean (LEAN_UNIT)") == 2  # load and latencies


def test_it_fits_a_narrow_pipe_and_says_what_is_assumed() -> None:
    text = shown(budget(assumed=True))
    assert "The robot's periods are assumed" in text
    assert max(len(line) for line in text.splitlines() if "0x" in line) <= 100


def test_it_says_what_the_worst_responses_are_made_of() -> None:
    assert "the outputs' as planned, on ticks that are on time" in " ".join(shown(budget()).split())
    unknown = " ".join(shown(budget()._replace(planned=False)).split())
    assert "every one more urgent goes before it" in unknown
    assert "as planned" not in unknown
