"""A Python class in our own process: fast, and nothing shields us from it but a timer."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Iterator
from types import FrameType

from emulator.stages.own_robot.protocol import (
    BEGIN_LIMIT_S,
    Answer,
    Moment,
    RobotFailed,
    Start,
    took_too_long,
)
from emulator.stages.own_robot.python_class import PythonClass


class _Hung(BaseException):
    """The timer's; no ``except Exception`` of the robot's catches it."""


class InProcess(PythonClass):
    """The class with a limit for each step.

    limit_s  None: it may take as long as it likes. Only the main thread has a timer, and it breaks off Python
             code alone: compiled code that does not return holds everything up.
    """

    def __init__(self, file: str, name: str, limit_s: float | None) -> None:
        guarded = limit_s is not None and threading.current_thread() is threading.main_thread()
        self._limit_s = limit_s if guarded else None
        if guarded:
            self._before = signal.signal(signal.SIGALRM, _hung)
        with self._limit("to be made", BEGIN_LIMIT_S):
            super().__init__(file, name)

    @contextlib.contextmanager
    def _limit(self, when: str, least_s: float = 0.0) -> Iterator[None]:
        if self._limit_s is None:
            yield
            return
        limit_s = max(self._limit_s, least_s)
        signal.setitimer(signal.ITIMER_REAL, limit_s)
        try:
            yield
        except RobotFailed as error:
            if isinstance(error.__cause__, _Hung):
                text = took_too_long(limit_s, when)
                raise RobotFailed("hung", text, error.traceback) from error
            raise
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0.0)

    def begin(self, start: Start) -> None:
        """See PythonClass."""
        with self._limit("to begin", BEGIN_LIMIT_S):
            super().begin(start)

    def act(self, moment: Moment) -> Answer:
        """See PythonClass."""
        with self._limit("for a step"):
            return super().act(moment)

    def close(self) -> None:
        """Give the timer back."""
        if self._limit_s is not None:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
            signal.signal(signal.SIGALRM, self._before)


def _hung(_number: int, _frame: FrameType | None) -> None:
    raise _Hung
