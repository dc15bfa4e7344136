"""What a child process is started with."""

import asyncio
import json
import os

import pytest

from emulator.core.clock import MonotonicClock
from emulator.stages.bench.child_process import ENVIRONMENT, ChildProcess

STUB = """
import json, os, sys
sys.stdin.readline()
print(json.dumps({"ready": True, "environment": dict(os.environ), "blocks": sys.getallocatedblocks()}))
"""


LATER = """
import json, sys
first = json.loads(sys.stdin.readline())
print(json.dumps({"first": first}), flush=True)
print(json.dumps({"ready": True, "rest": sys.stdin.readline()}))
"""


@pytest.fixture
def started_with(tmp_path, monkeypatch):
    """Start a child of some role that only tells what it was started with."""
    (tmp_path / "stub_child.py").write_text(STUB)
    for name in ENVIRONMENT["loop"]:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")]))

    async def start(role):
        with open(tmp_path / "log", "wb") as log:
            child = ChildProcess(role, log, tmp_path / "log", MonotonicClock(), module="stub_child")
            await child.start({})
            while "ready" not in child.messages and not child.gone:
                await asyncio.sleep(0.01)
            await child.process.wait()
        return json.loads(json.dumps(child.messages))

    return lambda role: asyncio.run(start(role))


def test_the_loop_alone_has_its_memory_from_one_allocator(started_with):
    told = started_with("loop")
    assert told["environment"].items() >= ENVIRONMENT["loop"].items()
    assert told["blocks"] == 0  # Python's own allocator has none: it asks the C library for each
    for role in ("bus", "recorder", "robot"):
        told = started_with(role)
        assert not ENVIRONMENT["loop"].keys() & told["environment"].keys()
        assert told["blocks"] > 1000


def test_what_a_user_says_of_memory_stays(started_with, monkeypatch):
    monkeypatch.setenv("PYTHONMALLOC", "pymalloc")
    told = started_with("loop")
    assert told["environment"]["PYTHONMALLOC"] == "pymalloc"
    assert told["blocks"] > 1000


@pytest.mark.parametrize("told", [True, False], ids=["handed over", "asked to leave"])
def test_the_rest_of_a_job_may_come_later_or_never(tmp_path, monkeypatch, told):
    (tmp_path / "stub_child.py").write_text(LATER)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(tmp_path), os.environ.get("PYTHONPATH", "")]))

    async def run():
        with open(tmp_path / "log", "wb") as log:
            child = ChildProcess("robot", log, tmp_path / "log", MonotonicClock(), module="stub_child")
            await child.start({"a": 1}, more_later=True)
            while "first" not in child.messages:
                await asyncio.sleep(0.01)
            if told:
                await child.hand_over({"b": 2})
            assert await child.leave()
            await child.hand_over({"c": 3})  # it is gone, and nothing is raised
        return child.messages

    assert asyncio.run(run()) == {"first": {"a": 1}, "ready": True, "rest": '{"b": 2}\n' if told else ""}
