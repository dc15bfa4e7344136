"""Messages that are taken only if signed with a key, for this place and run, fresh, and new.

A message is a JSON object, a line feed, and the code of the object in 64 hexadecimal digits:

    {"topic": "bench/1/command", "nonce": "5a0c...", "time_s": 17.0, "command": "stop", "id": "any text"}
    9f2b...

The code is HMAC-SHA256 under the key, over the bytes before the last line feed as they are sent. Nothing is
put together again to be signed, so no part of it can be taken for another, and nothing is read before its
code is found right.

``nonce`` is drawn anew for every run and ``time_s`` counts its seconds by a clock that nobody sets; both are
public. With the topic they bind a message to one place, one run and a few seconds, whatever the clocks of
both sides say. An id is taken once in a run.

Source: RFC 2104 for the code, RFC 8259 for the object.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

FRESH_S = 5.0
"""How far the time of a message may be from the run's."""
LONGEST_BYTES = 1024


def sealed(key: bytes, item: Mapping[str, Any]) -> bytes:
    """The message that holds this object."""
    body = json.dumps(item).encode()
    return body + b"\n" + _code(key, body)


def _code(key: bytes, body: bytes) -> bytes:
    return hmac.new(key, body, hashlib.sha256).hexdigest().encode()


class Opened(NamedTuple):
    """What became of a message: what it holds, or why it is not taken.

    signed  with the key: it comes from somebody who may ask
    """

    item: Mapping[str, Any] | None
    identifier: str
    why: str = ""
    signed: bool = True


@dataclass
class SignedMessages:
    """Opens messages of one run; remembers the identifiers that were taken."""

    key: bytes
    topic: str
    nonce: str
    _taken: set[str] = field(default_factory=set)

    def open(self, payload: bytes, now_s: float) -> Opened:
        """What a message that arrived now ([s] of the run) holds. Never raises, whatever it is."""
        if len(payload) > LONGEST_BYTES:
            return Opened(None, "", f"longer than {LONGEST_BYTES} bytes", signed=False)
        body, _, code = payload.rstrip(b"\r\n").rpartition(b"\n")
        if not hmac.compare_digest(_code(self.key, body), code):
            return Opened(None, "", "the code is not that of this bench's key", signed=False)
        try:
            item = json.loads(body)
        except (ValueError, RecursionError):
            item = None
        if not isinstance(item, dict):
            return Opened(None, "", "no JSON object")
        identifier = item.get("id")
        if not (isinstance(identifier, str) and 0 < len(identifier) <= 100 and identifier.isprintable()):
            return Opened(None, "", "expected id, a text of 1 to 100 characters")
        why = self._not_for_now(item, now_s)
        if not why and identifier in self._taken:
            why = "this id was taken already"
        return Opened(None if why else item, identifier, why)

    def take(self, identifier: str) -> None:
        """Never take this identifier again: what it asked for is done."""
        self._taken.add(identifier)

    def _not_for_now(self, item: Mapping[str, object], now_s: float) -> str:
        """Why a message is not one for this place, this run and this moment; nothing if it is."""
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
