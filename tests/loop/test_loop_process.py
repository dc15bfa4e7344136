"""The loop process as a whole: order, signals, links closed on every way out."""

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from emulator.core.errors import DeviceAbsent
from emulator.loop import host
from emulator.loop.certificate import OutputSpec
from emulator.loop.contract import CycleLimits, StopRequest
from emulator.loop.process import PARENT_DIED, HostSettings, Parts, run_loop_process, stop_on_signals
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import LoopState, Status
from tests.support.stepped_clock import SteppedClock
from tests.support.stub_plant import FRAME_ID, StubCan, StubGnss, StubPlant


@pytest.fixture
def snapshot():
    block = Snapshot.create()
    yield block
    block.close()


@pytest.fixture
def settings(monkeypatch):
    # What the host grants is tested in a process of its own; here it would change the test run.
    monkeypatch.setattr(host, "apply", lambda *a, **k: host.HostReport(refused=["not asked"]))
    return HostSettings()


def parts(**limits):
    return Parts(
        StubPlant(),
        StubCan(),
        StubGnss(),
        [OutputSpec("stub", FRAME_ID, 100.0, 0)],
        CycleLimits(5, 6, **limits),
    )


def test_outcome_and_certificate_come_back_and_links_are_closed(snapshot, settings):
    made = parts(max_ticks=100)
    result = run_loop_process(lambda: made, snapshot, SteppedClock(), settings)
    assert result["outcome"]["at_rest"] is True
    assert result["certificate"]["loop"]["ticks"] == result["outcome"]["ticks"]
    assert result["certificate"]["loop"]["host"]["refused"] == ["not asked"]
    assert (made.can.closed, made.gnss.closed) == (1, 1)
    assert snapshot.status[Status.LOOP_STATE] == LoopState.ENDED


def test_error_while_building_is_passed_on_and_shown(snapshot, settings):
    def build():
        raise DeviceAbsent("can0 is not there")

    with pytest.raises(DeviceAbsent):
        run_loop_process(build, snapshot, SteppedClock(), settings)
    assert snapshot.status[Status.LOOP_STATE] == LoopState.FAILED


def test_plant_that_breaks_its_word_still_leaves_closed_links(snapshot, settings):
    made = parts()

    def bug(n):
        if n == 5:
            raise ZeroDivisionError

    made.plant.on_tick = bug
    with pytest.raises(ZeroDivisionError):
        run_loop_process(lambda: made, snapshot, SteppedClock(), settings)
    assert (made.can.closed, made.gnss.closed) == (1, 1)
    assert snapshot.status[Status.LOOP_STATE] == LoopState.FAILED


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_while_building_is_honoured_and_the_handlers_come_back(snapshot, settings, number):
    before = signal.getsignal(number)

    def build():
        os.kill(os.getpid(), number)
        return parts()

    result = run_loop_process(build, snapshot, SteppedClock(), settings)
    assert result["outcome"]["stop_cause"] == signal.Signals(number).name
    assert result["outcome"]["ticks"] < 30
    assert signal.getsignal(number) is before


ROOT = Path(__file__).parents[2]
"""Where a program of its own finds the tests' support."""

COMPILED = """
import sys
from tests.support.stub_plant import FRAME_ID, StubCan, StubGnss, StubPlant
from tests.support.stepped_clock import SteppedClock
from emulator.core.compiled import Compiled
from emulator.shared_memory import rings
from emulator.shared_memory.block import Snapshot
from emulator.loop import certificate, process
from emulator.loop.contract import CycleLimits

def signatures():
    return {f"{m.__name__}.{k}": len(f.dispatcher.signatures) for m in (rings, certificate)
            for k, f in vars(m).items() if isinstance(f, Compiled)}

process.warm()
warm = signatures()
specs = ("stub", FRAME_ID, 100.0, 0), ("gnss", certificate.GNSS, 10.0, 0)
outputs = [certificate.OutputSpec(*spec) for spec in specs]
made = process.Parts(StubPlant(), StubCan(), StubGnss(), outputs, CycleLimits(5, 6, max_ticks=700))
block = Snapshot.create()
process.run_loop_process(lambda: made, block, SteppedClock(), process.HostSettings(lock_memory=False))
after = signatures()
print(len(warm), {k: n for k, n in after.items() if n != warm[k]})
"""


def test_the_cycle_compiles_nothing_that_warming_did_not():
    # In a process of its own: other tests have compiled things here already.
    done = subprocess.run(
        [sys.executable, "-c", COMPILED],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    count, differences = done.stdout.strip().split(" ", 1)
    assert int(count) >= 10
    assert differences == "{}"


RUN = """
import os, sys
from tests.support.stub_plant import StubCan, StubGnss, StubPlant
from emulator.core.clock import MonotonicClock
from emulator.loop.process import HostSettings, Parts, run_loop_process
from emulator.loop.contract import CycleLimits
from emulator.shared_memory.block import Snapshot
snapshot = Snapshot.attach(int(sys.argv[1]))
parts = Parts(StubPlant(), StubCan(), StubGnss(), [], CycleLimits(5, 6, overrun_ns=10**10))
result = run_loop_process(
    lambda: parts, snapshot, MonotonicClock(), HostSettings(lock_memory=False), supervisor_pid=os.getppid()
)
print(result["outcome"]["stop_cause"], result["outcome"]["at_rest"], flush=True)
"""


def wait_until_cycling(snapshot, process):
    while snapshot.status[Status.LOOP_HEARTBEAT] < 20:
        assert process.poll() is None
        time.sleep(0.005)


def test_sigterm_on_the_real_clock_ends_in_order(snapshot):
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, str(snapshot.fd)],
        cwd=ROOT,
        pass_fds=[snapshot.fd],
        stdout=subprocess.PIPE,
        text=True,
    )
    with process:
        wait_until_cycling(snapshot, process)
        process.send_signal(signal.SIGTERM)
        out, _ = process.communicate(timeout=20)
    assert out.split() == ["SIGTERM", "True"]
    assert snapshot.status[Status.LOOP_STATE] == LoopState.ENDED


def test_supervisor_killed_outright_still_ends_the_loop_in_order(snapshot):
    supervisor = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import subprocess, sys, signal\n"
            f"subprocess.Popen([sys.executable, '-c', {RUN!r}, *sys.argv[1:]], pass_fds=[int(sys.argv[1])])\n"
            "signal.pause()",
            str(snapshot.fd),
        ],
        cwd=ROOT,
        pass_fds=[snapshot.fd],
        stdout=subprocess.PIPE,
        text=True,
    )
    with supervisor, contextlib.closing(supervisor.stdout):
        wait_until_cycling(snapshot, supervisor)
        supervisor.kill()
        out = supervisor.stdout.read()  # ends when the loop, the last to hold it, is gone
    assert out.split()[-1] == "True"
    assert snapshot.status[Status.LOOP_STATE] == LoopState.ENDED


def test_the_loop_imports_nothing_it_must_not():
    code = (
        "import sys, emulator.loop.process, emulator.core.clock\n"
        "import ast, pathlib, emulator.loop\n"
        "bad = set()\n"
        "for p in pathlib.Path(emulator.loop.__path__[0]).glob('*.py'):\n"
        "    for node in ast.walk(ast.parse(p.read_text())):\n"
        "        names = [a.name for a in node.names] if isinstance(node, ast.Import) else \\\n"
        "            [node.module or ''] if isinstance(node, ast.ImportFrom) else []\n"
        "        bad |= {n for n in names if n.split('.')[0] in\n"
        "                {'asyncio', 'json', 'logging', 'pydantic', 'yaml', 'socket', 'starlette'}}\n"
        "print(sorted(bad), 'pydantic' in sys.modules, 'ruamel' in sys.modules)\n"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert out.split("\n")[0] == "[] False False"


@pytest.mark.parametrize(
    ("number", "cause"),
    [(signal.SIGTERM, "SIGTERM"), (signal.SIGINT, "SIGINT"), (PARENT_DIED, "supervisor gone")],
)
def test_the_signal_that_tells_of_a_dead_parent_is_told_as_that(number, cause):
    stop = StopRequest()
    with stop_on_signals(stop):
        os.kill(os.getpid(), number)
    assert stop.cause == cause
