"""What a child process does in which order."""

from __future__ import annotations

import ast
import inspect
import io
import subprocess
import sys
import textwrap
from types import SimpleNamespace
from typing import Any

import pytest

from emulator.shared_memory.block import Snapshot
from emulator.stages.bench import child


@pytest.mark.parametrize(
    ("job", "line", "on_the_bus"),
    [({"gnss": "here"}, "", True), ({}, '{"gnss": "here"}\n', True), ({}, "", False)],
    ids=["known", "told later", "never told"],
)
def test_a_robot_does_nothing_that_takes_long_once_it_is_on_the_bus(
    monkeypatch: pytest.MonkeyPatch, job: child.Job, line: str, on_the_bus: bool
) -> None:
    """Whoever is on it and does not read is cut off; locking memory took seconds on a busy host."""
    seen: list[str] = []
    told: dict[str, Any] = {}

    def saw(what: str, value: object = None) -> Any:
        def act(*_: object, **__: object) -> object:
            seen.append(what)
            return value

        return act

    link = SimpleNamespace(close=lambda: None)
    turns = SimpleNamespace(turn=None, end=lambda: None)
    snapshot = SimpleNamespace(close=lambda: None, stall_writer=lambda _: turns)
    for name, stand_in in {
        "emulator.assembly.link_specs.can_spec": lambda *_: None,
        "emulator.links.can_bus.open_can": saw("bus", link),
        "emulator.links.gnss_port.open_gnss_reader": lambda _, at: saw(f"gnss {at}", link)(),
        "emulator.loop.host.apply": saw("rights"),
        "emulator.loop.host.die_with_parent": lambda _: True,
        "emulator.robot.process.run_robot": saw("rides", "asked to end"),
    }.items():
        monkeypatch.setattr(name, stand_in)
    monkeypatch.setattr(Snapshot, "attach", lambda _: snapshot)
    monkeypatch.setattr(child, "_tell", told.update)
    monkeypatch.setattr(child.sys, "stdin", io.StringIO(line))
    monkeypatch.setattr(child.signal, "signal", lambda *_: None)
    loop, port = SimpleNamespace(priority=80, lock_memory=True), SimpleNamespace(kind="tcp")
    session = SimpleNamespace(rig=SimpleNamespace(loop=loop, gnss_port=port), codec=None)
    rider = SimpleNamespace(rehearse=saw("rehearsed"), stopped=None)
    child.ride_on_bus(
        {"supervisor": 1, "port": 0, "fd": 0, **job},
        lambda: (session, rider),  # type: ignore[arg-type,return-value]
    )
    if on_the_bus:
        assert seen == ["rehearsed", "rights", "bus", "gnss here", "rides"]
        assert told == {"ready": True, "ended": "asked to end"}
    else:
        assert seen == ["rehearsed", "rights"]
        assert told == {}


def test_the_recorder_imports_nothing_that_makes_a_session_or_a_plant() -> None:
    """On two cores it gets ready beside the robot, on the robot's core."""
    source = textwrap.dedent(inspect.getsource(child._recorder))
    imports = [ast.unparse(line) for line in ast.walk(ast.parse(source)) if isinstance(line, ast.ImportFrom)]
    assert len(imports) > 3
    program = "\n".join(["import emulator.stages.bench.child, sys", *imports, "print(*sys.modules)"])
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    found = set(done.stdout.split())
    assert "emulator.record.writer" in found
    assert not found & {
        "emulator.assembly.session",
        "emulator.plant.step",
        "pydantic",
        "emulator.config.validation",
    }
