"""Processes of a bench run that stand still, die or are flooded: what is said, measured, and how it ends."""

import contextlib
import json
import os
import signal
import socket
import subprocess
import time

import pytest

from emulator.record.reader import read_run
from tests.bench.probe import BusClient

pytestmark = pytest.mark.slow
# One of each family in the ordinary run, to keep that short; all of them with -m timing.


def port_of(desk):
    """Where the virtual bus listens, from the screen."""
    return int(desk.said().partition("can0 on 127.0.0.1:")[2].split()[0])


def joined(desk):
    return contextlib.closing(BusClient("127.0.0.1", port_of(desk)))


def outcome(desk):
    return json.loads((desk.folder / "outcome.json").read_text())


def verdict(desk):
    return json.loads((desk.folder / "verdict.json").read_text())


# ---- the loop ----------------------------------------------------------------------------------------------


def test_a_loop_that_hangs_is_told_of_and_ended_within_three_seconds(desk):
    process = desk.start()
    found = desk.ride_for(process, seconds=0.5)
    os.kill(found["loop"], signal.SIGSTOP)
    begun = time.monotonic()
    desk.wait(lambda: "the loop stands still" in desk.said(), "nothing was said", 3.0)
    assert 0.9 < time.monotonic() - begun < 1.6
    desk.wait(lambda: set(desk.processes()) <= {"supervisor"}, "something still runs", 5.0)
    assert time.monotonic() - begun < 3.0
    assert desk.end(process) == 4, desk.said()
    judged, run = verdict(desk), read_run(desk.folder)
    assert judged["result"] == "error"
    assert "the loop stood still" in judged["reasons"][0]
    assert run.losses == []
    assert run.tick[-1] >= 500


@pytest.mark.timing
def test_a_loop_that_hangs_and_a_person_who_stops_it(desk):
    """The first Ctrl-C can't reach it; the watch ends it all the same."""
    process = desk.start()
    os.kill(desk.ride_for(process)["loop"], signal.SIGSTOP)
    begun = time.monotonic()
    process.send_signal(signal.SIGINT)
    desk.wait(lambda: set(desk.processes()) <= {"supervisor"}, "something still runs", 5.0)
    assert time.monotonic() - begun < 3.0
    assert desk.end(process) == 4, desk.said()
    assert "the loop stood still" in verdict(desk)["reasons"][0]


@pytest.mark.timing
def test_a_loop_that_stands_still_for_a_moment_goes_on(desk):
    process = desk.start()
    found = desk.ride_for(process)
    os.kill(found["loop"], signal.SIGSTOP)
    desk.wait(lambda: "the loop stands still" in desk.said(), "nothing was said", 3.0)
    os.kill(found["loop"], signal.SIGCONT)
    desk.wait(lambda: any(kind == "stall" for _, kind, _ in desk.events()), "the loop does not go on")
    process.send_signal(signal.SIGINT)
    assert desk.end(process) == 2, desk.said()
    assert "ended by force" not in desk.said()
    loop = outcome(desk)["processes"]["loop"]
    assert loop["exit"] == 0
    assert loop["longest_ms"] > 900.0


@pytest.mark.timing
def test_every_other_process_that_stood_still_is_told_of_with_when_and_for_how_long(desk):
    process = desk.start()
    found = desk.ride_for(process)
    for role in ("bus", "recorder", "robot"):
        os.kill(found[role], signal.SIGSTOP)
        time.sleep(0.5)
        os.kill(found[role], signal.SIGCONT)
    time.sleep(0.5)
    process.send_signal(signal.SIGINT)
    desk.end(process)
    told = outcome(desk)
    assert told["time_base"] == "scenario"
    for role in ("bus", "recorder", "robot"):
        begin_ms, end_ms = max(
            told["processes"][role]["stalls"], key=lambda s: s[1] - s[0] if s[0] > 0 else 0
        )
        assert end_ms - begin_ms > 400.0, role
        assert 1000.0 < begin_ms < 30_000.0
    assert told["processes"]["bus"]["delay_us"]["max"] > 400e3
    assert told["stop"]["cause"] == "SIGINT"
    assert told["left"] == []


@pytest.mark.timing
def test_a_loop_that_stalls_before_the_robot_is_ready_is_what_is_said(desk):
    """It was the robot's missing GNSS port that was said, and whether that is plugged in."""
    process = desk.start()
    desk.wait(lambda: "GNSS: pty" in desk.said() or process.poll() is not None, "the loop is not ready")
    (loop,) = desk.processes()["loop"]
    (robot,) = desk.wait(lambda: desk.processes().get("robot"), "no robot process")
    os.kill(robot, signal.SIGSTOP)  # on a quiet machine it would be ready too soon
    time.sleep(1.5)  # the loop is warm and cycles
    os.kill(loop, signal.SIGSTOP)
    time.sleep(1.5)
    os.kill(loop, signal.SIGCONT)
    desk.wait(lambda: "loop" not in desk.processes(), "the loop goes on", 30.0)
    os.kill(robot, signal.SIGCONT)
    assert desk.end(process) == 4, desk.said()
    said = " ".join(desk.said().split())
    assert "the loop ended before the robot was ready: the loop stalled for" in said
    assert "plugged in" not in said
    assert not desk.folder.exists()


# ---- who asks twice ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "second",
    [signal.SIGINT, pytest.param(signal.SIGTERM, marks=pytest.mark.timing)],
    ids=lambda n: n.name,
)
def test_a_second_signal_in_a_ride_ends_everything_at_once_and_the_record_reads(desk, second):
    desk.rig("ramp_to_rest_s: 0.5", "ramp_to_rest_s: 20.0")
    process = desk.start()
    desk.ride_for(process, seconds=0.5)
    process.send_signal(signal.SIGINT)
    desk.wait(lambda: "stopping in an orderly way" in desk.said(), "nothing was said")
    time.sleep(0.5)
    assert "loop" in desk.processes()  # on its way to rest
    begun = time.monotonic()
    process.send_signal(second)
    desk.wait(lambda: set(desk.processes()) <= {"supervisor"}, "something still runs", 5.0)
    assert time.monotonic() - begun < 2.0
    desk.end(process)
    assert f"{second.name} again: everything is ended at once" in desk.said()
    assert "Traceback" not in desk.said()
    run = read_run(desk.folder)
    assert run.tick[-1] >= 500
    assert not run.truncated
    assert verdict(desk)["result"] != "pass"


@pytest.mark.parametrize(
    "role", [*(pytest.param(role, marks=pytest.mark.timing) for role in ("bus", "loop")), "robot"]
)
def test_a_second_signal_while_it_starts_leaves_nothing(desk, role):
    process = desk.start()
    desk.wait(lambda: role in desk.processes() or process.poll() is not None, f"no {role} process")
    process.send_signal(signal.SIGINT)
    process.send_signal(signal.SIGTERM)
    begun = time.monotonic()
    assert desk.end(process) == 5
    assert time.monotonic() - begun < 5.0
    assert "Traceback" not in desk.said()
    assert not desk.folder.exists()


# ---- a screen that goes away -------------------------------------------------------------------------------


def test_a_closed_pipe_does_not_cost_the_verdict(desk):
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 1.0")
    desk.scenario("    from_s: 12.0 # by then it has caught up with the target of a flying lap\n", "")
    process = desk.start(stdout=subprocess.PIPE)
    process.stdout.read(10)
    process.stdout.close()
    desk.end(process, 120.0)
    assert verdict(desk)["result"] in ("fail", "invalid")
    assert (desk.folder / "report.html").stat().st_size > 10_000
    assert not list(desk.folder.glob("*.log"))


@pytest.mark.timing
def test_a_terminal_that_is_closed_does_not_cost_the_verdict(desk):
    """As it happens: its other end is closed, and SIGHUP comes, twice."""
    ours, its = os.openpty()
    process = desk.start(stdout=its)
    os.close(its)
    desk.ride_for(process)
    os.close(ours)
    process.send_signal(signal.SIGHUP)
    time.sleep(0.1)
    process.send_signal(signal.SIGHUP)
    desk.end(process)
    texts = [text for _, _, text in desk.events()]
    assert "running -> stopping" in texts
    assert "stopping -> standby" in texts
    assert verdict(desk)["result"] != "pass"
    assert (desk.folder / "report.html").stat().st_size > 10_000


# ---- the virtual bus ---------------------------------------------------------------------------------------


def test_a_bus_that_dies_is_named_and_the_ride_ends(desk):
    process = desk.start()
    os.kill(desk.ride_for(process, seconds=0.5)["bus"], signal.SIGKILL)
    assert desk.end(process) == 2, desk.said()
    assert "the virtual bus's process is gone (exit -9)" in desk.said()
    assert any("bus" in reason for reason in verdict(desk)["reasons"])
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port_of(desk)), 1.0)


@pytest.mark.timing
def test_two_who_send_a_frame_of_the_robot_are_named(desk):
    process = desk.start()
    found = desk.ride_for(process)
    with joined(desk) as stranger:
        for _ in range(20):
            stranger.send(b"< send 201 8 0 0 0 0 0 0 0 0 >")
            time.sleep(0.01)
        desk.wait(lambda: "two participants send frame" in desk.said(), "nothing was said", 5.0)
        name = f"127.0.0.1:{stranger.socket.getsockname()[1]}"
    process.send_signal(signal.SIGINT)
    assert desk.end(process) == 2, desk.said()
    line = next(line for line in desk.said().splitlines() if "two participants" in line)
    assert "the reference robot" in line
    assert name in " ".join(desk.said().split())
    assert found["robot"]


@pytest.mark.timing
def test_who_replays_the_robot_s_frames_is_named_and_the_robot_is_not_blamed(desk):
    """Whole frames with counters that once were right: only who sent them is wrong."""
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 9.0")  # too short: the ride is not completed
    desk.scenario("    from_s: 12.0 # by then it has caught up with the target of a flying lap\n", "")
    process = desk.start()
    desk.ride_for(process)
    heard = []
    with joined(desk) as impostor:
        until = time.monotonic() + 3.0
        while time.monotonic() < until and process.poll() is None:
            heard += [(time.monotonic(), *frame) for frame in impostor.wait(0.01) if 0x80 <= frame[0] <= 0x82]
            while heard and heard[0][0] < time.monotonic() - 0.3:
                _, can_id, data = heard.pop(0)
                impostor.send(f"< send {can_id:X} 8 {data.hex(' ')} >".encode())
        desk.end(process, 120.0)
    judged = verdict(desk)
    assert judged["result"] == "invalid", judged["reasons"]
    assert any("has more than one sender" in reason for reason in judged["reasons"])
    assert judged["causes"][0]["whose"] != "robot"
    # left out or repeated: as the copy's counters happen to lie to the robot's
    assert any("alive counter" in note for note in judged["notes"]), judged["notes"]


@pytest.mark.timing
def test_who_does_not_read_is_cut_off_by_name_and_the_ride_goes_on(desk):
    process = desk.start()
    found = desk.ride_for(process)
    with joined(desk) as deaf:
        deaf.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        name = f"127.0.0.1:{deaf.socket.getsockname()[1]}"
        desk.wait(lambda: "did not read and was cut off" in desk.said(), "nothing was said", 60.0)
    assert f"{name} did not read" in " ".join(desk.said().split())
    assert desk.processes()["loop"] == [found["loop"]]
    process.send_signal(signal.SIGINT)
    desk.end(process)
    assert not [text for _, kind, text in desk.events() if kind == "trip"]


@pytest.mark.timing
def test_ten_that_never_read_do_not_stall_a_ride(desk):
    """In the server's former place, in the supervisor, one collection of garbage then held up every frame
    for 300 ms (measured on two cores), and the robot was blamed for it."""
    desk.scenario("duration_limit_s: 180.0", "duration_limit_s: 14.0")
    process = desk.start()
    desk.ride_for(process)
    with contextlib.ExitStack() as crowd:
        for _ in range(10):
            deaf = crowd.enter_context(joined(desk))
            deaf.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        desk.end(process, 120.0)
    assert desk.said().count("did not read and was cut off") == 10
    bus = outcome(desk)["processes"]["bus"]
    assert bus["longest_ms"] < 60.0
    assert bus["delay_us"]["max"] < 60e3
