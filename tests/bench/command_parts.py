"""Where a command's processor time goes, from its start to its verdict.

    python -m tests.bench.command_parts run SCENARIO --rig RIG --virtual --out FOLDER

The command runs in this process with a clock around the functions that are its parts. The time of a part is
that of user and system in all threads, without the parts inside it; what is imported inside a part counts as
import. Printed at its end, as JSON in the last line: seconds by part, in the order they were met.
"""

from __future__ import annotations

import builtins
import functools
import importlib
import json
import sys
import time
from collections.abc import Callable
from typing import Any

PARTS = (
    ("rig's files", "emulator.assembly.files", "read_rig_side"),
    ("scenario's files", "emulator.assembly.files", "read_scenario_side"),
    ("course", "emulator.assembly.session", "load_course"),
    ("target speed", "emulator.assembly.session", "_profile"),
    ("session", "emulator.assembly.session", "session_of"),
    ("lean envelope", "emulator.assembly.session", "_lean_envelope"),
    ("manifest and copies", "emulator.runs.one", "manifest_of"),
    ("plant and loop", "emulator.stages.virtual", "VirtualRide.__init__"),
    ("robot's design", "emulator.robot.mission", "design_for"),
    ("ride", "emulator.stages.virtual", "VirtualRide.run"),
    ("record", "emulator.stages.virtual", "write_block"),
    ("record read", "emulator.runs.one", "read_run"),
    ("verdict", "emulator.runs.one", "decide"),
    ("laps", "emulator.runs.one", "reference_laps"),
    ("report", "emulator.runs.one", "write_report"),
)
"""What a part is called, where it is looked up when it is called, and its name there."""
START, IMPORTS, REST = "interpreter", "imports", "rest"


class Parts:
    """Processor time by part; one part at a time."""

    def __init__(self) -> None:
        self.spent = {START: time.process_time()}
        self._now: list[str] = [REST]
        self._since = time.process_time()

    def _switch(self) -> None:
        now, part = time.process_time(), self._now[-1]
        self.spent[part] = self.spent.get(part, 0.0) + now - self._since
        self._since = now

    def within(self, part: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The function with its time counted as that part's."""

        @functools.wraps(function)
        def counted(*arguments: Any, **named: Any) -> Any:
            self._switch()
            self._now.append(part)
            try:
                return function(*arguments, **named)
            finally:
                self._switch()
                self._now.pop()

        return counted

    def watch_imports(self) -> None:
        """Importing what is not there yet is a part of its own, whoever asks for it; and so are PARTS."""
        real = builtins.__import__
        importing = self.within(IMPORTS, real)
        waiting = {module: [p for p in PARTS if p[1] == module] for _, module, _ in PARTS}

        def imported(name: str, *rest: Any, **named: Any) -> Any:
            if name in sys.modules and IMPORTS not in self._now:
                return real(name, *rest, **named)
            found = (real if IMPORTS in self._now else importing)(name, *rest, **named)
            if self._now[-1] != IMPORTS:
                for module in [m for m in waiting if m in sys.modules]:
                    for part in waiting.pop(module):
                        self._put_around(*part)
            return found

        builtins.__import__ = imported  # type: ignore[assignment]

    def _put_around(self, part: str, module: str, name: str) -> None:
        owner: Any = sys.modules[module]
        *path, last = name.split(".")
        for step in path:
            owner = getattr(owner, step)
        setattr(owner, last, self.within(part, getattr(owner, last)))

    def end(self) -> dict[str, float]:
        """Seconds by part."""
        self._switch()
        return self.spent


def main() -> None:
    """Run the command line with these arguments."""
    parts = Parts()
    parts.watch_imports()
    try:
        importlib.import_module("emulator.__main__").main()
    finally:
        print(json.dumps(parts.end()), flush=True)


if __name__ == "__main__":
    main()
