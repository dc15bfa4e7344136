"""Rides on a lab's own DBC: other names alone change no byte, and other units and protection no ride."""

from __future__ import annotations

import json
import math
import re
import shutil
from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.assembly.session import Session, load_session
from emulator.core.frame_buffer import EXTENDED, frame_buffer
from emulator.inspection.interface.frames import frames_of_bench, sample_of
from emulator.record.reader import Run, read_run
from emulator.record.writer import RunWriter
from emulator.robot.records import Z_LEAN
from emulator.runs.one import ride
from emulator.stages.own_robot.values import SentValues, send
from emulator.stages.virtual import VirtualRide
from emulator.wire.can_frames import check, find, pack
from tests.support.described_robot import Layouts
from tests.support.scripted_robot import RIG, RUN, variant

SCENARIOS = RIG.parents[1]
LAB = RIG.with_name("lab_names.yaml")


def ridden(session: Session, folder: Path) -> tuple[Run, dict[str, Any], VirtualRide]:
    """The first two seconds of a lap."""
    short = variant(session, scenario={"duration_limit_s": 2.0})
    with RunWriter(folder, short.manifest(stage="virtual")) as writer:
        stage = VirtualRide(short)
        _, certificate = stage.run(writer, None)
    return read_run(folder), certificate, stage


@pytest.fixture(scope="module")
def ours(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """On the demo bench."""
    return ridden(load_session(RIG, RUN, seed=5), tmp_path_factory.mktemp("ours") / "run")[0]


@pytest.fixture(scope="module")
def renamed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo bench's rig on its own DBC with every frame and signal of another name, and no attributes."""
    folder = tmp_path_factory.mktemp("renamed") / "scenarios"
    for part in ("rigs", "vehicles", "circuits", "runs"):
        shutil.copytree(SCENARIOS / part, folder / part)
    text = (folder / "rigs" / "bench.dbc").read_text()
    data_ids = {int(i): d for i, d in re.findall(r'BA_ "DataId" BO_ (\d+) (\d+);', text)}
    bare = re.sub(r"(?m)^(CM_ SG_|VAL_|BA_).*\n", "", text)
    bare = re.sub(r" SG_ (\w+)", r" SG_ Z_\1", re.sub(r"(BO_ \d+) (\w+):", r"\1 Z_\2:", bare))
    (folder / "rigs" / "renamed.dbc").write_text(bare)
    rig = ["based_on: loopback.yaml", "dbc: renamed.dbc", "rehearsal:", "  request_frame:", "own_names:"]
    demo = load_session(RIG, RUN).codec
    for f, frame in enumerate(demo.frames):
        guard = f"profile: P01, data_id: {data_ids[int(demo.table.can_id[f])]}, crc: Z_crc, counter: Z_alive"
        rig += [f"  {frame}:", f"    frame: Z_{frame}", f"    protection: {{{guard}}}", "    signals:"]
        rig += [f"      {signal}: {{signal: Z_{signal}}}" for signal in demo.signals[f]]
    path = folder / "rigs" / "renamed.yaml"
    path.write_text("\n".join(rig) + "\n")
    return path


def same_bytes(one: Run, other: Run) -> None:
    assert len(one.frames.tick) > 1000
    for column in ("tick", "can_id", "direction", "data"):
        np.testing.assert_array_equal(getattr(one.frames, column), getattr(other.frames, column))


def test_other_names_alone_change_no_byte(ours: Run, renamed: Path, tmp_path: Path) -> None:
    session = load_session(renamed, RUN, seed=5)
    assert session.codec.label("imu_rates") == "imu_rates (Z_imu_rates)"
    same_bytes(ours, ridden(session, tmp_path / "run")[0])


@pytest.mark.timing
def test_other_names_alone_change_no_byte_of_the_first_lap(renamed: Path, tmp_path: Path) -> None:
    for rig, name in ((RIG, "a"), (renamed, "b")):
        ride(load_session(rig, RUN, seed=5), (rig, RUN), tmp_path / name, virtual=True)
    a, b = read_run(tmp_path / "a"), read_run(tmp_path / "b")
    assert a.frames.tick[-1] > 100_000  # it is a lap
    same_bytes(a, b)


@pytest.fixture(scope="module")
def lab_session() -> Session:
    """The lab's bench."""
    return load_session(LAB, RUN, seed=5)


@pytest.fixture(scope="module")
def lab(
    lab_session: Session, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Run, dict[str, Any], VirtualRide]:
    """A ride on it."""
    return ridden(lab_session, tmp_path_factory.mktemp("lab") / "run")


def test_robot_and_bench_understand_each_other_under_every_profile(
    ours: Run, lab: tuple[Run, dict[str, Any], VirtualRide]
) -> None:
    run, certificate, stage = lab
    heard = certificate["robot_frames"]
    assert set(heard) == {"steering (RIDER_STEER)", "drive (RIDER_DRIVE)", "gear (RIDER_LIFE)"}
    for name, counts in heard.items():
        assert counts["accepted"] > 100, name
        assert (counts["lost"], counts["repeated"], counts["damaged"]) == (0, 0, 0), name
    assert "imu_rates (GYRO)" in certificate["outputs"]
    rider = stage.rider.rider
    steps = int(rider.mind[0]["steps"])
    assert steps - int(rider.received[Z_LEAN]) < 50  # unprotected, and heard to the end
    assert int(rider.mind[0]["emergency"]) == 0
    assert run.signal("bench.trip_reason").max() == 0.0
    # the same ride, but for what other steps round to
    speed, theirs = run.signal("truth.speed_m_s"), ours.signal("truth.speed_m_s")
    n = min(len(speed), len(theirs))
    assert np.abs(speed[:n] - theirs[:n]).max() < 0.05
    assert speed.max() > 2.0


def test_what_the_bench_sends_is_what_the_labs_dbc_says(lab: tuple[Run, dict[str, Any], VirtualRide]) -> None:
    """The last frame of each output, read by cantools in the lab's units, is what the record has in ours."""
    run = lab[0]
    database = cantools.database.load_file(LAB.with_name("lab.dbc"))
    turn = {
        "GY_Yaw": ("rate_z_rad_s", -math.radians(1.0)),
        "GY_Roll": ("rate_x_rad_s", math.radians(1.0)),
        "AC_Vert": ("force_z_m_s2", -9.80665),  # 3rd CGPM (1901)
        "LU_Lean": ("lean_rad", math.radians(1.0)),
        "SS_Angle": ("steering_angle_rad", math.radians(1.0)),
        "WH_Front": ("wheel_front_m_s", 1.0 / 3.6),
        "EU_Speed": ("engine_rad_s", 2.0 * math.pi / 60.0),
        "EU_Gear": ("gear", 1.0),
    }
    compared = set()
    for message in database.messages:
        can_id = message.frame_id | (EXTENDED if message.is_extended_frame else 0)
        mine = np.flatnonzero(run.frames.can_id == can_id)
        for signal in set(turn) & {s.name for s in message.signals}:
            ours, factor = turn[signal]
            at = int(mine[-20])
            data = bytes(run.frames.data[at])[: message.length]
            value = message.decode(data, decode_choices=False)[signal] * factor
            row = int(np.searchsorted(run.tick, run.frames.tick[at]))
            assert run.signal(f"output.{ours}")[row] == pytest.approx(value, rel=1e-9, abs=1e-12), signal
            compared.add(signal)
    assert compared == set(turn)
    lean = database.get_message_by_name("LEAN_UNIT")
    last = int(np.flatnonzero(run.frames.can_id == lean.frame_id)[-1])
    assert lean.decode(bytes(run.frames.data[last])[: lean.length])["LU_Temp"] == 25
    mark = database.get_message_by_name("BENCH_MARK")
    last = int(np.flatnonzero(run.frames.can_id == mark.frame_id)[-1])
    told = mark.decode(bytes(run.frames.data[last])[: mark.length])
    assert told["BM_Emulated"] == 1


@settings(max_examples=25, deadline=None)
@given(share=st.lists(st.floats(0.001, 0.999), min_size=8, max_size=8))
def test_every_value_arrives_within_half_a_least_bit(lab_session: Session, share: list[float]) -> None:
    """Whatever the unit: our value, packed, read by cantools and turned by hand, is within half a step."""
    session = lab_session
    database = cantools.database.load_file(LAB.with_name("lab.dbc"))
    codec, table = session.codec, session.codec.table
    for f, name in enumerate(codec.frames):
        message = database.get_message_by_name(codec.in_dbc[f].frame)
        own = session.rig.own_names[name]
        row = np.full(codec.most_signals, np.nan)
        for k, signal in enumerate(codec.signals[f]):
            s = int(table.first[f]) + k
            low, high = sorted(
                float(raw) * float(table.factor[s]) + float(table.offset[s])
                for raw in (table.raw_low[s], table.raw_high[s])
            )
            row[k] = low + share[k] * (high - low)
            if signal == "heartbeat":
                row[k] = round(row[k])
        data = np.zeros(int(table.length[f]), np.uint8)
        pack(table, f, row, data)
        theirs = message.decode(data.tobytes(), decode_choices=False)
        for k, signal in enumerate(codec.signals[f]):
            there = message.get_signal_by_name(own.signals[signal].signal)
            factor = _BY_HAND[there.unit or ""] * own.signals[signal].scale
            assert abs(theirs[there.name] * factor - row[k]) <= abs(there.scale * factor) * 0.5 * (1 + 1e-9)


_BY_HAND = {
    **{"": 1.0, "Nm": 1.0, "%": 0.01, "bar": 1e5, "ms": 1e-3, "g": 9.80665, "km/h": 1 / 3.6},
    **{"deg": math.radians(1.0), "deg/s": math.radians(1.0), "1/min": 2.0 * math.pi / 60.0},
}
"""What one of the lab's units is in ours; sources: tests/wire/test_units.py."""


@pytest.mark.timing
def test_the_first_lap_passes_on_the_labs_bench(tmp_path: Path) -> None:
    verdict = ride(load_session(LAB, RUN, seed=5), (LAB, RUN), tmp_path / "run", virtual=True)
    assert verdict.result == "pass"


def test_the_interface_tells_the_labs_names_and_its_samples_hold_their_checks(lab_session: Session) -> None:
    """By a reader that knows the description alone: another's CRC, bit by bit, of each profile."""
    codec, values = lab_session.codec, {"heartbeat": 2.0, "state": 1.0, "lean_rad": 0.4, "rate_z_rad_s": -0.2}
    samples = {name: [sample_of(codec, name, "bend", values, 5)] for name in codec.frames}
    frames = frames_of_bench(lab_session, LAB.with_name("lab.dbc"), samples, 20.0)
    layouts = Layouts(
        json.dumps({"frames": [frame.model_dump(mode="json") for frame in frames], "rehearsal": None})
    )
    told = {(f.name, s.name): (f.label, s.label, s.unit, s.dbc_unit) for f in frames for s in f.signals}
    assert told["imu_rates", "rate_z_rad_s"] == (
        *("imu_rates (GYRO)", "rate_z_rad_s (GY_Yaw)"),
        *("rad/s", "deg/s"),
    )
    assert told["engine", "gear"][:2] == ("engine (ENGINE_UNIT)", "gear (EU_Gear)")
    profiles = {f.protection.profile if f.protection else "" for f in frames}
    assert profiles == {"", *(f"AUTOSAR E2E profile {n}" for n in (1, 2, 5, 11, 22))}
    for frame in frames:
        (sample,) = frame.samples
        data, identifier = bytes.fromhex(sample.hex), (frame.identifier, frame.extended)
        read = layouts.read(identifier, data)
        assert read is not None, frame.name
        assert read[1] == sample.values
        if frame.protection is not None:
            assert sample.counter == 5
            assert layouts.read(identifier, bytes([*data[:-1], data[-1] ^ 1])) is None
    assert next(f for f in frames if f.name == "steering").identifier == 0x18FF0510


def test_a_robot_that_is_spared_the_bytes_speaks_the_labs_frames(lab_session: Session) -> None:
    """Its frames are counted and protected as the lab's DBC has them, round the counter's end and further."""
    values, tx = SentValues(lab_session), frame_buffer(8)
    values.take({"steering_torque_Nm": 1.0, "throttle": 0.2, "gear_request": 2.0})
    codec, seen = lab_session.codec, dict[str, list[int]]()
    for tick in range(600):
        tx.count[0] = 0
        send(values.sending, tx, tick * 1_000_000)
        for n in range(int(tx.count[0])):
            f = find(codec.table, int(tx.can_id[n]))
            seen.setdefault(codec.frames[f], []).append(check(codec.table, f, tx.data[n], int(tx.length[n])))
    assert list(seen) == ["steering", "drive", "gear"]
    for frame, counters, least in (("steering", 256, 300), ("drive", 16, 60), ("gear", 1, 30)):
        assert seen[frame] == [n % counters for n in range(len(seen[frame]))]
        assert least <= len(seen[frame]) <= least + 2  # it may begin with one that is overdue
