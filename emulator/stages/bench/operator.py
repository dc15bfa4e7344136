"""The operator's keyboard beside a bench run: the local enable, and lines that start rides and events.

    (Enter)             the local enable, where arming waits for it; what was typed before counts for nothing
    (Enter)             let a held ride start
    start wet patch     an event of the scenario that waits to be asked for
    end wet patch       the same, before its time

A line that is none of these is answered and does nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import select
from collections.abc import Callable, Mapping

from emulator.config.validation import did_you_mean
from emulator.shared_memory.status import Command

Say = Callable[[str], None]
_WORDS = {"start": Command.START_EVENT, "end": Command.END_EVENT}


def event_command(line: str, events: Mapping[str, int]) -> tuple[Command, float] | str:
    """What ``start NAME`` or ``end NAME`` commands, or why it commands nothing.

    events  number by name of those that wait to be asked for
    """
    word, _, name = line.strip().partition(" ")
    name = name.strip()
    if word not in _WORDS:
        return f"expected start or end and the name of an event, got {line.strip()!r}"
    if name not in events:
        known = ", ".join(events) or "none"
        return f"no event {name!r} waits to be asked for (those that do: {known}){did_you_mean(name, events)}"
    return _WORDS[word], float(events[name])


class Operator:
    """Reads standard input while the event loop runs; ``close`` when the ride is over.

    held    the ride waits for Enter
    events  what may be asked for
    arms    arming waits for Enter, the local enable
    """

    def __init__(self, *, held: bool, events: Mapping[str, int], say: Say, arms: bool = False) -> None:
        self._held, self._events, self._say, self._arms = held, events, say, arms
        self._waiting: list[tuple[Command, float]] = []
        self._text = b""
        self._reading = False
        self._blocking = True
        if not (held or events or arms):
            return
        try:
            self._blocking = os.get_blocking(0)
            if arms and not _forget_what_was_typed():
                self._gone("standard input never falls silent")
                return
            asyncio.get_running_loop().add_reader(0, self._read)
        except OSError:
            self._gone("there is no standard input")
            return
        self._reading = True
        if arms:
            say("local enable: press Enter here to arm; a page cannot")
        if held:
            say("held: press Enter to let the ride start")
        if events:
            say(f"to be asked for during the ride: {', '.join(events)} (type: start NAME, end NAME)")

    def pop(self) -> list[tuple[Command, float]]:
        """Commands since the last time."""
        taken, self._waiting = self._waiting, []
        return taken

    def close(self) -> None:
        """Stop reading. Safe to call twice."""
        if self._reading:
            self._reading = False
            asyncio.get_running_loop().remove_reader(0)
            # some event loops read without waiting, and the shell that reads next would find nothing
            os.set_blocking(0, self._blocking)

    def _gone(self, why: str) -> None:
        if self._arms:
            self._say(f"{why}: nothing can be armed, Ctrl-C stops")
        if self._held:
            self._say(f"{why}: the hold stays, Ctrl-C stops")
        if self._events:
            self._say(f"{why}: no event can be asked for here")

    def _read(self) -> None:
        try:
            data = os.read(0, 4096)
        except OSError:
            data = b""
        if not data:
            self.close()
            self._gone("standard input has ended")
            return
        *lines, self._text = (self._text + data).split(b"\n")
        for line in lines:
            self._take_line(line.decode("utf-8", "replace"))

    def _take_line(self, line: str) -> None:
        if self._arms and not line.strip():
            self._arms = False
            self._waiting.append((Command.ARM, 0.0))
            return
        if self._arms and not self._events:
            self._say(f"expected Enter alone as the local enable, got {line.strip()!r}")
            return
        if not line.strip() or not self._events:
            if self._held:
                self._held = False
                self._waiting.append((Command.GO, 0.0))
            return
        command = event_command(line, self._events)
        if isinstance(command, str):
            self._say(command)
        else:
            self._waiting.append(command)


_MOST_TYPED = 1 << 20


def _forget_what_was_typed() -> bool:
    """Throw away what lies on standard input: an enable has to be given after it was asked for.

    False if there is no end to it, as when a program writes there: that is nobody's wish.
    """
    forgotten = 0
    with contextlib.suppress(OSError, ValueError):
        while forgotten < _MOST_TYPED and select.select([0], [], [], 0.0)[0]:
            typed = os.read(0, 4096)
            if not typed:
                break
            forgotten += len(typed)
    return forgotten < _MOST_TYPED
