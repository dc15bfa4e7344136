"""Bench runs started as a user starts them, with all their processes found, watched and put away."""

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import uuid
from pathlib import Path

from emulator.record.reader import read_run
from tests.support.scripted_robot import SCENARIOS

ROLES = ("bus", "loop", "recorder", "robot")
RAMP_TICKS, HEARTBEAT_TICKS = 500, 800


class Desk:
    """Runs started by one test, with all their processes: those carry a mark in their environment.

    patient  limits so wide that a busy machine does not trip the rig; else the shipped ones
    """

    def __init__(self, tmp_path, *, patient=True):
        self.folder = tmp_path / "run"
        self.mark = f"EMULATOR_TEST_MARK={uuid.uuid4()}"
        self.files = tmp_path / "files"
        self.screen = tmp_path / "screen.txt"
        self.started = []
        shutil.copytree(SCENARIOS, self.files)
        if not patient:
            return
        rig = self.files / "rigs" / "loopback.yaml"
        self.rewrite(rig, "heartbeat_timeout_ms: 200.0", f"heartbeat_timeout_ms: {HEARTBEAT_TICKS}.0")
        self.rewrite(rig, "command_timeout_ms: 150.0", "command_timeout_ms: 2000.0")
        self.rewrite(rig, "overrun_limit_ms: 100.0", f"overrun_limit_ms: {HEARTBEAT_TICKS - 20}.0")
        self.rewrite(rig, "ramp_to_rest_s: 1.5", f"ramp_to_rest_s: {RAMP_TICKS / 1000}")

    @staticmethod
    def rewrite(path, old, new):
        text = path.read_text()
        assert text.count(old) == 1, f"{old!r} {text.count(old)} times in {path}"
        path.write_text(text.replace(old, new))

    def rig(self, old, new):
        self.rewrite(self.files / "rigs" / "loopback.yaml", old, new)

    def scenario(self, old, new):
        self.rewrite(self.files / "runs" / "first_lap.yaml", old, new)

    def start(self, *options, stdin=subprocess.DEVNULL, stdout=None, scenario="first_lap"):
        name, _, value = self.mark.partition("=")
        with self.screen.open("w") as screen:
            process = subprocess.Popen(
                [
                    *(sys.executable, "-m", "emulator", "run", self.files / "runs" / f"{scenario}.yaml"),
                    *("--rig", self.files / "rigs" / "loopback.yaml", "--out", self.folder),
                    *options,
                ],
                stdin=stdin,
                stdout=screen if stdout is None else stdout,
                stderr=screen if stdout is not None else subprocess.STDOUT,
                env={**os.environ, name: value},
                start_new_session=True,  # so that a signal to its group is a Ctrl-C in its terminal
            )
        self.started.append(process)
        return process

    def processes(self):
        """Process numbers by role ('supervisor' for the command itself), zombies left out."""
        found = {}
        for entry in Path("/proc").iterdir():
            if not entry.name.isdecimal():
                continue
            try:
                if self.mark.encode() not in (entry / "environ").read_bytes().split(b"\0"):
                    continue
                words = (entry / "cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            role = words[3].decode() if b"emulator.stages.bench.child" in words else "supervisor"
            found.setdefault(role, []).append(int(entry.name))
        return found

    def wait(self, condition, what, seconds=90.0):
        deadline = time.monotonic() + seconds
        while not (result := condition()):
            assert time.monotonic() < deadline, f"{what}\n{self.said()}"
            time.sleep(0.1)
        return result

    def events(self):
        """(tick, kind, text) of each complete line of the event log so far."""
        try:
            lines = (self.folder / "events.jsonl").read_text().split("\n")[:-1]
        except OSError:
            return []
        return [(e["tick"], e["kind"], e["text"]) for e in map(json.loads, lines)]

    def ride_for(self, process, seconds=1.0):
        """Wait until the ride has gone on for so long by the record; returns the processes."""

        def far_enough():
            assert process.poll() is None, self.said()
            if not any(text == "armed -> running" for _, _, text in self.events()):
                return False
            run = read_run(self.folder)
            return len(run.tick) and run.tick[-1] >= seconds * 1000

        self.wait(far_enough, "the ride did not start")
        found = self.processes()
        assert sorted(found) == sorted((*ROLES, "supervisor")), found
        assert all(len(numbers) == 1 for numbers in found.values()), found
        for (number,) in found.values():
            # shared memory without a name can't be left behind
            assert "/dev/shm" not in Path(f"/proc/{number}/maps").read_text()
        return {role: numbers[0] for role, numbers in found.items()}

    def end(self, process, seconds=60.0):
        """Exit status; every other process must be gone within a moment of it."""
        status = process.wait(seconds)
        self.wait(lambda: not self.processes(), "a process outlived its supervisor", 30.0)
        return status

    def said(self):
        return self.screen.read_text()

    def left_over(self):
        """Kill what is still there; say what it was."""
        left = self.processes()
        for numbers in left.values():
            for number in numbers:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(number, signal.SIGKILL)
        for process in self.started:
            process.wait(10)
        return left
