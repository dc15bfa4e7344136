"""python-can as the bench's buses take it, without what it would bring along to read MDF files.

Where asammdf is installed (an extra, for exports), python-can imports it with its first import, and with it
pandas: a second of start that no bus has a use for, and much more on a slow machine. A process that has
opened a bus therefore can't read the frames of an MDF log; ``emulator track import`` opens none.
"""

from __future__ import annotations

import sys

_BESIDE = "asammdf"

_there = sys.modules.get(_BESIDE)
if _there is None:
    sys.modules[_BESIDE] = None  # type: ignore[assignment]  # what makes its import fail, as if it were not there
try:
    import can
    from can.interfaces.slcan import slcanBus
    from can.interfaces.socketcan import SocketcanBus
    from can.interfaces.socketcand import SocketCanDaemonBus
finally:
    if _there is None:
        del sys.modules[_BESIDE]

__all__ = ["SocketCanDaemonBus", "SocketcanBus", "can", "slcanBus"]
