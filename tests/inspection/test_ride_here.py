"""Rides are found by the shared memory that processes hold open; a loop that stands is not one that turns."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

from emulator.inspection import ride_here
from emulator.inspection.ride_here import RideHere, rides_here
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import VERSION
from emulator.shared_memory.status import LoopState, Status
from tests.support.command_line import emulator_command

PID = 4711


@contextmanager
def ride(state: LoopState = LoopState.CYCLING, *, turning: bool) -> Iterator[Snapshot]:
    """A block as supervisor and loop fill it."""
    done = threading.Event()
    with closing(Snapshot.create()) as snapshot:
        snapshot.status[Status.SUPERVISOR_PID] = PID
        snapshot.status[Status.LOOP_STATE] = state

        def turn() -> None:
            while not done.wait(0.005):
                snapshot.status[Status.LOOP_HEARTBEAT] += 1

        loop = threading.Thread(target=turn)
        if turning:
            loop.start()
        try:
            yield snapshot
        finally:
            done.set()
            if turning:
                loop.join()


@pytest.fixture
def proc(tmp_path: Path) -> Path:
    """Processes of this test alone: others may ride on this machine."""
    (tmp_path / "12" / "fd").mkdir(parents=True)
    (tmp_path / "self" / "fd").mkdir(parents=True)
    return tmp_path


def hold_open(proc: Path, snapshot: Snapshot, process: int = 12) -> None:
    """As the kernel shows it: a link that leads to the file and reads as a name."""
    folder = proc / str(process) / "fd"
    folder.mkdir(parents=True, exist_ok=True)
    (folder / str(snapshot.fd)).symlink_to(f"/proc/self/fd/{snapshot.fd}")


@pytest.fixture(autouse=True)
def names(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ride_here, "_NAME", "/proc/self/fd/")


def test_a_loop_that_turns_and_one_that_stands(proc: Path) -> None:
    with ride(turning=True) as one, ride(LoopState.BUILDING, turning=False) as other:
        hold_open(proc, one)
        hold_open(proc, one, process=13)  # held by two processes, it is one ride
        hold_open(proc, other, process=14)
        assert rides_here(proc) == [
            RideHere(PID, LoopState.BUILDING, False),
            RideHere(PID, LoopState.CYCLING, True),
        ]


def test_where_nothing_rides_nothing_is_waited_for(proc: Path) -> None:
    began = time.monotonic()
    assert rides_here(proc) == []
    assert time.monotonic() - began < 0.2


def test_another_version_and_other_files_are_passed_over(proc: Path) -> None:
    with ride(turning=False) as snapshot:
        hold_open(proc, snapshot)
        assert len(rides_here(proc)) == 1
        header = snapshot._memory
        header[8:16] = (VERSION + 1).to_bytes(8, "little")
        assert rides_here(proc) == []
    (proc / "12" / "fd" / "99").symlink_to("/proc/self/fd/none")
    assert rides_here(proc) == []


@pytest.mark.parametrize(("turning", "status", "words"), [(True, 0, "turns"), (False, 4, "stands (cycling)")])
def test_the_command_ends_with_what_it_found(
    proc: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    turning: bool,
    status: int,
    words: str,
) -> None:
    monkeypatch.setattr(ride_here, "rides_here", lambda: rides_here(proc))
    with ride(turning=turning) as snapshot:
        hold_open(proc, snapshot)
        assert emulator_command("alive") == status
        assert words in capsys.readouterr().out
        assert emulator_command("alive", "--quiet") == status
        assert capsys.readouterr().out == ""
        assert emulator_command("alive", "--json") == status
        assert f'"turning": {str(turning).lower()}' in capsys.readouterr().out


def test_nothing_here_ends_with_4(
    proc: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(ride_here, "rides_here", lambda: rides_here(proc))
    assert emulator_command("alive") == 4
    assert "no ride goes on here" in capsys.readouterr().out
