"""Bench runs in real time over the loopback bus, as processes: every way they can end, and what is left.

Each test rides a few seconds. Watchdogs are set wider than on the demo rig (this may be a busy desk); what a
test measures it takes from the record, in ticks.
"""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from emulator.core.frame_buffer import frame_buffer
from emulator.core.signals import RUNNING
from emulator.inspection.interface.riding import COUNTDOWN_s
from emulator.inspection.replay.replayed_run import replay
from emulator.record.reader import read_run
from emulator.wire.can_frames import unpack
from emulator.wire.dbc_frames import load_codec
from tests.support.desk import HEARTBEAT_TICKS, RAMP_TICKS
from tests.support.scripted_robot import SCENARIOS

pytestmark = pytest.mark.slow


def verdict(desk):
    return json.loads((desk.folder / "verdict.json").read_text())


def whole(run):
    """No gaps: one row for each millisecond."""
    assert run.losses == []
    assert run.tick.tolist() == list(range(run.tick[0], run.tick[-1] + 1))
    assert np.array_equal(run.time_ns, run.tick * 1_000_000)
    return run


def assert_at_rest(run):
    """The last rows show what a bike standing still shows: noise-free rest, as the rig's sensors read it."""
    last = slice(-20, None)
    rig = run.manifest["rig"]["sensors"]["imu"]
    for axis in "xyz":
        i = "xyz".index(axis)
        # a few sigma of the sensor's own noise and one count of the frame
        rate = run.signal(f"output.rate_{axis}_rad_s")[last]
        assert np.abs(rate - rig["rate_bias_rad_s"][i]).max() < 0.012
        force = run.signal(f"output.force_{axis}_m_s2")[last]
        assert np.abs(force - (0.0, 0.0, 9.81)[i] - rig["force_bias_m_s2"][i]).max() < 0.25
    assert np.all(run.signal("output.wheel_front_m_s")[last] == 0.0)
    assert np.all(run.signal("output.wheel_rear_m_s")[last] == 0.0)
    assert np.abs(run.signal("output.lean_rad")[last]).max() < 0.02
    assert np.all(run.signal("actuator.front_brake_Pa")[last] < 1e6)


def replays(desk, least_rows):
    """What the loop was given in real time makes the same ride on the stepped clock."""
    result = replay(desk.folder)
    assert result.same, f"{result.differences[0]}\n{result.notes}"
    assert result.rows >= least_rows
    assert result.frames > least_rows  # two or three frames a tick
    return result


def last_heartbeat_tick(run, before):
    """Tick of the last change of the robot's counter among the received frames up to a tick."""
    codec = load_codec(SCENARIOS / "rigs" / "bench.dbc", ["gear"])
    frames = run.frames
    mine = np.flatnonzero((frames.direction == 0) & (frames.can_id == codec.table.can_id[0]))
    values, buffer = np.zeros(codec.most_signals), frame_buffer(1)
    beats = []
    for i in mine:
        buffer.data[0, :8] = frames.data[i][:8]
        unpack(codec.table, 0, buffer.data[0], values)
        beats.append(values[codec.signal("gear", "heartbeat")])
    moved = np.flatnonzero(np.diff(beats) != 0) + 1
    ticks = frames.tick[mine][moved]
    return int(ticks[ticks <= before][-1])


# ---- the ends a ride should have ---------------------------------------------------------------------------


def test_a_short_ride_ends_by_itself_and_in_order(desk):
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 4.0")
    desk.scenario("    from_s: 12.0 # by then it has caught up with the target of a flying lap\n", "")
    process = desk.start()
    status = desk.end(process, 120.0)
    run, judged = whole(read_run(desk.folder)), verdict(desk)
    running = run.tick[run.signal("bench.state") == RUNNING]
    assert (running[0], running[-1]) == (0, 4000)
    assert run.tick[-1] == 4001 + RAMP_TICKS
    assert judged["result"] in ("fail", "invalid")  # invalid where the machine was too busy
    assert status == {"fail": 1, "invalid": 2}[judged["result"]], desk.said()
    assert "the time limit came before the ride was complete" in judged["reasons"]
    assert_at_rest(run)
    assert run.signal("truth.speed_m_s").max() > 4.0  # it really rode
    assert run.certificate["robot_frames"]["steering"]["accepted"] > 1000
    assert run.gnss.count(b"GGA") >= 40
    assert {"signals.arrow", "frames.arrow", "events.jsonl", "manifest.json", "report.html"} <= set(
        os.listdir(desk.folder)
    )
    assert not list(desk.folder.glob("*.log"))
    assert replays(desk, len(run.tick)).bursts == run.gnss.count(b"GGA")


def test_a_held_ride_starts_when_enter_is_pressed_and_its_record_has_no_gap(desk):
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 1.0")
    desk.scenario("    from_s: 12.0 # by then it has caught up with the target of a flying lap\n", "")
    process = desk.start("--hold", stdin=subprocess.PIPE)
    desk.wait(lambda: "press Enter" in desk.said(), "it did not say that it is held")
    desk.wait(lambda: any(text == "standby -> armed" for _, _, text in desk.events()), "not armed")
    time.sleep(COUNTDOWN_s[1] + 0.3)  # longer than any countdown
    assert not any("running" in text for _, _, text in desk.events())
    process.stdin.write(b"\n")
    process.stdin.close()
    assert desk.end(process) in (1, 2), desk.said()
    told = [text for _, kind, text in desk.events() if kind in ("hold", "state")]
    assert told[:4] == [
        "held by the operator at the bench: armed at most",
        "standby -> armed",
        "hold released",
        "armed -> running",
    ]
    ticks = read_run(desk.folder).tick
    assert (np.diff(ticks) == 1).all()
    assert ticks[-1] >= 1000
    replays(desk, len(ticks))


ASKED = """\
events:
  - {kind: grip, name: rain, at: {on_request: true}, factor: 0.9}
  - {kind: mark, name: here, at: {on_request: true}, text: asked for}
  - kind: fault
"""


def test_events_asked_for_during_a_ride_are_recorded_and_replay(desk):
    desk.scenario("events:\n  - kind: fault\n", ASKED)
    process = desk.start(stdin=subprocess.PIPE)
    desk.ride_for(process, seconds=0.5)
    process.stdin.write(b"start rain\nstart snow\nstart here\n")
    process.stdin.flush()
    desk.wait(lambda: any(kind == "mark" for _, kind, _ in desk.events()), "no event was started")
    process.stdin.write(b"end rain\n")
    process.stdin.close()
    desk.wait(lambda: any(kind == "grip_off" for _, kind, _ in desk.events()), "the event was not ended")
    process.send_signal(signal.SIGINT)
    assert desk.end(process) in (2, 5), desk.said()
    assert "to be asked for during the ride: rain, here (type: start NAME, end NAME)" in desk.said()
    assert "no event 'snow' waits to be asked for" in desk.said()
    told = [(kind, text) for _, kind, text in desk.events() if kind in ("grip_on", "grip_off", "mark")]
    assert told == [("grip_on", "rain"), ("mark", "here: asked for"), ("grip_off", "rain")]
    run = read_run(desk.folder)
    assert set(run.signal("truth.grip_rear")[run.signal("bench.events_active") == 1]) == {0.9}
    replays(desk, len(run.tick))


@pytest.mark.parametrize(
    ("body", "word"),
    [
        pytest.param("1 / 0", "ZeroDivisionError", marks=pytest.mark.timing),
        ("while True: pass", "took more than 60 ms"),
    ],
)
def test_a_hook_that_fails_on_the_bench_gives_verdict_error_and_the_signals_go_to_rest(desk, body, word):
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 20.0")
    desk.scenario(
        "events:\n", "hook: {file: bad.py, name: Bad, every_ms: 50.0, budget_ms: 60.0}\n\nevents:\n"
    )
    (desk.files / "runs" / "bad.py").write_text(
        "from emulator import Hook\n\n\nclass Bad(Hook):\n"
        f"    def look(self, ride):\n        if ride.time_s > 0.5:\n            {body}\n"
    )
    process = desk.start()
    assert desk.end(process) == 4, desk.said()
    verdict = json.loads((desk.folder / "verdict.json").read_text())
    assert verdict["result"] == "error"
    assert word in verdict["reasons"][0]
    texts = [text for _, _, text in desk.events()]
    assert "running -> stopping" in texts
    assert "stopping -> standby" in texts
    assert not desk.processes()


STAGES = """\
events:
  - kind: fault
    name: by time
    signal: lean_rad
    effect: noise
    value: 0.002
    at: {time_s: 1.5}
    duration_s: 1.0
  - {kind: mark, name: towed, at: {station_m: 3.0}, text: passed while towed}
  - {kind: mark, name: after, at: {started: by time, delay_s: 0.25}, text: a quarter later}
  - {kind: frame, name: lost, frame: engine, effect: loss, share: 0.5, at: {between_s: [2, 3]}, duration_s: 1}
  - {kind: gust, name: free, at: {station_m: 12.0}, duration_s: 0.5, speed_m_s: 2.0, from_deg: 0.0}
  - {kind: gust, name: never, at: {time_s: 1}, duration_s: 1, speed_m_s: 9, from_deg: 0, probability: 1.0e-6}

criteria:
  - kind: no_fall
  - {kind: distance_from_line, limit_m: 1.5}
  - {kind: lean, limit_deg: 30}
"""


def test_virtual_and_in_real_time_the_same_events_come_at_the_same_ticks(desk):
    """What hangs on time does to the tick.

    The robot's frames come when they come, so a station is passed a little earlier or later (20 ms), and
    margins differ a little (5 cm, 1 degree).
    """
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 5.0")
    file = desk.files / "runs" / "first_lap.yaml"
    file.write_text(file.read_text().partition("events:\n")[0] + STAGES)
    told, criteria = [], []
    for options in (["--virtual"], []):
        assert desk.end(desk.start(*options)) in (1, 2), desk.said()
        run = read_run(desk.folder)
        own = [e for e in run.events if e.kind.split("_")[0] in ("fault", "mark", "frame", "gust")]
        told.append({(e.kind, e.text.split(":")[0]): e.tick for e in own})
        criteria.append(json.loads((desk.folder / "verdict.json").read_text())["criteria"])
        shutil.rmtree(desk.folder)
    virtual, bench = told
    assert virtual.keys() == bench.keys()
    assert virtual["fault_on", "by time"] == 1500
    assert virtual["mark", "after"] == 1751
    assert ("gust_spared", "never") in virtual
    assert len(virtual) == 9
    for event, tick in virtual.items():
        assert abs(bench[event] - tick) <= (20 if event[1] in ("towed", "free") else 0), event
    for one, other, tolerance in zip(*criteria, (0.0, 0.05, 1.0), strict=True):
        assert one["passed"]
        assert other["passed"]
        assert one["margin"] == pytest.approx(other["margin"], abs=tolerance), one["name"]


@pytest.mark.timing  # for the ordinary run's length only
def test_a_broker_that_is_away_costs_the_ride_nothing(desk):
    desk.rig("loop:\n", "telemetry: {kind: mqtt, host: 127.0.0.1, port: 1}\n\nloop:\n")
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 4.0")
    desk.scenario("    from_s: 12.0 # by then it has caught up with the target of a flying lap\n", "")
    process = desk.start()
    status = desk.end(process, 120.0)
    assert status in (1, 2), desk.said()
    assert "telemetry: the broker is away" in desk.said()
    assert "the verdict could not be left at the broker" in desk.said()
    # whether its timing was kept is this machine's affair
    assert json.loads((desk.folder / "outcome.json").read_text())["ended"] == "time_limit"
    assert_at_rest(whole(read_run(desk.folder)))


@pytest.mark.parametrize(
    "number",
    [signal.SIGINT, *(pytest.param(n, marks=pytest.mark.timing) for n in (signal.SIGTERM, signal.SIGHUP))],
    ids=lambda n: n.name,
)
def test_a_signal_ends_the_ride_in_order(desk, number):
    process = desk.start()
    desk.ride_for(process, seconds=0.5)
    if number == signal.SIGINT:
        os.killpg(process.pid, number)  # as the terminal does it
    else:
        process.send_signal(number)
    status = desk.end(process)
    run, judged = whole(read_run(desk.folder)), verdict(desk)
    assert judged["result"] in ("stopped", "invalid"), judged  # invalid where the machine was too busy
    assert status == {"stopped": 5, "invalid": 2}[judged["result"]], desk.said()
    (stop,) = (cause for cause in judged["causes"] if cause["whose"] == "operator")
    assert stop["text"].startswith(f"stopped by hand ({number.name}) ")
    assert f"{number.name}: stopping in an orderly way" in desk.said()
    assert [text for _, kind, text in desk.events() if kind in ("command", "state")] == [
        "command arm",
        "standby -> armed",
        "armed -> running",
        "command stop",
        "running -> stopping",
        "stopping -> standby",
    ]
    assert_at_rest(run)


# ---- processes that die ------------------------------------------------------------------------------------


def test_robot_killed_trips_the_rig_within_the_watchdogs_time(desk):
    process = desk.start()
    os.kill(desk.ride_for(process, seconds=0.5)["robot"], signal.SIGKILL)
    status = desk.end(process)
    run, judged = whole(read_run(desk.folder)), verdict(desk)
    trip = next(tick for tick, kind, _ in desk.events() if kind == "trip")
    # one tick more than the timeout is the first in which the heartbeat is too old
    assert trip - last_heartbeat_tick(run, trip) == HEARTBEAT_TICKS + 1
    # our own robot's process is the bench's: that somebody ended it says nothing of the robot
    assert (status, judged["result"]) == (2, "invalid"), desk.said()
    assert not any(cause["whose"] == "robot" for cause in judged["causes"])
    assert any("heartbeat lost: no 'gear'" in r for r in judged["reasons"]), judged
    assert any("the reference robot's process was gone (ended by SIGKILL)" in r for r in judged["reasons"])
    assert "the robot process is gone" in desk.said()
    assert_at_rest(run)
    replays(desk, len(run.tick))


def cpu_ticks(number):
    """Processor time used so far [clock ticks]; fields 14 and 15 of proc(5)'s stat."""
    return sum(map(int, Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()[11:13]))


@pytest.mark.timing  # test_killed.py rides it at more moments
def test_recorder_killed_is_told_and_another_one_goes_on_with_the_record(desk):
    process = desk.start()
    found = desk.ride_for(process)
    os.kill(found["recorder"], signal.SIGKILL)
    desk.wait(lambda: "the recorder is gone" in desk.said(), "nothing was said")
    before = cpu_ticks(found["loop"])
    desk.wait(lambda: cpu_ticks(found["loop"]) > before + 10, "the loop stands still")
    desk.wait(
        lambda: len(read_run(desk.folder).tick) and read_run(desk.folder).tick[-1] > 5000, "no more of it"
    )
    process.send_signal(signal.SIGTERM)
    assert desk.end(process) == 2, desk.said()
    judged, run = verdict(desk), whole(read_run(desk.folder))
    assert judged["result"] == "invalid"
    assert any("the recorder was gone (ended by SIGKILL)" in reason for reason in judged["reasons"])
    assert_at_rest(run)
    replays(desk, len(run.tick))


def test_loop_killed_is_an_error(desk):
    process = desk.start()
    os.kill(desk.ride_for(process, seconds=0.5)["loop"], signal.SIGKILL)
    assert desk.end(process) == 4, desk.said()
    judged, run = verdict(desk), read_run(desk.folder)
    assert judged["result"] == "error"
    assert judged["reasons"][0] == "the loop was gone (ended by SIGKILL)"
    assert any("the loop process broke (exit -9)" in reason for reason in judged["reasons"])
    assert run.losses == []  # the recorder emptied the rings and closed its files
    assert run.tick[-1] >= 500
    replays(desk, len(run.tick))


@pytest.mark.timing  # test_killed.py rides it at more moments
def test_supervisor_killed_lets_everything_come_to_rest(desk):
    process = desk.start()
    desk.ride_for(process)
    process.kill()
    assert desk.end(process) == -9
    run = whole(read_run(desk.folder))
    assert run.certificate is not None
    assert run.verdict is None  # nobody was there to judge
    assert [t for _, kind, t in desk.events() if kind == "stop_asked"] == ["stopping: supervisor gone"]
    assert_at_rest(run)
    assert not list(desk.folder.glob("*.log")), [p.read_text() for p in desk.folder.glob("*.log")]
    replays(desk, len(run.tick))


@pytest.mark.timing
def test_everything_killed_at_once_leaves_the_record_up_to_the_last_second(desk):
    process = desk.start()
    found = desk.ride_for(process, 2.0)
    shown = read_run(desk.folder).tick[-1]
    begin = time.monotonic()
    # At once: stopped first, or this process may be held up between two kills and who is left ends in order.
    for number in found.values():
        os.kill(number, signal.SIGSTOP)
    for number in found.values():
        os.kill(number, signal.SIGKILL)
    process.wait(10)
    run = read_run(desk.folder)
    late = (time.monotonic() - begin) * 1000
    assert run.truncated
    assert run.tick[-1] >= shown >= 2000
    # what the loop had computed by then is in its last frames' ticks, on the disk as far as it was flushed
    newest = max(run.tick[-1], run.frames.tick[-1])
    assert newest - run.tick[-1] < 1000 + late
    for name in ("frames.arrow", "events.jsonl"):
        assert (desk.folder / name).stat().st_size > 0
    status = subprocess.run(
        [sys.executable, "-m", "emulator", "report", desk.folder], capture_output=True, text=True, check=False
    )
    assert status.returncode == 0, status.stderr
    assert (desk.folder / "report.html").stat().st_size > 10_000
    assert any("not to the end of the ride" in note for note in replays(desk, 2000).notes)
    # the hidden folder of the logs has nobody left to put it away
    shutil.rmtree(desk.folder.parent / f".{desk.folder.name}.logs")
