"""The virtual bus with everybody on it: a recorded ride against plain Python, bounds, overloads, replays."""

from __future__ import annotations

import functools
import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from emulator.assembly.session import Session, load_session
from emulator.config.rig.bus_load import bit_rates, rig_wire_times
from emulator.config.scenario.events import Trigger
from emulator.core.frame_buffer import NO_ARRIVAL, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.inspection.replay.replayed_run import replay
from emulator.record.frame_columns import RX, TX
from emulator.record.inputs import read_inputs
from emulator.record.reader import Frames, read_run
from emulator.runs.in_memory import ride_in_memory
from emulator.runs.one import ride
from emulator.stages.stepped_loop import ARRIVAL, Block
from emulator.wire.arbitration import (
    frame_ns,
    hand_over,
    idle_bus,
    next_to_begin,
    put_on_the_wire,
    take_out,
    wire_times,
)
from emulator.wire.can_timing import BitRates
from tests.support.bench_plan import drawn, seen_responses, told
from tests.support.can_arbitration import by_the_standard
from tests.support.can_contents import frame_on_the_wire, longest_by_its_signals, longest_content
from tests.support.events import BusEvent, FrameEvent
from tests.support.ridden_once import ride_into
from tests.support.scripted_robot import RIG, RUN, SCENARIOS, variant

MEGABIT, CAN_FD = RIG.with_name("megabit.yaml"), RIG.with_name("can_fd.yaml")
SHORT = {"duration_limit_s": 3.0}


def event(model: Any, at_s: float, **values: Any) -> Any:
    name = str(values.get("effect"))
    return model(name=name, at=Trigger(time_s=at_s), **values)


def overload(load: float, at_s: float = 0.5, duration_s: float = 1.0, identifier: int | None = None) -> Any:
    more = {} if identifier is None else {"identifier": identifier}
    return event(BusEvent, at_s, kind="bus", effect="overload", load=load, duration_s=duration_s, **more)


def planted(frame: str, effect: str, at_s: float, **more: Any) -> Any:
    return event(FrameEvent, at_s, kind="frame", frame=frame, effect=effect, **more)


def session_with(*events: Any, rig: Path = MEGABIT, bit_rate: int | None = None) -> Session:
    session = load_session(rig, RUN, seed=5)
    bus = session.rig.bus if bit_rate is None else session.rig.bus.model_copy(update={"bitrate": bit_rate})
    return variant(session, rig={"bus": bus}, scenario={**SHORT, "events": events})


def ridden(session: Session, folder: Path) -> tuple[Frames, dict[str, Any]]:
    ride_into(session, folder)
    run = read_run(folder)
    assert run.certificate is not None
    return run.frames, run.certificate


def in_memory(session: Session) -> tuple[Frames, dict[str, Any]]:
    """The same without a record."""
    held = ride_in_memory(session)
    return held.run.frames, held.certificate


def handed_over(frames: Frames) -> np.ndarray:
    """When each frame was handed to the bus [ns]: the bench's in their tick, the robot's as recorded."""
    return np.where(frames.direction == TX, frames.tick * TICK_NS, frames.time_ns)


def times_on_the_wire(session: Session, frames: Frames) -> np.ndarray:
    """Time of each frame on the bus [ns], its bits built and stuffed one by one."""
    rates, fd_ids = bit_rates(session.rig), rig_wire_times(session.rig, session.codec).fd_ids.tolist()
    assert rates is not None

    @functools.cache
    def time_ns(can_id: int, payload: bytes) -> int:
        return rates.time_ns(frame_on_the_wire(can_id, can_id in fd_ids or len(payload) > 8, payload))

    each = zip(frames.can_id.tolist(), frames.data, frames.length.tolist(), strict=True)
    return np.array([time_ns(can_id, data[:n].tobytes()) for can_id, data, n in each])


FAULTS = (
    overload(0.5, at_s=0.4, duration_s=0.4, identifier=0x101),
    planted("imu_force", "repetition", 1.4, copies=3, duration_s=0.2),
    planted("imu_rates", "delay", 1.7, delay_ms=3.0, duration_s=0.2),
    planted("lean", "insertion", 2.0, payload="00112233", every_ms=2.0, duration_s=0.2),
)


@pytest.mark.parametrize(
    ("rig", "bit_rate"), [(MEGABIT, None), (MEGABIT, 500_000), (CAN_FD, None)], ids=["1M", "500k", "FD"]
)
def test_every_arrival_of_a_ride_is_what_the_standards_rules_make_of_it(
    rig: Path, bit_rate: int | None
) -> None:
    session = session_with(*FAULTS, rig=rig, bit_rate=bit_rate)
    frames, _ = in_memory(session)
    since, on_wire = handed_over(frames), times_on_the_wire(session, frames)
    order = np.argsort(since, kind="stable")
    there = np.empty(len(since), np.int64)
    there[order] = by_the_standard([(int(since[k]), int(frames.can_id[k]), int(on_wire[k])) for k in order])
    # what was on the bus before the first tick recorded and after the last one taken is not in the record
    known = (since > since[0] + 20 * TICK_NS) & (since < since.max() - 20 * TICK_NS)
    assert np.array_equal(frames.arrival_ns[known], there[known])
    assert known.sum() > 5000
    # the plant takes a frame of the robot in its first tick after it has arrived
    robots = frames.direction == RX
    assert np.array_equal(-(-frames.arrival_ns[robots] // TICK_NS), frames.tick[robots])
    assert (frames.tick[robots] * TICK_NS - frames.time_ns[robots]).max() >= 2 * TICK_NS  # some had to wait


BUSES = [
    pytest.param((MEGABIT, None), id="1M"),
    pytest.param(
        (MEGABIT, 800_000), id="800k", marks=pytest.mark.timing
    ),  # for the ordinary run's length only
    pytest.param((MEGABIT, 500_000), id="500k"),
    pytest.param((CAN_FD, None), id="FD"),
]


@pytest.fixture(scope="module", params=BUSES)
def on_bus(request: pytest.FixtureRequest) -> Session:
    rig, bit_rate = request.param
    return session_with(rig=rig, bit_rate=bit_rate)


def contents(session: Session, *, of_signals: bool) -> dict[str, bytes]:
    """The longest content of each frame: of any, or of what its signals, counter and CRC can be."""
    budget, codec = session.bus, session.codec
    assert budget is not None
    if of_signals:
        return {f.name: longest_by_its_signals(codec, f.name) for f in budget.frames}
    return {f.name: longest_content(f.can_id, codec.shape(f.name).fd, f.data_bytes) for f in budget.frames}


@pytest.mark.parametrize("of_signals", [False, True], ids=["any content", "what its signals can be"])
def test_in_its_worst_phase_every_frame_takes_nearly_as_long_as_is_stated(
    on_bus: Session, of_signals: bool
) -> None:
    """On the compiled bus, the outputs by their plan, with 0 to 3 ms of drawn jitter; the robot's frames all
    in one tick, the one that blocks a nanosecond before.
    """
    budget = on_bus.bus
    assert budget is not None
    assert budget.planned
    times, content = rig_wire_times(on_bus.rig, on_bus.codec), contents(on_bus, of_signals=of_signals)
    worst = dict.fromkeys((f.name for f in budget.frames), 0)
    for draw_ms in range(4):
        plan = told(on_bus, draw_ms * TICK_NS, 80)
        for tick in range(30, 50):
            near = [h for h in plan if -10 <= h.handed_ns // TICK_NS - tick <= 15]
            for early in (0, 1):
                phases = {f.name: tick * TICK_NS for f in budget.frames if f.from_robot}
                phases["estimate_motion"] -= early
                seen = seen_responses(budget, near, phases, times, content.__getitem__)
                worst = {name: max(ns, seen[name]) for name, ns in worst.items()}
    share = {f.name: worst[f.name] / f.worst_ns for f in budget.frames if f.worst_ns is not None}
    assert len(share) == len(budget.frames)
    assert {name: round(part, 3) for name, part in share.items() if not 0.9 <= part <= 1.0} == {}


def test_in_no_phase_a_frame_takes_longer_than_is_stated(on_bus: Session) -> None:
    """Phases of the robot's frames at random, jitter as the plant draws it; the longest frames and any."""
    budget, rng = on_bus.bus, np.random.default_rng(14)
    assert budget is not None
    times, plan = rig_wire_times(on_bus.rig, on_bus.codec), drawn(on_bus, 14, 3600)
    longest, lengths = contents(on_bus, of_signals=False), {f.name: f.data_bytes for f in budget.frames}
    for n in range(18):
        some = [h for h in plan if 200 * n <= h.handed_ns // TICK_NS < 200 * (n + 1)]
        phases = {
            f.name: int(rng.integers(0, f.period_ns)) + some[0].handed_ns
            for f in budget.frames
            if f.from_robot
        }
        content = longest.__getitem__ if n % 2 else lambda name: rng.bytes(lengths[name])
        seen = seen_responses(budget, some, phases, times, content)
        assert {f.name: seen[f.name] for f in budget.frames if seen[f.name] > f.worst_ns} == {}  # type: ignore[operator]


def test_in_a_ride_no_age_is_beyond_the_worst_one_stated(on_bus: Session) -> None:
    session = on_bus
    _, certificate = in_memory(session)
    assert certificate["arrival"] == "arbitrated"
    for name in session.outputs:
        kept = certificate["outputs"][name]
        line = session.bus.line(name)
        assert kept["age_ms_max"] <= line.worst_age_ns * 1e-6, name
        assert kept["judged"] == kept["sent"], name
        assert kept["disturbed"] is None
    # the robot's frames are in it: somebody is older than with the bench alone on the bus
    most = [(certificate["outputs"][n]["age_error_us_max"], n) for n in session.outputs]
    assert any(e > session.bus.line(n).arrivals.error_ns[2] * 1e-3 + 1.0 for e, n in most)


def test_an_overload_shows_in_ages_certificate_and_verdict(tmp_path: Path) -> None:
    """0.9 of the bus for a second, at most urgent: with ours that is more than there is."""
    files = cut_files(tmp_path, (overload(0.9),))
    session = load_session(*files, seed=5)
    verdict = ride(session, files, tmp_path / "run", virtual=True)
    certificate = read_run(tmp_path / "run").certificate
    assert certificate is not None
    kept = certificate["outputs"]["imu_rates"]
    assert kept["disturbed"]["count"] == kept["left_out"]["bus_fault"] > 100
    assert kept["disturbed"]["age_ms_max"] > 50.0
    assert kept["disturbed"]["late"] > 0
    assert kept["judged"] + sum(kept["left_out"].values()) == kept["sent"]
    # what is judged is what was promised: before it, and once the bus has been idle again
    assert kept["age_ms_max"] <= session.bus.line("imu_rates").worst_age_ns * 1e-6
    frames = read_run(tmp_path / "run").frames
    mine = (frames.can_id == session.bus.line("imu_rates").can_id) & (frames.arrival_ns != NO_ARRIVAL)
    ages = (frames.arrival_ns - frames.valid_ns)[mine & (frames.tick >= 0)]
    assert ages.max() * 1e-6 == pytest.approx(kept["disturbed"]["age_ms_max"], abs=1e-5)
    (note,) = [n for n in verdict.notes if n.startswith("frames that the scenario put on the bus")]
    assert "imu_rates" in note
    assert not verdict.timing_missed
    assert not [c for c in verdict.causes if c.whose == "bench"], verdict.reasons


@pytest.mark.parametrize("identifier", [0, 0x101, 0x7FF])
def test_an_overload_takes_its_share_whatever_its_identifier(identifier: int) -> None:
    """Also one of ours, also an FD one: its frames are counted once, at the time they take."""
    session = session_with(overload(0.4, identifier=identifier), rig=CAN_FD)
    frames, _ = in_memory(session)
    during = (frames.direction == TX) & (frames.tick >= 500) & (frames.tick < 1500)
    theirs = during & (frames.can_id == identifier) & (frames.length == 8) & ~frames.data.any(axis=1)
    assert times_on_the_wire(session, Frames(*(column[theirs] for column in frames))).sum() == pytest.approx(
        0.4e9, rel=2e-3
    )


def test_off_the_bus_what_waited_is_gone_and_counted() -> None:
    off = event(BusEvent, 0.8, kind="bus", effect="bus_off", duration_s=0.04)
    session = session_with(overload(1.0, at_s=0.75, duration_s=0.1), off)
    frames, certificate = in_memory(session)
    left_out = certificate["outputs"]["lean"]["left_out"]
    assert left_out["never_arrived"] > 0
    ours = (frames.direction == TX) & (frames.can_id != 0)
    assert not (ours & (frames.arrival_ns == NO_ARRIVAL) & (frames.tick > 900)).any()
    during = (frames.arrival_ns > 802 * TICK_NS) & (frames.arrival_ns < 839 * TICK_NS)
    assert not (ours & during).any()
    assert certificate["outputs"]["lean"]["lost"] == 0  # it is the scenario's


@pytest.mark.parametrize(
    ("events", "seconds"),
    [(FAULTS, 3.0), ((overload(0.9),), 3.001)],
    ids=["faults", "overload, some under way in the end"],
)
def test_it_replays_with_every_arrival(events: tuple[Any, ...], seconds: float, tmp_path: Path) -> None:
    """The robot's frames are put on the bus again when it handed them over, also those it ended with."""
    files = cut_files(tmp_path, events, seconds)
    session = load_session(*files, seed=5)
    frames, certificate = ridden(session, tmp_path / "run")
    result = replay(tmp_path / "run", out=tmp_path / "again")
    assert result.same, str(result.differences[0])
    assert result.frames == len(frames.tick)
    again = read_run(tmp_path / "again")
    for direction in (RX, TX):
        theirs, mine = again.frames.direction == direction, frames.direction == direction
        assert np.array_equal(again.frames.arrival_ns[theirs], frames.arrival_ns[mine])
    assert again.certificate is not None
    for name in session.outputs:
        assert again.certificate["outputs"][name]["left_out"] == certificate["outputs"][name]["left_out"]
    assert replay(tmp_path / "again").same
    on_bus = read_inputs(tmp_path / "run").on_bus
    assert on_bus is not None
    under_way = len(on_bus.sent) - len(read_inputs(tmp_path / "run").cycle)
    assert (under_way > 0) == (seconds > 3.0)


def test_a_record_of_when_frames_took_half_way_times_replays_but_for_arrivals(tmp_path: Path) -> None:
    """As earlier versions wrote it: without a word on frame times, and all arrivals others."""
    session = load_session(*cut_files(tmp_path, ()), seed=5)
    ridden(session, tmp_path / "run")
    manifest = json.loads((tmp_path / "run" / "manifest.json").read_text())
    assert manifest["bus_budget"].pop("frame_times") == "by content"
    (tmp_path / "run" / "manifest.json").write_text(json.dumps(manifest))
    path = tmp_path / "run" / "frames.arrow"
    with pa.ipc.open_stream(path.read_bytes()) as stream:
        table = stream.read_all()
    place = table.schema.get_field_index("arrival_ns")
    arrival = table.column(place).to_numpy() + 7000
    table = table.set_column(place, table.schema.field(place), [arrival])
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, table.schema) as out:
        out.write_table(table)
    result = replay(tmp_path / "run", out=tmp_path / "again")
    assert result.same, str(result.differences[0])
    assert any("times of arrival are others now" in note for note in result.notes)
    assert replay(tmp_path / "again").same


def test_an_arrival_that_differs_is_found(tmp_path: Path) -> None:
    session = load_session(*cut_files(tmp_path, ()), seed=5)
    frames, _ = ridden(session, tmp_path / "run")
    path = tmp_path / "run" / "frames.arrow"
    with pa.ipc.open_stream(path.read_bytes()) as stream:
        table = stream.read_all()
    arrival = frames.arrival_ns.copy()
    lean = session.bus.line("lean").can_id
    k = int(np.flatnonzero((frames.can_id == lean) & (frames.tick > 500))[0])
    arrival[k] += 1
    place = table.schema.get_field_index("arrival_ns")
    table = table.set_column(place, table.schema.field(place), [arrival])
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, table.schema) as out:
        out.write_table(table)
    (found,) = replay(tmp_path / "run").differences
    assert (found.what, found.count, found.tick) == ("frame lean to the robot", 1, int(frames.tick[k]))
    assert found.replayed == f"arrived at {frames.arrival_ns[k] / 1e6:.6f} ms"


def test_without_a_bit_rate_nobody_knows_when_a_frame_arrived(tmp_path: Path) -> None:
    session = session_with(rig=RIG)
    frames, certificate = ridden(session, tmp_path / "run")
    assert (frames.arrival_ns == NO_ARRIVAL).all()
    assert certificate["arrival"] == "unknown"
    assert read_inputs(tmp_path / "run").on_bus is None
    robots = frames.direction == RX
    assert np.array_equal(frames.time_ns[robots], frames.tick[robots] * TICK_NS)
    assert set(np.unique(frames.tick[robots] % 2)) == {1}  # handed over at even ticks, taken in the next


def test_a_block_gives_out_frames_once_it_is_known_when_they_arrived() -> None:
    bus, block = idle_bus(wire_times(BitRates(500_000, 500_000))), Block(10, 20, 8, 1)
    tx = frame_buffer(2)
    tx.count[0], tx.length[:] = 2, 1
    for tick in range(3):
        tx.can_id[:] = (5, 7)
        numbers = np.array([hand_over(bus, 0, tx, i, tick * TICK_NS, 0, True) for i in range(2)])
        block.add_frames(tick, TX, tx, numbers)
    row, start = next_to_begin(bus, TICK_NS)
    put_on_the_wire(bus, row, start)
    take_out(bus, row)
    block.finish(bus)
    assert (block.m, block.held) == (1, 5)
    first_end = int(block.frames[0, ARRIVAL])
    assert first_end == frame_ns(bus.times, 5, tx.data[0], 1)
    block.clear()
    assert (block.m, block.held, block.frames[:, 4].tolist()) == (5, 0, [7, 5, 7, 5, 7])
    block.finish(bus, last=True)
    assert (block.m, set(block.frames[:, ARRIVAL].tolist())) == (5, {NO_ARRIVAL})


def cut_files(folder: Path, events: tuple[Any, ...], seconds: float = 3.0) -> tuple[Path, Path]:
    """Rig and scenario files of a straight, cut to so many seconds, with these events."""
    files = folder / "files"
    shutil.copytree(SCENARIOS, files)
    run = files / "runs" / "cut.yaml"
    lines = [json.dumps(e.model_dump(mode="json", exclude_unset=True, exclude_none=True)) for e in events]
    run.write_text(
        "based_on: short_straight.yaml\nname: cut\npurpose: seconds of it\n"
        f"duration_limit_s: {seconds}\n"
        "criteria: [{kind: speed_error, remove: true}]\n"
        + ("events:\n" + "".join(f"  - {line}\n" for line in lines) if lines else "")
    )
    return files / "rigs" / "megabit.yaml", run
