"""Entry point of ``emulator`` and ``python -m emulator``: hands over to the command line."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from types import FrameType

_STOPPED = 5  # of emulator.cli.output, which is among what is still being read in then


def main() -> None:
    """Run the command line; it ends the process with its exit status."""
    try:
        _run()
    finally:
        # Ctrl-C that comes while text is executed, as named tuples are made, is noted by Python, which ends
        # `python -m` by it although it was handled; the next text that is executed takes the note back.
        exec("")


def _run() -> None:
    # Matrices are small here: more threads only wait for each other, which made the robot's design take four
    # times the computing. Said before numpy is imported, and to the processes that are started, too.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        signal.signal(signal.SIGTERM, _as_by_ctrl_c)
        if signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # as nohup has it
            signal.signal(signal.SIGHUP, _as_by_ctrl_c)
        from emulator.core.collector import seldom_collect
        from emulator.core.keeping.unheard import leave_if_unheard

        seldom_collect()
        leave_if_unheard(_as_by_ctrl_c, _leave_the_compiler)
        from emulator.cli.app import app
    except KeyboardInterrupt:
        with contextlib.suppress(OSError):  # of a terminal that was closed
            sys.stderr.write("stopped by hand; nothing was started\n")
        sys.exit(_STOPPED)

    app()


def _as_by_ctrl_c(number: int, _frame: FrameType | None) -> None:
    """A stop by whatever started us is told and tidied up as one from the keyboard; a ride takes it over."""
    if number == signal.SIGHUP:
        signal.signal(number, signal.SIG_IGN)  # a terminal that is closed says so twice by itself
    raise KeyboardInterrupt


def _leave_the_compiler() -> None:
    with contextlib.suppress(OSError, ValueError):  # of a terminal or a pipe that was closed
        sys.stdout.flush()
    with contextlib.suppress(OSError):
        os.write(2, b"stopped by hand while functions were compiled; those that were done are kept\n")
    os._exit(_STOPPED)


if __name__ == "__main__":
    main()
