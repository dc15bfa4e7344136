"""Something to wait for that comes again and again at the same phase of the machine's clock."""

from __future__ import annotations

import ctypes
import os
import struct
import time

from emulator.core.outside.c_library import c_call

# Numbers from the Linux headers: time.h, sys/timerfd.h, fcntl.h.
_CLOCK_MONOTONIC = 1
_TFD_TIMER_ABSTIME = 1
_TFD_NONBLOCK, _TFD_CLOEXEC = 0o4000, 0o2000000


class Metronome:
    """A timer of the kernel with a descriptor, which is readable from each beat on until ``heard``.

    at_ns      [ns, CLOCK_MONOTONIC] one of the beats, however long ago or still to come
    period_ns  [ns] from one to the next

    Raises OSError where the system has no such timer. Python has it from version 3.13 on (os.timerfd_create).
    """

    def __init__(self, at_ns: int, period_ns: int) -> None:
        self._descriptor = c_call("timerfd_create", _CLOCK_MONOTONIC, _TFD_NONBLOCK | _TFD_CLOEXEC)
        now_ns = time.monotonic_ns()
        next_ns = now_ns + (at_ns - now_ns) % period_ns
        interval, first = divmod(period_ns, 1_000_000_000), divmod(next_ns, 1_000_000_000)
        times = ctypes.create_string_buffer(struct.pack("=4q", *interval, *first))
        try:
            c_call("timerfd_settime", self._descriptor, _TFD_TIMER_ABSTIME, times, None)
        except OSError:
            self.close()
            raise

    def fileno(self) -> int:
        """The descriptor."""
        return self._descriptor

    def heard(self) -> int:
        """Wait for the next beat; how many there were since this was called last."""
        try:
            beats: int = struct.unpack("=Q", os.read(self._descriptor, 8))[0]
        except BlockingIOError:
            return 0
        return beats

    def close(self) -> None:
        """Release the timer."""
        os.close(self._descriptor)
