"""A whole bench run on a real Linux CAN stack: loop, recorder and robot meet on a kernel bus with CAN FD.

The guest has one slow CPU and no real-time priority, so this shows that the same machinery runs and ends in
order over ``socketcan``. It shows nothing about timing: late frames and missed ticks are expected there, and
the rig's limits are opened accordingly. On a slow host the robot is too late to balance a bike, so the
support holds it to the end; ``kernel_can_cases.py`` lets it ride free on the kernel's bus, in ticks.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import cantools
import numpy as np
import pytest

from emulator.assembly.session import Session, load_session, mission
from emulator.config.rig.outputs import COMMAND_FRAMES
from emulator.core.keeping.code_store import cache_folder
from emulator.record.frame_columns import RX, TX
from emulator.record.reader import Run, read_run
from emulator.robot.mission import ReferenceRider
from emulator.wire.can_frames import check
from tests.support.guest import RUN_IN_SOCKETCAN, of_guest, provide_guest

HERE = Path(__file__).parent
SCENARIOS = HERE.parents[1] / "scenarios"
RIG, RUN = SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "first_lap.yaml"

RIDE_S = 8.0

RIG_CHANGES = (
    (
        "bus:\n  kind: loopback\n  host: 127.0.0.1\n  port: 0 # any free one",
        "bus: {kind: socketcan, channel: vcan0, fd: true, bitrate: 500000, data_bitrate: 2000000}",
    ),
    ("rigs/bench.dbc", "rigs/bench_fd.dbc"),
    ("kind: reference", "kind: external"),
    ("kind: pty", "kind: tcp\n  host: 127.0.0.1\n  port: 5017"),  # the guest's network is its own
    # on one CPU the loop must sleep, and not stand above everybody else
    ("priority: 80", "priority: 0"),
    ("spin_us: 100.0", "spin_us: 0.0"),
    ("lock_memory: true", "lock_memory: false"),
    ("overrun_limit_ms: 100.0", "overrun_limit_ms: 9900.0"),
    ("heartbeat_timeout_ms: 200.0", "heartbeat_timeout_ms: 10000.0"),
    ("command_timeout_ms: 150.0", "command_timeout_ms: 10000.0"),
    ("ramp_to_rest_s: 1.5", "ramp_to_rest_s: 0.2"),
)
RUN_CHANGES = (
    ("duration_limit_s: 180.0", f"duration_limit_s: {RIDE_S}"),
    (
        "{tow_acceleration_m_s2: 2.0, release_speed_km_h: 15.0}",
        "{tow_acceleration_m_s2: 1.0, release_time_s: 3600.0}",
    ),
)


def variant(path: Path, changes: Sequence[tuple[str, str]]) -> str:
    """A demo file with absolute paths and ``changes``, each of which must fit in exactly one place."""
    text = path.read_text()
    for line in text.splitlines():
        key, _, value = line.partition(": ")
        if key in ("vehicle", "dbc", "circuit"):
            text = text.replace(line, f"{key}: {(path.parent / value).resolve()}")
    for old, new in changes:
        assert text.count(old) == 1, f"{path}: {old!r} is there {text.count(old)} times"
        text = text.replace(old, new)
    return text


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> tuple[Session, Run, dict[str, object]]:
    """Session, record and outcome of one ride in the guest."""
    provide_guest()
    out = tmp_path_factory.mktemp("guest")
    rig, scenario = out / "rig.yaml", out / "run.yaml"
    rig.write_text(variant(RIG, RIG_CHANGES))
    scenario.write_text(
        variant(RUN, RUN_CHANGES).partition("\ncriteria:")[0] + "\ncriteria: [{kind: no_fall}]\n"
    )
    env = {**os.environ, "EMULATOR_CACHE": str(cache_folder())}
    # Byte code and compiled functions are made here: in the guest it would take minutes, and be lost with it.
    env.pop("PYTHONDONTWRITEBYTECODE", None)
    modules = ("stages.bench.child", "stages.bench.supervisor", "record.process", "stages.precompile")
    imports = f"import {', '.join('emulator.' + m for m in modules)}"
    subprocess.run(
        [sys.executable, "-c", f"{imports}\nlist(emulator.stages.precompile.warm(virtual=False))"],
        env=env,
        check=True,
    )
    session = load_session(rig, scenario)
    ReferenceRider(mission(session))  # its design is kept, too
    done = subprocess.run(
        [
            str(RUN_IN_SOCKETCAN),
            *("-o", str(out), "-t", "240", "--"),
            *(sys.executable, "-m", "tests.support.guest_ride", str(rig), str(scenario), str(out / "ride")),
        ],
        cwd=HERE.parents[1],
        env=of_guest(env),
        capture_output=True,
        text=True,
        check=False,
    )
    logs = "".join(f"\n{p.name}: {p.read_text()[-2000:]}" for p in sorted((out / "ride").glob("*.log")))
    assert done.returncode == 0, f"status {done.returncode}\n{done.stdout}\n{done.stderr[-3000:]}{logs}"
    return session, read_run(out / "ride"), json.loads(done.stdout.splitlines()[-1])


@pytest.mark.slow
@pytest.mark.timeout(360)
def test_the_ride_starts_and_ends_in_order_on_a_kernel_bus(
    ridden: tuple[Session, Run, dict[str, object]],
) -> None:
    _, run, result = ridden
    outcome = result["outcome"]
    assert isinstance(outcome, dict)
    assert outcome["ended"] == "time_limit", result
    assert outcome["trip_tick"] is None
    bus = run.manifest["rig"]["bus"]
    assert (bus["kind"], bus["channel"], bus["fd"]) == ("socketcan", "vcan0", True)
    assert run.losses == []
    assert not {"trip", "fall"} & {event.kind for event in run.events}
    states = [event.text for event in run.events if event.kind == "state"]
    assert states == ["standby -> armed", "armed -> running", "running -> stopping", "stopping -> standby"]


@pytest.mark.slow
def test_what_each_sends_the_other_takes_in(ridden: tuple[Session, Run, dict[str, object]]) -> None:
    _, run, _ = ridden
    assert np.diff(run.tick).min() >= 1
    riding = (run.tick > 0) & (run.tick <= RIDE_S * 1e3)
    assert np.count_nonzero(riding) > 500
    # The throttle arrives; in a guest that gets little of the machine the robot opens it seconds late.
    assert run.signal("truth.speed_m_s")[riding].max() > 10.0 / 3.6
    # Long frames went both ways whole.
    dbc = cantools.database.load_file(RIG.parent / "bench_fd.dbc", strict=False)
    for name in ("steering", "imu_rates", "estimate_pose", "lean", "gear"):
        message = dbc.get_message_by_name(name)
        mine = run.frames.can_id == message.frame_id
        assert set(run.frames.length[mine].tolist()) == {message.length}
    # The robot gets to know its speed, and its steering arrives.
    assert run.signal("robot.estimate_speed_m_s")[riding].max() > 5.0 / 3.6
    assert np.ptp(run.signal("actuator.steering_torque_Nm")[riding]) > 0.1


@pytest.mark.slow
def test_frames_pass_both_ways_with_the_right_counters(
    ridden: tuple[Session, Run, dict[str, object]],
) -> None:
    session, run, _ = ridden
    table, f = session.codec.table, run.frames
    assert run.certificate is not None
    for name in session.codec.frames:
        row = session.codec.frame(name)
        mine = f.can_id == table.can_id[row]
        counters = [
            check(table, row, data, int(length))
            for data, length in zip(f.data[mine], f.length[mine], strict=True)
        ]
        assert len(counters) > 50, name
        assert min(counters) >= 0, f"{name}: a damaged frame"
        missing = (np.diff(counters) - 1) % 15
        if name in COMMAND_FRAMES:
            # A loop that is late reads late, and more than its buffer holds is lost: counted, not hidden.
            counts = run.certificate["robot_frames"][name]
            # It also counts what came before the ride's start was known, which is not in the record.
            assert counts["accepted"] >= len(counters)
            assert counts["lost"] >= missing.sum()
            assert counts["repeated"] == counts["damaged"] == 0
            assert np.count_nonzero(missing) < 0.05 * len(counters), name
        else:
            assert not missing.any(), f"{name}: a counter was left out"
    # nobody hears itself
    ours = np.isin(f.can_id, [table.can_id[session.codec.frame(n)] for n in session.outputs])
    assert (f.direction[ours] == TX).all()
    assert (f.direction[~ours] == RX).all()
