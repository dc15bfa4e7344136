"""Commands from outside: taken only if they are signed with the bench's key, fresh, and new.

A command is a JSON object

    {"command": "stop", "id": "any text, never used twice", "utc_s": 1795600000.25, "code": "hex digits"}

whose code is HMAC-SHA256 under the key, over the UTF-8 text of topic, command, id and time as it stands in
the message, each followed by a line feed. The topic is in it, so that a command for one bench can't be played
to another; the id is remembered for as long as the time is fresh, so that none is taken twice. With the rig's
leave a command may also be "start NAME" or "end NAME" of an event that waits to be asked for.

Source: RFC 2104 for the code, RFC 8259 for the object.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from emulator.shared_memory.status import Command
from emulator.stages.bench.operator import event_command

COMMANDS = {"stop": Command.STOP, "trip": Command.TRIP, "hold": Command.HOLD}
"""What may be asked: an orderly stop, a trip, to stay armed. Signals only go to rest or stay there."""
WITH_LEAVE = {"go": Command.GO}
"""What may be asked only with the rig's leave: it lets a ride start that was held from afar, and no other."""

FRESH_S = 5.0
"""How far the time of a command may be from ours."""
LONGEST_BYTES = 1024


def signed(key: bytes, topic: str, command: str, identifier: str, utc_s: float) -> bytes:
    """The message that asks for a command."""
    item: dict[str, str | float] = {"command": command, "id": identifier, "utc_s": utc_s}
    item["code"] = _code(key, topic, command, identifier, json.dumps(utc_s))
    return json.dumps(item).encode()


def _code(key: bytes, *parts: str) -> str:
    text = "".join(f"{part}\n" for part in parts)
    return hmac.new(key, text.encode(), hashlib.sha256).hexdigest()


@dataclass(frozen=True)
class Answer:
    """What became of a message: the command to be done, or why there is none."""

    command: Command | None
    identifier: str
    why: str
    argument: float = 0.0  # of a command that has one


@dataclass
class Gate:
    """Looks at messages; remembers the identifiers it has let through."""

    key: bytes
    topic: str
    go: bool = False  # the rig's leave for WITH_LEAVE
    events: Mapping[str, int] = field(default_factory=dict)  # number by name of those the rig gives leave to
    _seen: dict[str, float] = field(default_factory=dict)

    def evaluate(self, payload: bytes, now_s: float) -> Answer:
        """What a message that arrived now (UTC [s]) asks for. Never raises, whatever it holds."""
        if len(payload) > LONGEST_BYTES:
            return Answer(None, "", f"longer than {LONGEST_BYTES} bytes")
        try:
            # Numbers stay as they are written: the code covers the text, not what we make of it.
            item = json.loads(payload, parse_float=_Written, parse_int=_Written, parse_constant=_Written)
        except (ValueError, RecursionError):
            return Answer(None, "", "no JSON object")
        if not isinstance(item, dict):
            return Answer(None, "", "no JSON object")
        command, identifier, utc, code = (item.get(k) for k in ("command", "id", "utc_s", "code"))
        if not (isinstance(identifier, str) and 0 < len(identifier) <= 100):
            return Answer(None, "", "expected id, a text of 1 to 100 characters")
        if not (isinstance(command, str) and isinstance(utc, _Written) and isinstance(code, str)):
            return Answer(None, identifier, "expected command and code as text, utc_s as a number")
        try:
            right = hmac.compare_digest(
                _code(self.key, self.topic, command, identifier, utc.text).encode(), code.encode()
            )
        except UnicodeEncodeError:  # half a surrogate pair
            right = False
        if not right:
            return Answer(None, identifier, "the code is not that of this bench's key")
        try:
            utc_s = float(utc.text)
        except ValueError:
            utc_s = math.nan
        if not abs(now_s - utc_s) <= FRESH_S:
            return Answer(None, identifier, f"not fresh: its time is more than {FRESH_S:g} s from ours")
        self._seen = {k: t for k, t in self._seen.items() if abs(now_s - t) <= FRESH_S}
        if identifier in self._seen:
            return Answer(None, identifier, "this id was taken already")
        self._seen[identifier] = utc_s
        known = COMMANDS | WITH_LEAVE if self.go else COMMANDS
        if command not in known:
            asked = event_command(command, self.events) if self.events else ""
            if isinstance(asked, tuple):
                return Answer(asked[0], identifier, "taken", asked[1])
            also = f"; {asked}" if asked else ""
            return Answer(None, identifier, f"expected one of {', '.join(known)}{also}")
        return Answer(known[command], identifier, "taken")


class _Written:
    """A number as it is written."""

    def __init__(self, text: str) -> None:
        self.text = text
