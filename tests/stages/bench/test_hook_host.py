"""A scenario's hook: what it sees and asks for, and that one which misbehaves fails and leaves nothing."""

from __future__ import annotations

import dataclasses
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import Session, load_session
from emulator.core.errors import ConfigError
from emulator.core.signals import INDEX, SIGNALS
from emulator.inspection.replay.replayed_run import replay
from emulator.record.reader import read_run
from emulator.runs.one import ride
from emulator.stages.bench.hook_host import Ask, HookFailed, HookHost
from tests.support.scripted_robot import RIG, RUN

HEAD = "from emulator import Hook, Ride\n\nclass Mine(Hook):\n"
ROW = np.arange(len(SIGNALS), dtype=np.float64)


@pytest.fixture
def hook(tmp_path):
    """Makes a host of a class with this body; all of them are gone afterwards."""
    made = []

    def make(body: str, head: str = HEAD, events: tuple[str, ...] = ("wet patch",)) -> HookHost:
        file = tmp_path / "mine.py"
        file.write_text(head + body)
        made.append(HookHost(str(file), "Mine", events))
        return made[-1]

    yield make
    for host in made:
        host.close()


def test_it_sees_time_and_signals_and_asks_for_events(hook):
    host = hook(
        "    def look(self, ride):\n"
        "        if ride.time_s > 1.0 and ride['truth.roll_rad'] == 4.0:\n"
        "            ride.start('wet patch')\n"
        "            ride.end('wet patch')\n"
    )
    assert INDEX["truth.roll_rad"] == 4
    assert host.look(1000, ROW) == []
    assert host.look(1001, ROW) == [Ask("start", "wet patch"), Ask("end", "wet patch")]


def test_it_keeps_what_it_remembers(hook):
    host = hook(
        "    def __init__(self):\n        self.n = 0\n"
        "    def look(self, ride):\n        self.n += 1\n"
        "        if self.n == 3:\n            ride.start('wet patch')\n"
    )
    assert [len(host.look(t, ROW)) for t in range(5)] == [0, 0, 1, 0, 0]


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ("    def look(self, ride):\n        1 / 0\n", ["at 1.500 s", "line 5", "ZeroDivisionError"]),
        ("    def look(self, ride):\n        print('hello')\n", ["a hook does not print", "line 5"]),
        ("    def look(self, ride):\n        import sys; sys.stderr.write('x')\n", ["a hook does not print"]),
        ("    def look(self, ride):\n        ride['truth.rol_rad']\n", ["KeyError", "truth.rol_rad"]),
        ("    def look(self, ride):\n        ride.start('rain')\n", ["no event 'rain'", "'wet patch'"]),
        ("    def look(self, ride):\n        raise SystemExit(0)\n", ["SystemExit"]),
        ("    def look(self, ride):\n        import os; os._exit(0)\n", ["has left at 1.500 s"]),
        ("    def other(self):\n        pass\n", ["NotImplementedError"]),
    ],
)
def test_one_that_misbehaves_fails_with_its_traceback_and_is_gone(hook, body, words):
    host = hook(body)
    with pytest.raises(HookFailed) as failed:
        host.look(1500, ROW)
    for word in words:
        assert word in str(failed.value)
    assert "mine.py" in str(failed.value)
    with pytest.raises(ProcessLookupError):
        os.kill(host._process.pid, 0)
    with pytest.raises(HookFailed, match="has left"):
        host.look(1501, ROW)


@pytest.mark.parametrize("body", ["while True: pass", "import time; time.sleep(60)"])
def test_one_that_hangs_fails_in_bounded_time(hook, body):
    host = hook(f"    def look(self, ride):\n        {body}\n")
    began = time.monotonic()
    with pytest.raises(HookFailed, match=r"took more than 300 ms at 0\.002 s"):
        host.look(2, ROW, timeout_s=0.3)
    assert time.monotonic() - began < 20.0  # a bound, not a measurement


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("def look(:\n", ["SyntaxError"]),
        ("raise RuntimeError('not today')\n", ["not today"]),
        ("print('made')\n", ["a hook does not print"]),
        ("Mine = 3\n", ["no class 'Mine' that is a Hook"]),
        ("class Mine:\n    pass\n", ["no class 'Mine' that is a Hook"]),
        (HEAD + "    def __init__(self, x):\n        pass\n", ["TypeError"]),
    ],
)
def test_one_that_cannot_be_made_is_told_before_anything_starts(hook, text, words):
    with pytest.raises(HookFailed) as failed:
        hook("", head=text)
    for word in words:
        assert word in str(failed.value)


def test_its_process_loads_nothing_that_reads_files():
    """It has to be there within a moment, and a scenario's Python needs none of it."""
    code = "import emulator.stages.bench.hook_host, sys; print([m for m in %r if m in sys.modules])"
    heavy = ("emulator.assembly.session", "pydantic", "ruamel.yaml", "scipy.optimize", "pyarrow")
    done = subprocess.run([sys.executable, "-c", code % (heavy,)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# ---- in a ride -------------------------------------------------------------------------------------------

SCENARIO = """\
based_on: {base}
duration_limit_s: 4.0
events:
  - {{name: front wheel speed lost, remove: true}}
  - {{name: half way, remove: true}}
  - {{kind: grip, name: rain, at: {{on_request: true}}, duration_s: 0.5, factor: 0.9}}
  - {{kind: mark, name: seen, at: {{on_request: true}}, text: the hook saw it}}
hook: {{file: mine.py, name: Mine, every_ms: 20.0}}
criteria:
  - {{kind: speed_error, limit_km_h: 100.0}}
"""
GOOD = """\
    def look(self, ride):
        if ride['truth.speed_m_s'] > 3.0:
            ride.start('rain')
            ride.start('seen')
"""


def hooked(folder: Path, body: str) -> Session:
    (folder / "mine.py").write_text(HEAD + body)
    (folder / "run.yaml").write_text(SCENARIO.format(base=RUN))
    return load_session(RIG, folder / "run.yaml", seed=3)


def test_in_the_virtual_stage_it_looks_at_its_times_and_what_it_asks_for_happens_in_the_next_tick(tmp_path):
    verdicts = [
        ride(hooked(tmp_path, GOOD), (RIG, RUN), tmp_path / name, virtual=True) for name in ("a", "b")
    ]
    assert {v.result for v in verdicts} == {"fail"}  # the time limit comes before the lap is complete
    run = read_run(tmp_path / "a")
    speed = run.signal("truth.speed_m_s")
    first = int(run.tick[np.argmax((speed > 3.0) & (run.tick % 20 == 0) & (run.tick >= 0))])
    told = {(e.kind, e.tick) for e in run.events if e.kind in ("grip_on", "grip_off", "mark")}
    assert told == {("grip_on", first + 1), ("grip_off", first + 501), ("mark", first + 1)}
    for file in ("signals.arrow", "frames.arrow", "events.jsonl", "inputs.arrow"):
        assert (tmp_path / "a" / file).read_bytes() == (tmp_path / "b" / file).read_bytes()


def test_its_ride_can_be_replayed_without_it(tmp_path):

    ride(hooked(tmp_path, GOOD), (RIG, RUN), tmp_path / "run", virtual=True)
    (tmp_path / "mine.py").unlink()
    assert replay(tmp_path / "run").same


@pytest.mark.parametrize(
    ("body", "word"),
    [
        (
            "    def look(self, ride):\n        if ride.time_s > 1.0:\n            1 / 0\n",
            "ZeroDivisionError",
        ),
        ("    def look(self, ride):\n        print('hello')\n", "does not print"),
    ],
)
def test_one_that_fails_in_a_ride_gives_verdict_error_and_the_signals_go_to_rest(tmp_path, body, word):
    verdict = ride(hooked(tmp_path, body), (RIG, RUN), tmp_path / "run", virtual=True)
    assert verdict.result == "error"
    assert word in verdict.reasons[0]
    assert "Traceback" in verdict.reasons[0]
    run = read_run(tmp_path / "run")
    texts = [e.text for e in run.events]
    assert "running -> stopping" in texts
    assert "stopping -> standby" in texts
    assert abs(run.signal("output.wheel_rear_m_s")[-1]) < 0.1
    assert not list(tmp_path.glob("run/*.tmp"))


def test_a_hook_that_cannot_be_made_starts_nothing(tmp_path):
    session = hooked(tmp_path, "    def __init__(self):\n        raise RuntimeError('not today')\n")
    with pytest.raises(HookFailed, match="not today"):
        ride(session, (RIG, RUN), tmp_path / "run", virtual=True)
    assert not (tmp_path / "run").exists()


def test_a_hook_file_that_is_not_there_is_told_at_its_place(tmp_path):
    session = hooked(tmp_path, GOOD)
    assert session.paths["hook"].endswith("mine.py")
    (tmp_path / "mine.py").unlink()
    with pytest.raises(ConfigError) as caught:
        load_session(RIG, tmp_path / "run.yaml")
    assert "run.yaml:8:14: hook.file: no such file" in str(caught.value)


def test_without_a_hook_there_is_none(tmp_path):
    session = hooked(tmp_path, GOOD)
    bare = session.scenario.model_copy(update={"hook": None})
    verdict = ride(dataclasses.replace(session, scenario=bare), (RIG, RUN), tmp_path / "run", virtual=True)
    assert verdict.result == "fail"
    assert not [e for e in read_run(tmp_path / "run").events if e.kind == "mark"]


def test_a_hook_of_the_version_before_still_runs_and_is_warned_of(hook, tmp_path):
    head = "from emulator.scenario.hook import Hook, Ride\n\nclass Mine(Hook):\n"
    host = hook(
        "    def look(self, ride: Ride):\n"
        f"        if ride['bench.fault_active'] == {INDEX['bench.events_active']}.0:\n"
        "            ride.start('wet patch')\n",
        head=head,
    )
    assert host.look(0, ROW) == [Ask("start", "wet patch")]
    text = RUN.read_text().replace("circuit: ..", f"circuit: {RUN.parents[1]}")
    scenario = tmp_path / "run.yaml"
    scenario.write_text(f"{text}\nhook: {{file: mine.py, name: Mine}}\n")
    assert [str(w).removeprefix(str(tmp_path)) for w in load_session(RIG, scenario).warnings] == [
        "/mine.py:1:6: 'emulator.scenario.hook' is called 'emulator' now; "
        "the former name works in this version and no further",
        "/mine.py:5:18: 'bench.fault_active' is called 'bench.events_active' now; "
        "the former name works in this version and no further",
    ]
    (tmp_path / "mine.py").write_text(HEAD + "    pass\n")
    assert load_session(RIG, scenario).warnings == []
