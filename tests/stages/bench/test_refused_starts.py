"""Bench runs that do not start, or are stopped before they ride: nothing of them is left.

Nothing here rides, so nothing depends on real time: they share the machine with other tests.
"""

import contextlib
import dataclasses
import os
import signal
import socket
from pathlib import Path

import pytest

from emulator.core.errors import DeviceAbsent, StartFailed
from emulator.links.device_lock import acquire
from emulator.stages.bench.supervisor import run_bench
from tests.support.scripted_robot import RIG, RUN

pytestmark = pytest.mark.slow


def refused(desk, *words):
    """The run does not start, says why, and leaves no folder."""
    process = desk.start()
    assert desk.end(process) == 4, desk.said()
    for word in (*words, "what to do"):
        assert word in desk.said()
    assert "Traceback" not in desk.said()
    assert not desk.folder.exists()


def test_gnss_port_taken(desk):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        desk.rig("  kind: pty", f"  kind: tcp\n  host: 127.0.0.1\n  port: {port}")
        refused(desk, str(port))


def test_bus_interface_missing(desk):
    desk.rig(
        "  kind: loopback\n  host: 127.0.0.1\n  port: 0 # any free one\n",
        "  kind: socketcan\n  channel: can9\n",
    )
    refused(desk, "can9")


def memory_files():
    """Numbers of the memory files without a name that this process holds open."""
    found = set()
    for path in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):  # the folder's own descriptor is gone by now
            if "memfd" in os.readlink(path):
                found.add(path.stat().st_ino)
    return found


@pytest.fixture
def bench(session, tmp_path):
    """Starts in this process, for what fails before a child is started."""
    cpus = os.sched_getaffinity(0)
    before = memory_files()

    def start(folder=tmp_path / "run", **bus):
        rig = session.rig.model_copy(update={"bus": session.rig.bus.model_copy(update=bus)})
        run_bench(dataclasses.replace(session, rig=rig), (RIG, RUN), folder)

    yield start
    os.sched_setaffinity(0, cpus)
    assert memory_files() <= before  # an earlier test's may still wait for the garbage collector
    assert not list(tmp_path.glob(".*"))


def test_port_taken(bench, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        with pytest.raises(DeviceAbsent, match=f"cannot listen on 127.0.0.1:{port}") as error:
            bench(port=port)
    assert "0 for any free one" in error.value.advice
    assert error.value.exit_status == 4
    assert list(tmp_path.iterdir()) == []


def test_a_second_run_on_the_same_bus_is_refused_before_anything_is_started(bench, tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    held = acquire("virtual CAN bus on port", str(port))
    with pytest.raises(DeviceAbsent, match=f"port {port} is in use by another loop: this process"):
        bench(port=port)
    assert list(tmp_path.iterdir()) == []
    held.close()


def test_address_of_another_machine(bench, tmp_path):
    with pytest.raises(DeviceAbsent, match=r"cannot listen on 192\.0\.2\.1"):  # RFC 5737: documentation only
        bench(host="192.0.2.1")
    assert list(tmp_path.iterdir()) == []


def test_run_folder_that_holds_something(bench, tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "notes.txt").write_text("mine")
    with pytest.raises(StartFailed, match="already holds something"):
        bench()
    assert os.listdir(tmp_path / "run") == ["notes.txt"]


def test_an_empty_run_folder_of_the_users_stays(bench, tmp_path):
    (tmp_path / "run").mkdir()
    with pytest.raises(DeviceAbsent):
        bench(host="192.0.2.1")
    assert list((tmp_path / "run").iterdir()) == []


def test_run_folder_that_may_not_be_made(bench):
    with pytest.raises(StartFailed, match="can't be made") as error:
        bench(Path("/sys/kernel/emulator-run"))  # not even root may make folders there
    assert "--out" in error.value.advice


def test_run_folder_that_is_a_file(bench, tmp_path):
    (tmp_path / "run").write_text("mine")
    with pytest.raises(StartFailed, match="can't be made"):
        bench()
    assert (tmp_path / "run").read_text() == "mine"


def test_a_signal_before_the_ride_leaves_nothing(desk):
    process = desk.start()
    desk.wait(lambda: "loop" in desk.processes() or process.poll() is not None, "no loop process")
    process.send_signal(signal.SIGINT)
    assert desk.end(process) == 5
    assert "stopped by hand (SIGINT) before the ride was armed" in desk.said()
    assert not desk.folder.exists()
