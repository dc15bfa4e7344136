"""Ctrl-C while functions are compiled: the compiler hears nothing for a quarter of a minute, or loses it.

One function is one call of the machine-code compiler, which comes back to Python only at its end; and what is
raised within one of the compiler's own calls back is dropped there: the command then goes on to its end, or
breaks for want of what that call was to bring.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from types import FrameType

_PATIENCE_S = 1.0
"""How long the usual way out may take: common practice, no source. With the look below it, within 2 s."""
_LOOKS_S = 0.2
_COMPILERS = ("llvmlite", "numba")

_asked = threading.Event()


def stop_asked() -> bool:
    """Whether a stop came since ``leave_if_unheard``: what goes wrong from then on may be its consequence."""
    return _asked.is_set()


def leave_if_unheard(by_ctrl_c: Callable[[int, FrameType | None], None], leave: Callable[[], None]) -> None:
    """Have ``leave`` called, by a thread, where a stop came and the main thread compiles all the same.

    by_ctrl_c  the handler of other signals that stop as Ctrl-C does; where a ride has put its own in its
               place, all is left to that
    Call it from the main thread. It does nothing once an event loop has taken the signals over.
    """
    end, begin = os.pipe()
    os.set_blocking(begin, False)
    signal.set_wakeup_fd(begin, warn_on_full_buffer=False)
    ours = (signal.default_int_handler, by_ctrl_c)
    main = threading.get_ident()
    threading.Thread(target=_watch, args=(end, ours, main, leave), name="unheard", daemon=True).start()


def _watch(end: int, ours: tuple[object, ...], main: int, leave: Callable[[], None]) -> None:
    while numbers := os.read(end, 1):
        if signal.getsignal(numbers[0]) in ours:
            _asked.set()
            time.sleep(_PATIENCE_S)
            while not _compiles(main):
                time.sleep(_LOOKS_S)
            leave()


def _compiles(thread: int) -> bool:
    """Whether a thread is within the compiler."""
    frame = sys._current_frames().get(thread)
    while frame is not None:
        if str(frame.f_globals.get("__name__", "")).partition(".")[0] in _COMPILERS:
            return True
        frame = frame.f_back
    return False
