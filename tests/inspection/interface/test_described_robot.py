"""A robot that has only the JSON rides, and what the JSON says of the bus is what is on the bus."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.bench import Bench
from emulator.assembly.session import load_session, mission
from emulator.core.frame_buffer import EXTENDED, EXTENDED_MASK, frame_buffer
from emulator.core.signals import INDEX, RUNNING, TICK_NS
from emulator.inspection.interface.derive import Described, interface_of
from emulator.inspection.interface.description import Frame, json_text
from emulator.record.reader import Run
from emulator.runs.in_memory import ride_in_memory
from emulator.shared_memory.status import Command
from tests.support.described_robot import PERIOD_MS, DescribedRobot, Layouts
from tests.support.scripted_robot import variant

STRAIGHT = "runs/straight.yaml"


class Stage:
    """The plant on a stepped clock, and a robot that gets bytes and gives bytes."""

    def __init__(self, rig: Path, text: str, run: str = STRAIGHT) -> None:
        session = load_session(rig, rig.parents[1] / run, seed=1)
        self.bench = Bench(session)
        self.robot = DescribedRobot(text, mission(session))
        self.rx, self.tx = frame_buffer(64), frame_buffer(64)
        self.tick = 0
        self.sent: dict[tuple[int, bool], list[tuple[int, int, int]]] = {}  # tick, length, age [ns]
        self.offsets: list[float] = []
        self.ratios: dict[int, float] = {}  # engine over rear wheel, by gear, with the clutch engaged
        self.epochs: list[tuple[int, int]] = []  # tick of a burst, age [ns]

    def step(self) -> int:
        bench, rx, tx = self.bench, self.rx, self.tx
        state = bench.tick(rx, tx, 0.0, 0.0)
        rx.count[0] = 0
        for n in range(int(tx.count[0])):
            can_id, length = int(tx.can_id[n]), int(tx.length[n])
            key = (can_id & EXTENDED_MASK, bool(can_id & EXTENDED))
            age_ns = bench.tick_number * TICK_NS - int(tx.valid_ns[n])
            self.sent.setdefault(key, []).append((self.tick, length, age_ns))
            self.robot.hear(key, tx.data[n, :length].tobytes())
        bench.take_events()
        if burst := bench.take_gnss():
            stepped = self.tick - self.tick % PERIOD_MS
            self.robot.rider.hear(burst, self.tick * TICK_NS, stepped * TICK_NS)
            self.epochs.append((self.tick, bench.tick_number * TICK_NS - bench.gnss_valid_ns))
        if state == RUNNING:
            row = bench.row
            self.offsets.append(float(row[INDEX["line.offset_m"]]))
            if row[INDEX["actuator.clutch"]] < 1e-9 and row[INDEX["truth.gear"]] > 0.0:
                ratio = row[INDEX["truth.engine_rad_s"]] / row[INDEX["truth.wheel_rear_rad_s"]]
                self.ratios[int(row[INDEX["truth.gear"]])] = float(ratio)
        if self.tick % PERIOD_MS == 0:
            for n, (identifier, extended, payload) in enumerate(self.robot.step(self.tick)):
                rx.can_id[n] = identifier | (EXTENDED if extended else 0)
                rx.length[n], rx.data[n, : len(payload)] = len(payload), np.frombuffer(payload, np.uint8)
                rx.count[0] = n + 1
        self.tick += 1
        return state

    def ride(self, most_ticks: int) -> None:
        """Until it is over."""
        self.step()
        self.bench.command(Command.ARM, 0.0)
        while not self.bench.finished:
            assert self.tick < most_ticks, "the ride does not end"
            self.step()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("run", "within_m"), [("runs/through_the_gears.yaml", 0.5), ("runs/short_bend.yaml", 0.5)]
)
def test_it_rides_a_bench_whose_dbc_it_never_saw(odd: Path, run: str, within_m: float) -> None:
    odd_description = interface_of(odd, odd.parents[1] / run)
    stage = Stage(odd, json_text(odd_description.interface), run)
    stage.ride(60_000)
    assert stage.bench.outcome()["ended"] == "complete"
    assert max(map(abs, stage.offsets)) < within_m
    assert stage.robot.states == ["standby", "armed", "running", "stopping"]
    assert stage.robot.refused == 0
    counts = stage.bench.frame_counts()
    for frame in odd_description.interface.frames:
        if frame.sender == "robot":
            assert counts[frame.name]["accepted"] == pytest.approx(stage.tick / frame.period_ms, abs=2)
            assert (counts[frame.name]["damaged"], counts[frame.name]["lost"]) == (0, 0)
    as_described(stage.sent, stage.tick, odd_description)
    gears = odd_description.interface.gearbox.ratios
    assert len(stage.ratios) >= (2 if "gears" in run else 1)
    assert all(ratio == pytest.approx(gears[gear - 1], rel=1e-3) for gear, ratio in stage.ratios.items())
    gnss, epochs = odd_description.interface.gnss, np.array(stage.epochs)
    assert (len(epochs) - 1) / np.ptp(epochs[:, 0]) * 1000.0 == pytest.approx(gnss.rate_hz, rel=5e-3)
    ages = epochs[:, 1] * 1e-6
    assert gnss.age_ms <= ages.min() <= ages.max() <= gnss.age_ms + 6.0 * gnss.jitter_ms + 1.0


def as_described(
    sent: dict[tuple[int, bool], list[tuple[int, int, int]]], ticks: int, described: Described
) -> None:
    """Identifiers, lengths, rates and ages on the bus are those of the description."""
    bench = [f for f in described.interface.frames if f.sender == "bench"]
    assert set(sent) == {(f.identifier, f.extended) for f in bench}
    for frame in bench:
        rows = np.array(sent[frame.identifier, frame.extended])
        assert set(rows[:, 1].tolist()) == {frame.bytes}
        assert len(rows) / ticks * 1000.0 == pytest.approx(frame.rate_hz, rel=2e-3)
        period = (rows[-1, 0] - rows[0, 0]) / (len(rows) - 1)
        assert period == pytest.approx(frame.period_ms, abs=4.0 / len(rows))
        assert np.diff(rows[:, 0]).max() <= (frame.longest_gap_ms or 0.0)
        assert frame.latency_ms is not None
        assert frame.jitter_ms is not None
        ages = rows[:, 2] * 1e-6
        assert ages.min() >= frame.latency_ms
        assert ages.max() <= frame.latency_ms + 6.0 * frame.jitter_ms + 1.0


@pytest.mark.slow
def test_a_trip_is_from_the_robots_side_what_is_said(odd: Path, odd_description: Described) -> None:
    interface = odd_description.interface
    stage = Stage(odd, json_text(interface))
    stage.step()
    stage.bench.command(Command.ARM, 0.0)
    while stage.step() != RUNNING:
        pass
    steering: Frame = interface.frame("steering")
    (watch,) = steering.watches
    real = stage.robot.step

    def without_steering(now_ms: int) -> list[tuple[int, bool, bytes]]:
        return [f for f in real(now_ms) if f[0] != steering.identifier]

    stage.robot.step = without_steering  # type: ignore[method-assign]
    begun = stage.tick
    while not stage.bench.finished:
        stage.step()
    taken = stage.tick - begun
    assert stage.robot.states[-1] == "tripped"
    assert stage.robot.reason == watch.trip_reason
    assert {t.number: t.whose for t in interface.trip_reasons}[stage.robot.reason] == "robot"
    assert taken == pytest.approx(watch.timeout_ms + 1000.0 * interface.end.ramp_to_rest_s, abs=10)


@pytest.fixture(scope="module")
def recorded(ridden: Described) -> Run:
    """Three seconds of a virtual ride of the reference robot."""
    rig = Path(__file__).parents[3] / "scenarios" / "rigs" / "loopback.yaml"
    session = load_session(rig, rig.parents[1] / STRAIGHT, seed=2)
    session = variant(session, scenario={"duration_limit_s": 3.0})
    return ride_in_memory(session).run


def test_a_recorded_ride_has_the_frames_of_the_description_and_no_others(
    recorded: Run, ridden: Described
) -> None:
    layouts, frames = Layouts(json_text(ridden.interface)), recorded.frames
    for direction, sender in ((1, "bench"), (0, "robot")):
        mine = frames.direction == direction
        wanted = {f.identifier: f for f in ridden.interface.frames if f.sender == sender}
        assert set(frames.can_id[mine].tolist()) == set(wanted)
        for identifier, frame in wanted.items():
            rows = np.flatnonzero(mine & (frames.can_id == identifier))
            assert set(frames.length[rows].tolist()) == {frame.bytes}
            ticks = frames.tick[rows]
            assert (ticks[-1] - ticks[0]) / (len(ticks) - 1) == pytest.approx(frame.period_ms, rel=2e-3)
            read = [layouts.read((identifier, False), frames.data[i, : frame.bytes].tobytes()) for i in rows]
            assert all(r is not None and r[0] == frame.name for r in read)
            counters = [int(frames.data[i, 1]) & 15 for i in rows]
            assert set(np.diff(counters) % 15) == {1}


def test_values_read_by_the_description_are_those_of_the_record(recorded: Run, ridden: Described) -> None:
    layouts, frames = Layouts(json_text(ridden.interface)), recorded.frames
    compared = 0
    for frame in ridden.interface.frames:
        prefix = {"bench": "output", "robot": "robot"}[frame.sender]
        rows = np.flatnonzero(frames.can_id == frame.identifier)
        place = np.searchsorted(recorded.tick, frames.tick[rows])
        for signal in frame.signals:
            column = f"{prefix}.{signal.name}"
            if column not in recorded.signals:
                continue
            payloads = (frames.data[i, : frame.bytes].tobytes() for i in rows)
            found = [layouts.read((frame.identifier, False), payload) for payload in payloads]
            read = [values[1][signal.name] for values in found if values is not None]
            kept = recorded.signal(column)[place]
            # the columns of a record are 32 bit numbers
            assert kept == pytest.approx(np.float32(read), rel=1e-6, nan_ok=True), column
            compared += 1
    assert compared > 20


def test_line_and_start_are_those_of_the_scenario(ridden: Described, recorded: Run) -> None:
    part, line = ridden.interface.scenario, ridden.line
    assert part is not None
    assert line is not None
    first = int(np.searchsorted(recorded.tick, 0))
    assert recorded.signal("truth.x_m")[first] == pytest.approx(part.start_m[0], abs=1e-3)
    assert recorded.signal("truth.y_m")[first] == pytest.approx(part.start_m[1], abs=1e-3)
    heading = np.degrees(recorded.signal("truth.heading_rad")[first])
    assert heading == pytest.approx(part.start_heading_deg, abs=1e-3)
    assert part.finish_station_m == pytest.approx(line.finish_m)
    released = [e for e in recorded.events if e.kind == "support_released"]
    speed = recorded.signal("truth.speed_m_s")[np.searchsorted(recorded.tick, released[0].tick)]
    assert speed == pytest.approx(part.released_at_m_s, abs=0.05)
