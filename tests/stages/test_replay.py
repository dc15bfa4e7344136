"""Rides through the real cycle, recorded as the recorder does it, and replayed from their folder alone.

On the stepped clock, a scripted robot on a scripted socket; in real time: tests/stages/bench.
"""

from __future__ import annotations

import errno
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest

from emulator.assembly.provenance import copies, manifest_of
from emulator.assembly.session import Session, load_session
from emulator.core.errors import RecordError
from emulator.core.signals import UNARMED_TICK
from emulator.core.trip_reasons import TripReason
from emulator.inspection.replay.replayed_run import replay
from emulator.links.can_kernel import KernelLink
from emulator.record.inputs import read_inputs
from emulator.record.reader import read_run
from emulator.record.writer import RunWriter, write_json
from emulator.shared_memory.status import Command
from emulator.stages.virtual import VirtualRide
from tests.support.cycled import CycledRide
from tests.support.link_ends import ScriptedSocket, data_frame, error_frame
from tests.support.scripted_robot import SCENARIOS

CYCLES = 2200
Hook = Callable[[CycledRide, ScriptedSocket, int], None]


def cut(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files, cut to a ride of three seconds."""
    folder = tmp_path_factory.mktemp("made") / "files"
    shutil.copytree(SCENARIOS, folder)
    run = folder / "runs" / "first_lap.yaml"
    text = cut(run.read_text(), "duration_limit_s: 180.0", "duration_limit_s: 3.0")
    run.write_text(re.sub(r" *from_s: 12.0.*\n", "", text))
    return folder


@pytest.fixture(scope="module")
def real(files: Path) -> Session:
    return load_session(files / "rigs" / "loopback.yaml", files / "runs" / "first_lap.yaml", seed=3)


def recorded(session: Session, folder: Path, hook: Hook, **settings: Any) -> CycledRide:
    """Ride and record it; ``hook`` is called ahead of each cycle, settings are the ride's attributes."""
    far = ScriptedSocket()
    sock: Any = far
    link = KernelLink(sock, lambda: None, fd=False, switch_bitrate=False, receive_buffer=4096)

    def put(frames: list[tuple[int, bytes]]) -> None:
        far.incoming += [data_frame(*f) for f in frames]

    ride = CycledRide(session, link, put, lambda cycle: hook(ride, far, cycle))
    for name, value in settings.items():
        setattr(ride, name, value)
    kept = copies(session.files, session.paths)
    with RunWriter(folder, manifest_of(session, stage="bench"), kept) as writer:
        ride.run(CYCLES, writer=writer)
    write_json(folder / "certificate.json", ride.timing.certificate(None))
    return ride


def quiet(_ride: CycledRide, _far: ScriptedSocket, _cycle: int) -> None: ...


def steered(ride: CycledRide, _far: ScriptedSocket, cycle: int) -> None:
    """Something to tell rides apart by: the robot opens the throttle and lets the clutch come."""
    ride.commands = {
        "steering": {"steering_torque_Nm": 3.0 * np.sin(0.01 * cycle), "steering_angle_rad": 0.0},
        "drive": {"throttle": 0.3, "clutch": 0.6, "front_brake_Pa": 0.0, "rear_brake_Pa": 0.0},
        "gear": {"gear_request": 1.0},
    }


def falls_silent(ride: CycledRide, _far: ScriptedSocket, cycle: int) -> None:
    ride.every = 10 if cycle < 1500 else 0


def stalls(ride: CycledRide, _far: ScriptedSocket, cycle: int) -> None:
    if cycle in (1400, 1500):
        ride.clock.advance(7_300_000 if cycle == 1400 else 130_000_000)


def goes_off_the_bus(_ride: CycledRide, far: ScriptedSocket, cycle: int) -> None:
    if cycle == 1500:
        far.incoming.append(error_frame(0x40))


def queue_full(_ride: CycledRide, far: ScriptedSocket, cycle: int) -> None:
    far.refusal = OSError(errno.ENOBUFS, "full") if 1500 <= cycle < 1520 else None


def port_full(ride: CycledRide, _far: ScriptedSocket, cycle: int) -> None:
    ride.gnss.refuses = 1500 <= cycle < 1820


def comes_late_and_damaged(ride: CycledRide, far: ScriptedSocket, cycle: int) -> None:
    ride.every = 10 if cycle >= 650 else 0
    if cycle % 50 == 7 and far.incoming == [] and ride.sent:
        can_id, payload = ride.sent[0]
        far.incoming += [data_frame(can_id, payload), data_frame(can_id, bytes(8)), data_frame(0x7, b"abc")]


HELD = {
    0: [(Command.HOLD, 0.0), (Command.ARM, 0.0)],
    400: [(Command.GO, 0.0)],
    900: [(Command.HOLD, 1.0)],  # in the countdown, which it puts back
    1150: [(Command.GO, 1.0)],
}
TRIPPED = {0: [(Command.ARM, 0.0)], 1500: [(Command.TRIP, float(TripReason.OPERATOR)), (Command.STOP, 0.0)]}

RIDES: dict[str, tuple[Hook, dict[str, Any], str]] = {
    "steered to the end": (steered, {"every": 2}, "armed -> running"),
    "held, let go, held again": (quiet, {"commands_at": HELD}, "hold released"),
    "tripped by the operator": (steered, {"commands_at": TRIPPED}, "operator trip"),
    "robot falls silent": (falls_silent, {}, "robot commands stale"),
    "stalls beyond the limit": (stalls, {}, "loop overrun"),
    "off the bus": (goes_off_the_bus, {}, "bus lost"),
    "transmit queue full": (queue_full, {}, "armed -> running"),
    "GNSS port full": (port_full, {}, "armed -> running"),
    "late robot, damaged and strange frames": (comes_late_and_damaged, {"every": 0}, "armed -> running"),
}


@pytest.mark.parametrize("name", RIDES)
def test_a_recorded_ride_replays_to_the_same_bytes(real: Session, tmp_path: Path, name: str) -> None:
    hook, settings, told = RIDES[name]
    recorded(real, tmp_path / "run", hook, **settings)
    run = read_run(tmp_path / "run")
    assert any(told in e.text for e in run.events)
    result = replay(tmp_path / "run", out=tmp_path / "again" if name == "steered to the end" else None)
    assert result.same, str(result.differences[0])
    assert result.rows == len(run.tick) > 500
    assert result.frames == len(run.frames.tick) > 500
    assert result.bursts > 10
    assert result.events == sum(e.name != "loop" for e in run.events) > 1
    refused = [note for note in result.notes if "refused by the link" in note]
    links_refuse = ("off the bus", "transmit queue full", "GNSS port full")
    assert (len(refused) == 1) == (name in links_refuse), result.notes
    if name == "GNSS port full":
        assert refused[0].startswith("3 frames or GNSS epochs")
    if name == "held, let go, held again":
        jumps = np.diff(run.frames.tick[run.frames.direction == 1])
        assert jumps.min() < 0  # the countdown is in the frames twice
    if name == "steered to the end":  # the replay's own record is a record like others
        again = replay(tmp_path / "again")
        assert (again.same, again.rows, again.frames) == (True, result.rows, result.frames)
        assert read_run(tmp_path / "again").verdict is not None
        assert read_run(tmp_path / "again").manifest["replay_of"] == {"run": "run", "stage": "bench"}


def test_a_virtual_run_replays_to_the_same_bytes(real: Session, tmp_path: Path) -> None:
    with RunWriter(
        tmp_path / "run", manifest_of(real, stage="virtual"), copies(real.files, real.paths)
    ) as writer:
        VirtualRide(real).run(writer)
    result = replay(tmp_path / "run")
    assert result.same, str(result.differences[0])
    assert result.rows > 3000
    assert read_inputs(tmp_path / "run").commands == [(0, Command.ARM, 0.0)]


# --- what must be found ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def steered_run(real: Session, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("steered") / "run"
    recorded(real, folder, steered, every=2)
    return folder


@pytest.fixture
def run(steered_run: Path, tmp_path: Path) -> Path:
    """A copy of one recorded ride, to be spoilt."""
    return Path(shutil.copytree(steered_run, tmp_path / "run"))


def rewritten(path: Path, change: Callable[[dict[str, list[Any]]], None]) -> None:
    """Change columns of an Arrow stream; every batch is kept apart."""
    with pa.ipc.open_stream(path.read_bytes()) as stream:
        schema, table = stream.schema, stream.read_all()
    columns = {name: table.column(name).to_pylist() for name in table.column_names}
    change(columns)
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, schema) as out:
        out.write_table(pa.table(columns, schema=schema))


def flip(data: bytes, bit: int = 4 * 8) -> bytes:
    changed = bytearray(data)
    changed[bit // 8] ^= 1 << bit % 8
    return bytes(changed)


def frame_of(session: Session, columns: dict[str, list[Any]], name: str, at_cycle: int) -> int:
    """Row of the first input frame of that name from a cycle on."""
    can_id = int(session.codec.table.can_id[session.codec.frame(name)])
    rows = zip(columns["kind"], columns["code"], columns["cycle"], strict=True)
    return next(i for i, (k, c, n) in enumerate(rows) if k == 0 and c == can_id and n >= at_cycle)


def test_one_flipped_bit_of_one_robot_frame_is_found_at_its_tick(run: Path, real: Session) -> None:
    """The frame is damaged then: what it asked for comes with the next one, two ticks later."""

    def change(columns: dict[str, list[Any]]) -> None:
        i = frame_of(real, columns, "steering", 1600)
        columns["data"][i] = flip(columns["data"][i])
        columns["length"] = [np.uint8(n) for n in columns["length"]]

    rewritten(run / "inputs.arrow", change)
    result = replay(run)
    first = {d.what: d for d in result.differences}
    tick = 1600 - CycledRide.START
    assert (result.differences[0].what, result.differences[0].tick) == ("frame steering from the robot", tick)
    asked = first["robot.steering_torque_Nm"]
    assert (asked.tick, asked.count, asked.unit) == (tick, 2, "N m")
    assert float(asked.recorded) != float(asked.replayed)
    assert asked.largest == pytest.approx(abs(float(asked.recorded) - float(asked.replayed)))
    assert first["actuator.steering_torque_Nm"].tick == tick
    assert first["truth.roll_rad"].tick > tick  # the bike moves on with the tick after
    assert f"tick {tick} ({tick / 1000:.3f} s): " in str(result.differences[0])


def test_a_bit_flipped_in_the_record_of_frames_is_one_difference(run: Path, real: Session) -> None:
    lean = int(real.codec.table.can_id[real.codec.frame("lean")])

    def change(columns: dict[str, list[Any]]) -> None:
        i = next(
            i
            for i, (c, t) in enumerate(zip(columns["can_id"], columns["tick"], strict=True))
            if c == lean and t > 500
        )
        columns["data"][i] = flip(columns["data"][i])

    rewritten(run / "frames.arrow", change)
    result = replay(run)
    (d,) = result.differences
    assert (d.what, d.count) == ("frame lean to the robot", 1)
    assert 500 < d.tick <= 520
    there, here = bytes.fromhex(d.recorded), bytes.fromhex(d.replayed)
    assert flip(there + bytes(8)) == here + bytes(8)


@pytest.mark.parametrize("place", ["first", "last"])
def test_a_frame_missing_from_the_record_that_no_link_refused_is_a_difference(run: Path, place: str) -> None:
    """A link that refuses frames refuses the last ones of a tick, and the certificate counts them."""

    def change(columns: dict[str, list[Any]]) -> None:
        sent = [
            i
            for i, (d, t) in enumerate(zip(columns["direction"], columns["tick"], strict=True))
            if (d, t) == (1, 520)
        ]
        assert len(sent) > 1
        for column in columns.values():
            del column[sent[0 if place == "first" else -1]]

    rewritten(run / "frames.arrow", change)
    (d,) = replay(run).differences
    assert (d.tick, d.recorded, d.count) == (520, "nothing", 1)
    (run / "certificate.json").unlink()  # nobody knows then how many were refused
    assert replay(run).same == (place == "last")


def test_a_command_a_tick_later_is_found(run: Path) -> None:
    def change(columns: dict[str, list[Any]]) -> None:
        stop = next(
            i
            for i, (k, c) in enumerate(zip(columns["kind"], columns["code"], strict=True))
            if (k, c) == (1, 3)
        )
        columns["cycle"][stop] += 1

    rewritten(run / "inputs.arrow", change)
    result = replay(run)
    first = {d.what: d for d in result.differences}
    assert first["bench.state"].count == 2  # a tick later to stopping, and to standby
    assert first["event"].tick == first["bench.state"].tick == result.differences[0].tick


def test_sentences_and_events_are_compared_too(run: Path) -> None:
    nmea = run / "gnss.nmea"
    lines = nmea.read_bytes().split(b"\r\n")
    k = len(lines) // 2
    nmea.write_bytes(b"\r\n".join([*lines[:k], flip(lines[k], 20 * 8), *lines[k + 1 :]]))
    events = run / "events.jsonl"
    events.write_text(events.read_text().replace("armed -> running", "armed -> walking"))
    first = {d.what: d for d in replay(run).differences}
    assert set(first) == {"GNSS sentence", "event"}
    assert first["GNSS sentence"].replayed.encode() == lines[k]
    assert first["event"].recorded == "state: armed -> walking (tick 0)"
    assert first["event"].replayed == "state: armed -> running (tick 0)"


def test_a_signal_off_by_its_last_bit_is_found(run: Path) -> None:
    def change(columns: dict[str, list[Any]]) -> None:
        i = columns["tick"].index(777)
        columns["truth.speed_m_s"][i] = np.nextafter(columns["truth.speed_m_s"][i], 9.0)
        columns["loop.lateness_us"][i] += 5.0  # the host's, not the plant's

    rewritten(run / "signals.arrow", change)
    (d,) = replay(run).differences
    assert (d.what, d.tick, d.count, d.unit) == ("truth.speed_m_s", 777, 1, "m/s")


# --- records that end early -----------------------------------------------------------------------------


@pytest.mark.parametrize("shares", [(0.7, 0.8, 0.75), (0.8, 0.7, 0.75), (0.9, 0.9, 0.5), (0.5, 1.0, 1.0)])
def test_a_record_cut_anywhere_replays_up_to_there(run: Path, shares: tuple[float, float, float]) -> None:
    whole = read_run(run)
    for name, share in zip(("signals", "frames", "inputs"), shares, strict=True):
        content = (run / f"{name}.arrow").read_bytes()
        (run / f"{name}.arrow").write_bytes(content[: int(share * len(content))])
    (run / "certificate.json").unlink()
    result = replay(run)
    assert result.same, str(result.differences[0])
    assert 100 < result.rows < len(whole.tick)
    assert shares[1] == 1.0 or result.frames < len(whole.frames.tick)
    assert 100 < result.frames <= len(whole.frames.tick)
    assert any("was not closed" in note for note in result.notes) or shares[2] == 1.0
    assert any("not to the end" in note for note in result.notes) == (shares[2] < 1.0)


def test_what_was_lost_on_the_way_to_the_record_ends_the_replay(real: Session, tmp_path: Path) -> None:
    """The recorder slept: rings were overwritten. What came before is replayed, and no more is claimed."""

    def sleeps(ride: CycledRide, _far: ScriptedSocket, cycle: int) -> None:
        if cycle == 1301 and ride.drain is not None:
            ride.drain._frames._next -= 10**6  # as if so many had been written unread

    recorded(real, tmp_path / "run", sleeps)
    run = read_run(tmp_path / "run")
    assert any(e.kind == "record_lost" and "frames" in e.text for e in run.events)
    result = replay(tmp_path / "run")
    assert result.same, str(result.differences[0])
    assert result.until_s is not None
    assert 0.2 <= result.until_s < 0.4
    assert read_inputs(tmp_path / "run").cycles <= 1302


# --- records that can't be replayed ---------------------------------------------------------------------


def test_an_altered_copy_is_refused(run: Path) -> None:
    path = run / "files" / "vehicles" / "demo_racer.yaml"
    path.write_text(path.read_text() + "\n")
    with pytest.raises(RecordError, match=r"demo_racer\.yaml is not what was ridden: its hash"):
        replay(run)
    path.unlink()
    with pytest.raises(RecordError, match=r"demo_racer\.yaml can't be read"):
        replay(run)


def test_a_record_without_inputs_is_refused(run: Path) -> None:
    (run / "inputs.arrow").unlink()
    with pytest.raises(RecordError, match="what reached the plant was not recorded"):
        replay(run)


def test_other_code_is_told(run: Path) -> None:
    manifest = run / "manifest.json"
    plant = read_run(run).manifest["code"]["plant"]
    manifest.write_text(manifest.read_text().replace(plant, "f" * len(plant)))
    result = replay(run)
    assert result.same
    assert any("recorded by another version of the code" in note for note in result.notes)


# --- other files ----------------------------------------------------------------------------------------


def test_another_vehicle_answers_the_same_commands(run: Path, files: Path) -> None:
    result = replay(run, vehicle=SCENARIOS / "vehicles" / "light_trainer.yaml", out=run.with_name("other"))
    again = replay(run.with_name("other"))  # its record keeps both vehicles
    assert (again.same, again.other_files) == (True, False)
    assert result.other_files
    by_name = {d.what: d for d in result.differences}
    assert by_name["truth.load_front_N"].largest > 50.0
    assert by_name["truth.load_front_N"].unit == "N"
    assert not any(name.startswith("robot.") for name in by_name)  # the commands are the record's
    same = replay(run, rig=files / "rigs" / "loopback.yaml", scenario=files / "runs" / "first_lap.yaml")
    assert same.same


def test_scenario_time_before_arming_is_the_loops_count(run: Path) -> None:
    """What the virtual stage relies on to tell the loop's count from scenario ticks."""
    frames, inputs = read_run(run).frames, read_inputs(run)
    received = frames.tick[frames.direction == 0]
    assert (received == inputs.cycle[-len(received) :] - CycledRide.START).all()
    assert UNARMED_TICK < inputs.cycle[0] < CycledRide.START
