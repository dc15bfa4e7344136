"""What is compiled beforehand, from nothing but the package, and what a person is told."""

from __future__ import annotations

import gc
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from emulator.core.compiler import bound_form, processor_name
from emulator.core.errors import StartFailed
from emulator.plant.step import tick
from emulator.stages import precompile
from emulator.stages.precompile import compiling_first


def test_with_nothing_kept_a_run_says_that_it_compiles_and_how_long(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("EMULATOR_CACHE", str(tmp_path))
    for virtual in (False, True):
        line = compiling_first(virtual=virtual)
        assert line.startswith(f"compiling for this processor ({processor_name()})")
        assert "one to two minutes" in line


@pytest.mark.parametrize(
    ("found", "said"),
    [
        ((True, True), ""),
        ((False, True), "the code kept is for another processor, other libraries or settings; compiling"),
        ((False, False), "compiling"),
    ],
)
def test_what_is_kept_decides_what_is_said(
    monkeypatch: pytest.MonkeyPatch, found: tuple[bool, bool], said: str
) -> None:
    held = bound_form(tick, 3)
    monkeypatch.setattr(precompile, "kept", lambda function: found if function is held else (True, True))
    line = compiling_first(virtual=True)
    assert line.startswith(said)
    assert bool(line) == bool(said)


def test_a_run_is_asked_only_about_what_it_begins_with(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def kept(function: Any) -> tuple[bool, bool]:
        asked.append(f"{function.__module__}.{function.__name__}")
        return True, True

    monkeypatch.setattr(precompile, "kept", kept)
    robot = "emulator.robot.rider.step_bound"
    held = "emulator.plant.step.tick_bound"  # the form in which bench and virtual stage call it
    for virtual, alone, functions in (
        (False, False, [held]),
        (False, True, [robot]),
        (True, False, [robot, held, "emulator.stages.virtual.run_ticks"]),
    ):
        asked.clear()
        assert compiling_first(virtual=virtual, robot_alone=alone) == ""
        assert asked == functions


def test_once_all_is_compiled_nothing_is_said() -> None:
    """Asked are the very forms that are called, of all kinds of runs."""
    for chain in precompile._CHAINS:
        for name in chain:
            precompile._STEPS[name]()
    assert compiling_first(virtual=True) == ""
    assert compiling_first(virtual=False) == ""
    assert compiling_first(virtual=False, robot_alone=True) == ""


def test_what_only_the_virtual_stage_uses_is_not_imported_for_a_bench() -> None:
    program = (
        "import sys\nfrom emulator.stages.precompile import compiling_first\n"
        "for alone in (True, False): compiling_first(virtual=False, robot_alone=alone)\n"
        "print(' '.join(sys.modules))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=120
    )
    assert "emulator.plant.step" in done.stdout.split()
    assert not {"emulator.stages.virtual", "pyarrow"} & set(done.stdout.split())


JOINED = """
from contextlib import closing
import numpy as np
from emulator.core.signals import SIGNALS
from emulator.links.can_text import TextLink
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.layout import Sizes
with closing(Snapshot.create(Sizes())) as made, closing(Snapshot.attach(made.fd)) as snapshot:
    made.write_signals(0, np.zeros(len(SIGNALS)))
    assert snapshot.latest() is not None
    snapshot.event_reader(from_now=True).read()
for serial in (False, True):
    TextLink(-1, lambda: None, serial=serial).close()
"""


@pytest.mark.slow
def test_who_joins_a_bus_compiles_nothing_then(tmp_path: Path) -> None:
    """A robot that compiles while it is on the bus does not read, and is cut off."""
    environment = {**os.environ, "EMULATOR_CACHE": str(tmp_path / "kept")}

    def done(program: str) -> set[str]:
        subprocess.run([sys.executable, "-c", program], env=environment, check=True, timeout=300)
        return {path.name for path in (tmp_path / "kept").glob("*.zcode")}

    compiled = done(
        "from emulator.stages import precompile\nfor name in ('loop', 'links'): precompile._STEPS[name]()"
    )
    assert any("receive_text" in name for name in compiled)
    assert done(JOINED) == compiled


def test_the_session_it_compiles_for_lies_in_the_package_and_is_sound() -> None:
    session = precompile._session()
    assert session.warnings == []
    package = Path(precompile.__file__).parents[1]
    assert all(Path(path).is_relative_to(package) for path in session.paths.values())


def test_who_compiles_looks_for_circles_of_references_as_seldom_as_a_command(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A library of objects that stay is built meanwhile; the usual thresholds cost a tenth of it."""
    told = "print(__import__('gc').get_threshold()[0])"
    usual = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True).stdout
    monkeypatch.setattr(precompile, "_CHAINS", (("loop",),))
    monkeypatch.setattr(precompile, "_compile", _threshold)
    ((_, found),) = precompile.warm()
    assert found > 100 * int(usual)


def test_left_before_its_end_it_ends_what_compiles_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiler takes up to a quarter of a minute for one function, and hears nothing meanwhile."""
    monkeypatch.setattr(precompile, "_CHAINS", (("loop", "links"), ("loop", "vehicle")))
    monkeypatch.setattr(precompile, "_compile", _process_then_deaf)
    compiling = precompile.warm()
    pids = [int(next(compiling)[1]), int(next(compiling)[1])]
    started = time.monotonic()
    compiling.close()
    assert time.monotonic() - started < 2.0  # of the 60 s that they would take
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_a_process_that_is_lost_while_it_compiles_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(precompile, "_CHAINS", (("loop",), ("links",)))
    monkeypatch.setattr(precompile, "_compile", _killed)
    with pytest.raises(StartFailed, match=r"a process that compiles was lost \(exit -9\)"):
        list(precompile.warm())


def test_what_a_step_raises_is_raised_with_where_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(precompile, "_CHAINS", (("loop",),))
    monkeypatch.setattr(precompile, "_compile", _refused)
    with pytest.raises(StartFailed, match="no place to keep compiled code") as caught:
        list(precompile.warm())
    assert "_refused" in "".join(caught.value.__notes__)


def _process_then_deaf(name: str) -> float:
    if name != "loop":
        signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGTERM,))
        time.sleep(60.0)
    return float(os.getpid())


def _killed(_name: str) -> float:
    os.kill(os.getpid(), signal.SIGKILL)
    return 0.0


def _refused(_name: str) -> float:
    raise StartFailed("no place to keep compiled code")


def _threshold(_name: str) -> float:
    return float(gc.get_threshold()[0])
