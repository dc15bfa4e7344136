"""Each process of a bench run killed at random moments of its ride: what is left over, kept, and in the way.

Five moments each; more by ``KILLED_MOMENTS``.
"""

import contextlib
import json
import os
import random
import signal
import socket
import time
from pathlib import Path

import pytest

from emulator.links.device_lock import acquire
from emulator.record.reader import read_run
from tests.bench.troubles import RIDES
from tests.support.desk import ROLES, Desk

pytestmark = pytest.mark.timing

MOMENTS = int(os.environ.get("KILLED_MOMENTS", "5"))
LOST_TICKS = 600
START_S = 10.0
"""What a run that nobody is in the way of takes to open its bus, on a machine with other things to do."""


def free_port():
    with contextlib.closing(socket.socket()) as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def killed_in_its_ride(desk, role, delay_s):
    """Ride, kill, and wait until all is over."""
    process = desk.start(scenario="short_straight")
    desk.wait(
        lambda: any(text == "armed -> running" for _, _, text in desk.events()) or process.poll() is not None,
        "the ride did not start",
    )
    assert process.poll() is None, desk.said()
    (number,) = desk.processes()[role]
    time.sleep(delay_s)
    os.kill(number, signal.SIGKILL)
    desk.end(process)


def assert_kept(desk, role):
    run = read_run(desk.folder)
    ticks = run.tick.tolist()
    assert run.losses == []
    assert ticks == list(range(ticks[0], ticks[-1] + 1))
    if role == "loop":  # whose last word is not to be had: what was seen of its end
        left = json.loads((desk.folder / "outcome.json").read_text())["left"]
        (gone,) = (item for item in left if item["role"] == "loop")
        assert ticks[-1] >= gone["time_s"] * 1e3 - LOST_TICKS
    else:  # the ride came to rest, and the record goes on to there
        assert any(kind == "trip" or text == "stopping -> standby" for _, kind, text in desk.events())


def assert_nothing_left(desk, shared, port):
    assert desk.processes() == {}
    assert sorted(path.name for path in desk.folder.parent.iterdir()) == ["files", "run", "screen.txt"]
    assert set(os.listdir("/dev/shm")) <= shared
    acquire("virtual CAN bus on port", str(port)).close()


def assert_next_starts(desk):
    """Another run on that port opens it at once; a person stops it before its ride."""
    desk.folder = desk.folder.with_name("next")
    begun = time.monotonic()
    process = desk.start(scenario="short_straight")
    desk.wait(lambda: "bus: virtual CAN bus" in desk.said() or process.poll() is not None, "no bus", START_S)
    assert time.monotonic() - begun < START_S
    process.send_signal(signal.SIGINT)
    assert desk.end(process) == 5, desk.said()
    assert not desk.folder.exists()


@pytest.mark.parametrize("moment", range(MOMENTS))
@pytest.mark.parametrize("role", [*ROLES, "supervisor"])
def test_killed(tmp_path, role, moment):
    shared, port = set(os.listdir("/dev/shm")), free_port()
    desk = Desk(tmp_path)  # patient: a busy machine is not what this is about
    short = desk.files / "runs" / "short_straight.yaml"
    desk.rewrite(short, "manoeuvre: {kind: straight, length_m: 160.0}", RIDES)
    desk.rig("port: 0 # any free one", f"port: {port}")
    try:
        killed_in_its_ride(desk, role, random.Random(f"{role}/{moment}").uniform(0.0, 5.5))
        assert_nothing_left(desk, shared, port)
        assert_kept(desk, role)
        assert_next_starts(desk)
    finally:
        desk.left_over()
    assert Path(tmp_path / "run").exists()
