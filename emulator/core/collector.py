"""Python's cyclic garbage collector, out of the way of whoever has to come round in time."""

from __future__ import annotations

import atexit
import gc

_NEW_OBJECTS = 300_000
"""How many new ones a process of this package makes before they are looked at; the usual 700 is met two
hundred times while modules are imported, which make nothing but what stays."""


def seldom_collect() -> None:
    """Look for circles of references far less often: a command is over before there are many.

    At its end, when all memory is given back at once, they are not looked for either.
    """
    gc.set_threshold(_NEW_OBJECTS, 20, 20)
    atexit.register(gc.freeze)


def stop_collector() -> bool:
    """Collect once, then never again in this process; True unless that failed. Call it when all is built.

    A full collection looks at every object there is: tens of milliseconds in a process of this package, at
    a moment that nobody chose. What is freed by counting references, nearly all, goes on being freed; a
    process that makes circles of references for good would grow and must not make them.
    """
    gc.collect()
    gc.freeze()
    gc.disable()
    return not gc.isenabled()


def resume_collector() -> None:
    """Collect again, as ever: what had to be in time is over."""
    gc.unfreeze()
    gc.enable()
