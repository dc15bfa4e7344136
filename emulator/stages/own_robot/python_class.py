"""A robot that is a Python class, in the process that calls it.

    class Rider:
        name, version, wants = "my rider", "3", "values"      # all three may be left out

        def begin(self, start): ...
        def act(self, moment): return {"values": {"throttle": 0.1}, "notes": {"error_m": 0.2}}
        def end(self, why): ...                               # may be left out

What it is handed and returns: ``protocol``.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import Any

from emulator.stages.own_robot.handed_over import (
    FRAMES_NOT_ASKED_FOR,
    VALUES_NOT_ASKED_FOR,
    Arrived,
    answer_of,
)
from emulator.stages.own_robot.protocol import (
    WANTS,
    Answer,
    Moment,
    RobotFailed,
    Start,
    Wants,
    raised,
)

_MODULE = "robot_of_the_rig"


class PythonClass:
    """The class ``name`` of ``file``, loaded and made anew. Raises RobotFailed."""

    lag_periods = 0

    def __init__(self, file: str, name: str) -> None:
        self._file = str(Path(file).resolve())
        self._where = f"{name} of {Path(file).name}"
        folder = str(Path(self._file).parent)
        sys.path.insert(0, folder)
        try:
            self._robot = _made(file, name)
        except RobotFailed:
            raise
        except BaseException as error:  # also SystemExit: a robot that leaves has failed
            raise raised(f"the making of {self._where}", error, self._file) from error
        finally:
            sys.path.remove(folder)
        self.name = str(getattr(self._robot, "name", name))
        self.version = str(getattr(self._robot, "version", ""))
        wants = getattr(self._robot, "wants", "values")
        if wants not in WANTS:
            raise RobotFailed(
                "nonsense", f"{self._where} wants {wants!r:.60}; expected one of {', '.join(WANTS)}"
            )
        self.wants: Wants = wants

    def begin(self, start: Start) -> None:
        """Call its ``begin``."""
        try:
            self._robot.begin(start)
        except BaseException as error:
            raise raised(f"begin of {self._where}", error, self._file) from error

    def act(self, moment: Moment) -> Answer:
        """Call its ``act``."""
        time_ns, frames, sentences, values = moment
        if self.wants == "values":
            frames = sentences = FRAMES_NOT_ASKED_FOR
        handed = VALUES_NOT_ASKED_FOR if self.wants == "frames" else Arrived(values)
        try:
            returned = self._robot.act(Moment(time_ns, frames, sentences, handed))
        except RobotFailed:
            raise
        except BaseException as error:
            raise raised(f"act of {self._where}", error, self._file) from error
        return answer_of(returned)

    def end(self, why: str) -> None:
        """Call its ``end``, if it has one; what that raises no longer matters."""
        try:
            if hasattr(self._robot, "end"):
                self._robot.end(why)
        except Exception:  # the ride is over
            pass


def _made(file: str, name: str) -> Any:
    spec = importlib.util.spec_from_file_location(_MODULE, Path(file).resolve())
    if spec is None or spec.loader is None:
        raise RobotFailed("nonsense", f"{file} is no Python file")
    module = sys.modules[_MODULE] = importlib.util.module_from_spec(spec)  # dataclasses look for it there
    spec.loader.exec_module(module)
    cls = getattr(module, name, None)
    if not isinstance(cls, type) or not callable(getattr(cls, "act", None)):
        raise RobotFailed("nonsense", f"{file} has no class {name!r} with begin and act")
    return cls()
