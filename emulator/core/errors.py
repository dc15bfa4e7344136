"""Everything this package raises on purpose.

    EmulatorError
    ├── ConfigError        a rig, vehicle or scenario file is wrong        exit 3
    ├── RecordError        a run folder can't be read as a record          exit 3
    ├── UnreadableError    a file can't be read, or is not of its kind     exit 3
    ├── DeviceAbsent       a bus, port or broker named in the rig is not there, or taken   exit 4
    ├── StartFailed        everything was there, yet the run could not start   exit 4
    ├── RunFailed          a running process, bus or disk gave up          exit 4
    ├── Stopped            a person stopped it before there was a ride to judge   exit 5
    └── InternalError      a bug of ours; please report it with the run folder   exit 4

Every error says what happened, where, and what the bench engineer can do about it. Nothing is
raised inside the tick: compiled code returns status codes and the loop decides.
"""

from __future__ import annotations

from dataclasses import dataclass


class EmulatorError(Exception):
    """Base of all errors of this package. ``exit_status`` is what the command line returns."""

    exit_status = 4

    def __init__(self, what: str, *, advice: str = "") -> None:
        super().__init__(what if not advice else f"{what}\n  what to do: {advice}")
        self.what = what
        self.advice = advice


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong in a file: where (1-based line and column), which key, what was expected."""

    file: str
    line: int
    column: int
    key: str
    expected: str

    def __str__(self) -> str:
        key = f" {self.key}:" if self.key else ""
        return f"{self.file}:{self.line}:{self.column}:{key} {self.expected}"


class ConfigError(EmulatorError):
    """One or more files are wrong. All problems are collected before this is raised."""

    exit_status = 3

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = sorted(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class RecordError(EmulatorError):
    """A run folder or one of its files can't be read as a record."""

    exit_status = 3


class UnreadableError(EmulatorError):
    """A file that can't be read or is not to be: missing, no ordinary file, too large. ``why`` says which."""

    exit_status = 3

    def __init__(self, path: str, why: str) -> None:
        super().__init__(f"{path}: {why}")
        self.path = path
        self.why = why


class DeviceAbsent(EmulatorError):
    """A bus, port, adapter or broker that the rig names is missing, busy or not permitted."""


class StartFailed(EmulatorError):
    """All devices were there, but the run could not be started."""


class Stopped(EmulatorError):
    """Somebody stopped it before there was a ride to judge."""

    exit_status = 5


class RunFailed(EmulatorError):
    """Something that was running stopped working: a process, a bus, the disk."""


class InternalError(EmulatorError):
    """A state this package should never reach. Please report it with the run folder."""
