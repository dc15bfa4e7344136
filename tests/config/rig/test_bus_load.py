"""The bus budget: closed forms by hand, and the schedule against what compiled code does."""

import itertools
import json
import shutil
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.config.rig.bus_load import bus_load
from emulator.config.rig.file import dbc_path, load_rig
from emulator.config.rig.hand_overs import Periodic, arrivals
from emulator.config.rig.outputs import COMMAND_FRAMES, USUAL_PERIODS_ms
from emulator.core.compiled import jit
from emulator.core.errors import ConfigError
from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import TICK_NS
from emulator.robot import rider
from emulator.sensors.sampling import enter, is_due, next_frame, outputs, pop, rate_fraction
from emulator.wire.arbitration import (
    hand_over,
    idle_bus,
    next_to_begin,
    put_on_the_wire,
    take_out,
    wire_times,
)
from emulator.wire.dbc_frames import load_codec
from tests.support.can_contents import content_of_bits

SCENARIOS = Path(__file__).parents[3] / "scenarios"
# The most bits of each frame of the demo bench, 8 bytes; tests/wire/stuffing reaches and never exceeds them.
# Of other identifiers it is up to 135: 8 s + 47 + floor((34 + 8 s - 1)/4), Davis et al. 2007, from memory.
BITS = {
    "steering": 132, "drive": 131, "gear": 131, "imu_rates": 132, "imu_force": 131, "lean": 130,
    "steering_angle": 131, "wheel_speed": 132, "engine": 131, "emulator_state": 131, "estimate_pose": 131,
    "estimate_motion": 131,
}  # fmt: skip
LOOPBACK = "  port: 0 # any free one\n"
ALL = (
    "  levers: {rate_hz: 100.0, latency_ms: 4.0}\n  suspension: {rate_hz: 200.0, latency_ms: 3.0}\n"
    "  drive_torque: {rate_hz: 100.0, latency_ms: 4.0}\n"
    "  wheel_pulses_front: {rate_hz: 200.0, latency_ms: 3.0}\n"
    "  wheel_pulses_rear: {rate_hz: 200.0, latency_ms: 3.0}\n"
)


def budget_of(folder, bit_rate, *changes, more=""):
    """(rig, budget) of the demo bench on a bus of that rate, with changes, perhaps more outputs."""
    if not (folder / "s").exists():
        shutil.copytree(SCENARIOS, folder / "s")
    path = folder / "s" / "rigs" / "loopback.yaml"
    text = (SCENARIOS / "rigs" / "loopback.yaml").read_text()
    rate = "" if bit_rate is None else f"  bitrate: {bit_rate}\n"
    for old, new in (
        (LOOPBACK, LOOPBACK + rate),
        ("  # also in the DBC", more + "  # also in the DBC"),
        *changes,
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text(text)
    rig, source = load_rig(path)
    codec = load_codec(Path(dbc_path(rig, source)), [*rig.outputs, *COMMAND_FRAMES])
    return rig, bus_load(rig, codec)


def test_what_it_assumes_of_others_is_so():
    periods = [float(n) * rider.STEP * 1e3 for n in rider._EVERY]
    assert [USUAL_PERIODS_ms[name] for name in rider.COMMANDS] == pytest.approx(periods)
    assert tuple(USUAL_PERIODS_ms) == COMMAND_FRAMES


def test_without_a_bit_rate_there_is_none(tmp_path):
    assert budget_of(tmp_path, None)[1] is None


def test_load_and_response_times_by_hand(tmp_path):
    # Frames of 8 bytes: half way between 111 and 135 bits 0.246 ms at 500 kbit/s, each bit 2 us.
    _, budget = budget_of(tmp_path, 500_000)
    hertz = dict.fromkeys(BITS, 100) | dict.fromkeys(("steering", "imu_rates", "imu_force"), 500)
    hertz |= {"steering_angle": 500, "gear": 50, "emulator_state": 50}
    assert budget.load == pytest.approx(sum(hertz[name] * bits for name, bits in BITS.items()) / 500_000)
    assert not budget.assumed
    names = [f.name for f in budget.frames]
    assert names[:4] == ["steering", "drive", "gear", "imu_rates"]  # by identifier
    assert names[-1] == "estimate_motion"
    assert {f.name: f.longest_ns for f in budget.frames} == {n: 2000 * bits for n, bits in BITS.items()}
    assert {f.usual_ns for f in budget.frames} == {246_000}
    # A frame waits for one that has begun, of 132 bits, and for each more urgent one once.
    firsts = [2000 * (132 + sum(BITS[n] for n in names[:k])) for k in (1, 2, 3)]
    assert [budget.line(n).worst_ns for n in names[:3]] == firsts
    # imu_rates goes when it is two ticks old or, to make room for a late wheel_speed, one.
    assert (budget.line("imu_rates").wait_ns, budget.line("imu_rates").jitter_ns) == (1_000_000, 1_000_000)
    assert budget.line("imu_rates").worst_age_ns == 2_000_000 + 2000 * (132 + sum(BITS[n] for n in names[:4]))
    # steering_angle leaves a tick earlier or later: that tick, one that blocks, six before it, itself
    assert budget.line("steering_angle").jitter_ns == 1_000_000
    ahead_and_own = 2000 * sum(BITS[n] for n in names[:7])
    assert budget.line("steering_angle").worst_ns == 1_000_000 + 2000 * 131 + ahead_and_own
    # engine goes in the tick before that of lean: one that blocks, the robot's three, the unit's two, the
    # steering angle, itself
    ahead = ("steering", "drive", "gear", "imu_rates", "imu_force", "steering_angle", "engine")
    assert budget.line("engine").worst_ns == 2000 * (131 + sum(BITS[n] for n in ahead))
    assert budget.line("steering").worst_age_ns is None
    assert ("imu_rates", "gear") in budget.inverted
    assert all(f.deadline_ns == f.period_ns for f in budget.frames)


def test_what_never_goes_in_one_tick_is_not_added_up(tmp_path):
    # A bit is 1 us at 1 Mbit/s. steering_angle goes in odd ticks, the unit's and lean in even ones:
    # one that blocks, the robot's three, itself. engine goes with it in tick 5, emulator_state in tick 1.
    _, budget = budget_of(tmp_path, 1_000_000)
    assert budget.planned
    worst = {f.name: f.worst_ns for f in budget.frames}

    def together(blocks, *behind):
        return 1000 * (BITS[blocks] + sum(BITS[n] for n in ("steering", "drive", "gear", *behind)))

    assert worst["imu_force"] == together("wheel_speed", "imu_rates", "imu_force")
    assert worst["lean"] == together("wheel_speed", "imu_rates", "imu_force", "lean")
    assert worst["steering_angle"] == together("wheel_speed", "steering_angle")
    assert worst["engine"] == together("estimate_pose", "steering_angle", "engine")
    assert worst["emulator_state"] == together("estimate_pose", "steering_angle", "emulator_state")
    # the latest wheel_speed goes after 9 ms, in an odd tick: with steering_angle
    assert budget.line("wheel_speed").worst_age_ns == 9_000_000 + together(
        "engine", "steering_angle", "wheel_speed"
    )
    # two whose jitter is drawn: any may come with any
    lean = (
        "  lean: {rate_hz: 100.0, latency_ms: 8.0}",
        "  lean: {rate_hz: 100.0, latency_ms: 8.0, jitter_ms: 0.1}",
    )
    _, unknown = budget_of(tmp_path, 1_000_000, lean)
    assert not unknown.planned
    everybody = ("imu_rates", "imu_force", "lean", "steering_angle")
    assert unknown.line("steering_angle").worst_ns == together("wheel_speed", *everybody)


def test_the_robots_periods_can_be_told(tmp_path):
    external = ("kind: reference", "kind: external\n  periods_ms: {steering: 1.0, drive: 5.0}")
    _, told = budget_of(tmp_path, 1_000_000, external)
    assert told.assumed  # not all of them
    assert told.line("steering").period_ns == 1_000_000
    assert told.line("gear").period_ns == 20_000_000
    _, usual = budget_of(tmp_path, 1_000_000)
    assert told.load - usual.load == pytest.approx((500 * 132 + 100 * 131) / 1e6)
    with pytest.raises(ConfigError, match="the reference robot's periods are its own"):
        budget_of(tmp_path, None, ("kind: reference", "kind: reference\n  periods_ms: {steering: 1.0}"))


# --- when frames arrive -------------------------------------------------------------------------------


@example(rate=1000.0, latency=5_500_001, wire=750_001)
@given(
    rate=st.sampled_from([1.0, 7.3, 50.0, 100.0 / 3.0, 100.0, 333.3, 500.0, 1000.0]),
    latency=st.integers(0, 20_000_000),
    wire=st.integers(1, 990_000),
)
@settings(max_examples=80)
def test_alone_on_the_bus_every_output_arrives_within_half_a_tick(rate, latency, wire):
    latency += wire  # less is refused
    (kept,) = arrivals([Periodic("o", rate_fraction(rate), latency, wire)])
    assert -TICK_NS / 2 <= kept.error_ns[0] <= kept.error_ns[2] <= TICK_NS / 2
    # Where the nearer tick changes, two of its own may go in one: the second is nearer for that. What takes
    # more than a tick together is in the way of the next ones, too.
    assert kept.queue_ns in (0, wire) or 2 * wire > TICK_NS


@pytest.mark.parametrize("bit_rate", [800_000, 1_000_000])
def test_the_demo_bench_keeps_within_half_a_tick_on_a_fast_bus(tmp_path, bit_rate):
    _, budget = budget_of(tmp_path, bit_rate)
    for frame in budget.frames:
        if frame.arrivals is not None:
            least, mean, most = frame.arrivals.error_ns
            assert -TICK_NS / 2 <= least <= mean <= most <= TICK_NS / 2, frame.name


def test_what_is_promised_for_one_instant_queues(tmp_path):
    # Five frames of 0.4 ms all due 3.2 ms after each tick of their common sample. At tick 3 they would arrive
    # 0.2 to 1.8 late, at tick 2 the first ones too early: each goes where it is nearer, and no two at once.
    five = [Periodic(f"o{i}", Fraction(10), 3_200_000, 400_000) for i in range(5)]
    found = arrivals(five)
    ages = sorted(3_200_000 + a.error_ns[0] for a in found)
    assert all(late - early >= 400_000 for early, late in itertools.pairwise(ages))
    assert max(max(-a.error_ns[0], a.error_ns[2]) for a in found) <= 1_000_000
    assert all(a.error_ns[0] == a.error_ns[2] for a in found)


@jit
def _stepped(out, lines, ids, payloads, bus, one, ticks, streams, waits, errors):
    """The compiled schedule and bus alone, 8 bytes each; ``waits``, ``errors`` (M, 2) take least and most."""
    free = 0
    for tick in range(ticks):
        now = tick * 1_000_000
        for i in range(out.shape[0]):
            if is_due(out[i], tick, 1_000_000):
                enter(out[i], i, lines, now, streams)
        i = next_frame(out, now, free, 1_000_000)
        while i >= 0:
            place = pop(out[i], i, lines)
            free = max(now, free) + out[i].wire_ns
            one.can_id[0], one.length[0], one.time_ns[0] = ids[i], 8, lines.due_ns[i, place]
            for k in range(8):
                one.data[0, k] = payloads[i, k]
            hand_over(bus, 0, one, 0, now, 0, True)
            wait = now - lines.valid_ns[i, place]
            if tick > 20:
                waits[i, 0], waits[i, 1] = min(waits[i, 0], wait), max(waits[i, 1], wait)
            i = next_frame(out, now, free, 1_000_000)
        row, start = next_to_begin(bus, now + 1_000_000)
        while row >= 0:
            error = put_on_the_wire(bus, row, start) - bus.waiting.time_ns[row]
            for i in range(ids.shape[0]):
                if tick > 20 and ids[i] == bus.waiting.can_id[row]:
                    errors[i, 0], errors[i, 1] = min(errors[i, 0], error), max(errors[i, 1], error)
            take_out(bus, row)
            row, start = next_to_begin(bus, now + 1_000_000)


@pytest.mark.parametrize("bit_rate", [500_000, 1_000_000])
@pytest.mark.parametrize("more", ["", ALL], ids=["usual outputs", "every output"])
def test_compiled_code_sends_as_the_budget_says(tmp_path, bit_rate, more):
    rig, budget = budget_of(tmp_path, bit_rate, more=more)
    rates = [o.rate_hz for o in rig.outputs.values()]
    latencies = [round(o.latency_ms * 1e6) for o in rig.outputs.values()]
    out, lines = outputs(rates, latencies, [0] * len(rates), 0)
    out["frame"], out["wire_ns"] = 0, budget.line("lean").usual_ns
    waits, errors = (np.tile(np.array([10**12, -(10**12)]), (len(rates), 1)) for _ in range(2))
    ids = np.array([budget.line(name).can_id for name in rig.outputs])
    bus = idle_bus(wire_times(budget.rates))
    # frames as long as the schedule takes them to be
    payloads = np.array([list(content_of_bits(int(can_id), 123)) for can_id in ids], np.uint8)
    _stepped(out, lines, ids, payloads, bus, frame_buffer(1), 2000, np.zeros(1, np.uint64), waits, errors)
    for i, name in enumerate(rig.outputs):
        kept = budget.line(name).arrivals
        assert tuple(waits[i]) == kept.wait_ns, name
        assert tuple(errors[i]) == (kept.error_ns[0], kept.error_ns[2]), name


def test_the_manifests_form_holds_plain_values(tmp_path):
    _, budget = budget_of(tmp_path, 500_000)
    document = json.loads(json.dumps(budget.as_dict(), allow_nan=False))
    assert document["bit_rate"] == 500_000
    assert document["load"] == pytest.approx(budget.load, abs=1e-6)
    assert document["frame_times"] == "by content"
    fork = next(f for f in document["frames"] if f["name"] == "steering_angle")
    assert fork["can_id"] == 0x103
    assert (fork["time_ms"], fork["deadline_ms"], fork["in_time"]) == (0.262, 2.0, False)
