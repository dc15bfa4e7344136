"""Commands from outside: taken only if signed with the bench's key, for this run, fresh, and new.

A message is a JSON object, a line feed, and the code of the object in 64 hexadecimal digits:

    {"topic": "bench/1/command", "nonce": "5a0c...", "time_s": 17.0, "command": "stop", "id": "any text"}
    9f2b...

The code is HMAC-SHA256 under the key, over the bytes before the last line feed as they are sent. Nothing is
put together again to be signed, so no part of it can be taken for another, and nothing is read before its
code is found right.

``nonce`` and ``time_s`` stand in the run's retained message ``challenge``: the first is drawn anew for every
run, the second counts its seconds by a clock that nobody sets. With the topic they bind a command to one
bench, one run and a few seconds, whatever the clocks of both sides say. An id is taken once in a run.

With the rig's leave a command may also be "start NAME" or "end NAME" of an event that waits to be asked for.

Source: RFC 2104 for the code, RFC 8259 for the object.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Mapping
from dataclasses import dataclass, field

from emulator.shared_memory.status import Command
from emulator.stages.bench.operator import event_command

COMMANDS = {"stop": Command.STOP, "trip": Command.TRIP, "hold": Command.HOLD}
"""What may be asked: an orderly stop, a trip, to stay armed. Signals only go to rest or stay there."""
WITH_LEAVE = {"go": Command.GO}
"""What may be asked only with the rig's leave: it lets a ride start that was held from afar, and no other."""

FRESH_S = 5.0
"""How far the time of a command may be from the run's."""
LONGEST_BYTES = 1024


def signed(key: bytes, topic: str, nonce: str, time_s: float, command: str, identifier: str) -> bytes:
    """The message that asks for a command; ``nonce`` and ``time_s`` from the run's challenge."""
    item = {"topic": topic, "nonce": nonce, "time_s": time_s, "command": command, "id": identifier}
    body = json.dumps(item).encode()
    return body + b"\n" + _code(key, body)


def _code(key: bytes, body: bytes) -> bytes:
    return hmac.new(key, body, hashlib.sha256).hexdigest().encode()


@dataclass(frozen=True)
class Answer:
    """What became of a message: the command to be done, or why there is none.

    signed  with the bench's key: it comes from somebody who may ask
    """

    command: Command | None
    identifier: str
    why: str
    argument: float = 0.0  # of a command that has one
    signed: bool = True


@dataclass
class Gate:
    """Looks at messages of one run; remembers the identifiers it has let through.

    go      the rig's leave for WITH_LEAVE
    events  number by name of those the rig gives leave to
    """

    key: bytes
    topic: str
    nonce: str
    go: bool = False
    events: Mapping[str, int] = field(default_factory=dict)
    _taken: set[str] = field(default_factory=set)

    def evaluate(self, payload: bytes, now_s: float) -> Answer:
        """What a message that arrived now ([s] of the run) asks for. Never raises, whatever it holds."""
        if len(payload) > LONGEST_BYTES:
            return Answer(None, "", f"longer than {LONGEST_BYTES} bytes", signed=False)
        body, _, code = payload.rstrip(b"\r\n").rpartition(b"\n")
        if not hmac.compare_digest(_code(self.key, body), code):
            return Answer(None, "", "the code is not that of this bench's key", signed=False)
        try:
            item = json.loads(body)
        except (ValueError, RecursionError):
            item = None
        if not isinstance(item, dict):
            return Answer(None, "", "no JSON object")
        identifier = item.get("id")
        if not (isinstance(identifier, str) and 0 < len(identifier) <= 100 and identifier.isprintable()):
            return Answer(None, "", "expected id, a text of 1 to 100 characters")
        why = self._not_for_now(item, now_s)
        if why:
            return Answer(None, identifier, why)
        if identifier in self._taken:
            return Answer(None, identifier, "this id was taken already")
        answer = self._asked(item.get("command"), identifier)
        if answer.command is not None:
            self._taken.add(identifier)
        return answer

    def _not_for_now(self, item: Mapping[str, object], now_s: float) -> str:
        """Why a message is not one for this bench, this run and this moment; nothing if it is."""
        topic, nonce, time_s = item.get("topic"), item.get("nonce"), item.get("time_s")
        if topic != self.topic:
            return f"expected topic {self.topic!r}: it is for another bench"
        if nonce != self.nonce:
            return "the nonce is not that of this run's challenge"
        if not isinstance(time_s, int | float) or isinstance(time_s, bool):
            return "expected time_s, a number from the challenge"
        if not abs(now_s - time_s) <= FRESH_S:  # also of NaN
            return f"not fresh: its time is more than {FRESH_S:g} s from the run's, which is {now_s:.1f}"
        return ""

    def _asked(self, command: object, identifier: str) -> Answer:
        known = COMMANDS | WITH_LEAVE if self.go else COMMANDS
        if not isinstance(command, str):
            return Answer(None, identifier, "expected command, a text")
        if command in known:
            return Answer(known[command], identifier, "taken")
        asked = event_command(command, self.events) if self.events else ""
        if isinstance(asked, tuple):
            return Answer(asked[0], identifier, "taken", asked[1])
        also = f"; {asked}" if asked else ""
        return Answer(None, identifier, f"expected one of {', '.join(known)}{also}")
