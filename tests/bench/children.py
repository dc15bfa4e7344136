"""Child processes that figures are made from: one that failed, or left nothing behind, makes none.

Whatever measures by a child asks for what it left through these; :class:`NotMeasured` then says in the
child's own last words why there is no figure.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
from collections.abc import Collection, Sequence
from types import TracebackType

_LAST = 65536  # characters of a child's output that are kept
_CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")  # what a terminal takes as colour and cursor


class NotMeasured(Exception):
    """A line of the table has no figure; the text says why."""


def last_words(text: str, lines: int = 3) -> str:
    """The last lines of an output that say anything, in one line."""
    told = [line.strip() for line in _CONTROL.sub("", text).replace("\r", "\n").splitlines()]
    return " | ".join([line for line in told if line][-lines:]) or "it said nothing"


def run(name: str, command: Sequence[str], statuses: Collection[int] = (0,)) -> str:
    """Run ``command`` to its end; what it wrote to its standard output, or if nothing, its complaint.

    Raises NotMeasured if it ended with any other status than ``statuses``, or can't be started.
    """
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError as error:
        raise NotMeasured(f"{name} can't be started: {error}") from None
    _judge(name, done.returncode, done.stderr or done.stdout, statuses)
    return done.stdout or done.stderr


def on_a_terminal(name: str, command: Sequence[str], statuses: Collection[int]) -> tuple[int, str]:
    """Run a command whose output goes to a terminal, as its user has it; its exit status and what it showed.

    Raises NotMeasured as :func:`run`.
    """
    ours, its = os.openpty()
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=its, stderr=its)
    os.close(its)
    shown = b""
    with contextlib.suppress(OSError):  # that the other end is closed
        while more := os.read(ours, _LAST):
            shown = (shown + more)[-_LAST:]
    os.close(ours)
    status, said = process.wait(), shown.decode(errors="replace")
    _judge(name, status, said, statuses)
    return status, said


def _judge(name: str, status: int, said: str, statuses: Collection[int] = (0,)) -> None:
    if status not in statuses:
        raise NotMeasured(f"{name} failed with status {status}: {last_words(said)}")


class Child:
    """A process that runs beside the measurement; a context that never leaves it behind.

    If the measurement fails because the child did, what is raised is the child's failure.
    """

    def __init__(self, name: str, command: Sequence[str]) -> None:
        self.name = name
        self._errors = os.memfd_create("errors")
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=self._errors, text=True
        )

    def alive(self) -> bool:
        """Whether it still runs."""
        return self._process.poll() is None

    def line(self) -> str:
        """The next line it writes. Raises NotMeasured if it ended instead."""
        assert self._process.stdout is not None
        if not (line := self._process.stdout.readline()):
            status = self._process.wait(5.0)
            raise NotMeasured(f"{self.name} ended with status {status}: {last_words(self._said())}")
        return line.strip()

    def end(self, seconds: float) -> str:
        """Close its input and wait for its end; what else it wrote.

        Raises NotMeasured if it takes longer or ends with any status but 0.
        """
        try:
            out, _ = self._process.communicate(timeout=seconds)
        except subprocess.TimeoutExpired:
            words = last_words(self._said())
            raise NotMeasured(f"{self.name} did not end within {seconds:g} s: {words}") from None
        _judge(self.name, self._process.returncode, self._said() or out)
        return out

    def _said(self) -> str:
        """What it wrote to its standard error; read without moving the place it writes at."""
        size = os.fstat(self._errors).st_size
        return os.pread(self._errors, _LAST, max(0, size - _LAST)).decode(errors="replace")

    def __enter__(self) -> Child:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        process = self._process
        try:
            if isinstance(error, Exception) and not isinstance(error, NotMeasured):
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(2.0)  # who lost it by its death may notice first
                if process.poll():
                    _judge(self.name, process.returncode, self._said())
        finally:
            if process.poll() is None:
                process.kill()
                process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    pipe.close()
            os.close(self._errors)
