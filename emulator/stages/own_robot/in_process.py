"""A Python class in our own process: fast, and nothing shields us from it but a timer."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from types import FrameType
from typing import TypeVar

from emulator.stages.own_robot.protocol import (
    BEGIN_LIMIT_S,
    Answer,
    Moment,
    RobotFailed,
    Start,
    took_too_long,
)
from emulator.stages.own_robot.python_class import PythonClass

T = TypeVar("T")


class _Hung(BaseException):
    """The timer's; no ``except Exception`` of the robot's catches it."""


class InProcess(PythonClass):
    """The class with a limit for each step.

    limit_s  None: it may take as long as it likes. Only the main thread has a timer, and it breaks off Python
             code alone: compiled code that does not return holds everything up.

    The timer goes on from step to step and looks, when it rings, since when the step in work is: to set it
    for each would cost as much as some robots' steps.
    """

    def __init__(self, file: str, name: str, limit_s: float | None) -> None:
        self._guarded = limit_s is not None and threading.current_thread() is threading.main_thread()
        self._step_limit_s = self._limit_s = limit_s or 0.0
        self._since: float | None = None
        if self._guarded:
            self._before = signal.signal(signal.SIGALRM, self._ring)
        try:
            self._slowly(lambda: super(InProcess, self).__init__(file, name), "to be made")
        except BaseException:
            self.close()
            raise

    def _ring(self, _number: int, _frame: FrameType | None) -> None:
        left_s = self._limit_s
        if self._since is not None:
            left_s -= time.monotonic() - self._since
        signal.setitimer(signal.ITIMER_REAL, left_s if left_s > 0.0 else self._limit_s)
        if left_s <= 0.0:
            raise _Hung

    def _slowly(self, do: Callable[[], T], when: str) -> T:
        """What may take longer than a step."""
        self._allow(max(self._step_limit_s, BEGIN_LIMIT_S))
        try:
            return self._limited(do, when)
        finally:
            self._allow(self._step_limit_s)

    def _allow(self, limit_s: float) -> None:
        self._limit_s = limit_s
        if self._guarded:
            signal.setitimer(signal.ITIMER_REAL, limit_s)

    def _limited(self, do: Callable[[], T], when: str) -> T:
        try:
            self._since = time.monotonic()
            return do()
        except (RobotFailed, _Hung) as error:
            if isinstance(error, RobotFailed) and not isinstance(error.__cause__, _Hung):
                raise
            told = error.traceback if isinstance(error, RobotFailed) else ""
            raise RobotFailed("hung", took_too_long(self._limit_s, when), told) from error
        finally:
            self._since = None

    def begin(self, start: Start) -> None:
        """See PythonClass."""
        self._slowly(lambda: super(InProcess, self).begin(start), "to begin")

    def act(self, moment: Moment) -> Answer:
        """See PythonClass."""
        return self._limited(lambda: super(InProcess, self).act(moment), "for a step")

    def close(self) -> None:
        """Give the timer back."""
        if self._guarded:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
            signal.signal(signal.SIGALRM, self._before)
