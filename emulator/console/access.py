"""Who may look at a live page, and who operates it.

On the machine itself everybody may look. From elsewhere nobody may without the rig's watch token, over TLS
(emulator.config.rig.shown.console). One page at a time operates: it proves that it has the operator's token
by signing what it asks for (emulator.telemetry.signed), so the token itself never leaves the page. It holds a
seat and shows that it is there once a second; a seat whose page is silent can be taken by another.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from emulator.telemetry.signed import SignedMessages

TOPIC = "live page"
"""What a page's messages are signed for."""
SILENT_S = 5.0
"""How long the operator's page may say nothing before that is told."""
_LOCKED_S = 60.0
_MOST_WRONG = 5
_MOST_ADDRESSES = 1000
_MOST_SIGNED_IN = 200


class Refused(NamedTuple):
    """Why something is not done: an HTTP status and words."""

    status: int
    why: str


class Asked(NamedTuple):
    """What the operator asks for: start, end (``event``: its number), mark or acknowledge."""

    what: str
    event: int = 0


@dataclass
class Seat:
    """The one page that operates: its secret, and when it last said that it is there [s]."""

    secret: str
    seen_s: float
    told_silent: bool = False


class OperatorDesk:
    """Takes what the operator's page asks for.

    key     the operator's token; None: nobody operates from a page
    nonce   of this service
    events  number by name of the events that wait to be asked for
    """

    def __init__(self, key: bytes | None, nonce: str, events: Mapping[str, int]) -> None:
        self.nonce = nonce
        self._messages = None if key is None else SignedMessages(key, TOPIC, nonce)
        self._events = dict(events)
        self._seat: Seat | None = None

    @property
    def opened(self) -> bool:
        """Whether a page can become the operator's at all."""
        return self._messages is not None

    def ask(self, payload: bytes, now_s: float) -> Asked | str | Refused:
        """A signed message: what is to be done, the secret of a seat that was taken, or why not."""
        if self._messages is None:
            return Refused(403, "nobody operates this bench from a page: its rig names no console.token_file")
        opened = self._messages.open(payload, now_s)
        if opened.item is None:
            return Refused(409 if opened.signed else 403, _in_page_words(opened.why, signed=opened.signed))
        asked = self._asked(opened.item, now_s)
        if not isinstance(asked, Refused):
            self._messages.take(opened.identifier)
        return asked

    def _asked(self, item: Mapping[str, Any], now_s: float) -> Asked | str | Refused:
        command, seat = item.get("command"), item.get("seat")
        if command == "operate":
            return self._sit_down(now_s)
        if self._seat is None or not isinstance(seat, str) or not _same(seat, self._seat.secret):
            return Refused(409, "this page is not the operator's (any more)")
        self._seat.seen_s = now_s
        if command in ("mark", "acknowledge"):
            return Asked(command)
        word, _, name = command.partition(" ") if isinstance(command, str) else ("", "", "")
        if word not in ("start", "end"):
            return Refused(400, "expected operate, mark, acknowledge, or start or end and an event's name")
        if name not in self._events:
            known = ", ".join(self._events) or "none"
            return Refused(400, f"no event {name!r} waits to be asked for (those that do: {known})")
        return Asked(word, self._events[name])

    def _sit_down(self, now_s: float) -> str | Refused:
        if self._seat is not None and now_s - self._seat.seen_s <= SILENT_S:
            return Refused(
                409, "another page operates this bench; it has to leave first, or be silent for 5 s"
            )
        self._seat = Seat(secrets.token_urlsafe(24), now_s)
        return self._seat.secret

    def here(self, secret: str, now_s: float) -> bool:
        """The operator's page says that it is there; False if it is not the operator's."""
        if self._seat is None or not _same(secret, self._seat.secret):
            return False
        self._seat.seen_s, self._seat.told_silent = now_s, False
        return True

    def leave(self, secret: str) -> bool:
        """The operator's page leaves on purpose; False if it was not the operator's."""
        if self._seat is None or not _same(secret, self._seat.secret):
            return False
        self._seat = None
        return True

    def turns_silent(self, now_s: float) -> bool:
        """Whether the operator's page has been silent for too long; True once for each silence."""
        seat = self._seat
        if seat is None or seat.told_silent or now_s - seat.seen_s <= SILENT_S:
            return False
        seat.told_silent = True
        return True

    def shown(self, now_s: float) -> dict[str, Any]:
        """What every page is told of the operator."""
        seat = self._seat
        silent_s = 0.0 if seat is None else now_s - seat.seen_s
        return {
            "opened": self.opened,
            "there": seat is not None,
            "silent_s": round(silent_s, 1) if silent_s > SILENT_S else 0.0,
        }


def _in_page_words(why: str, *, signed: bool) -> str:
    return why if signed else f"not taken: {why.replace('the code', 'the signature').replace('key', 'token')}"


class Watchers:
    """Who has signed in to look, where that is asked for.

    token  that signs in; None: whoever reaches the page may look
    """

    COOKIE = "watcher"

    def __init__(self, token: str | None) -> None:
        self._digest = None if token is None else _digest(token)
        self._signed_in: dict[str, None] = {}
        self._wrong: dict[str, list[float]] = {}

    @property
    def asked(self) -> bool:
        """Whether anybody has to sign in."""
        return self._digest is not None

    def sign_in(self, token: str, address: str, now_s: float) -> str | Refused:
        """The secret of the cookie, or why not. Wrong ones lock out their address for a minute."""
        if self._digest is None:
            return Refused(409, "nobody has to sign in here")
        wrong = [at for at in self._wrong.get(address, []) if now_s - at < _LOCKED_S]
        if len(wrong) >= _MOST_WRONG:
            return Refused(429, f"{_MOST_WRONG} wrong tokens from here: wait a minute")
        if not hmac.compare_digest(_digest(token), self._digest):
            self._wrong[address] = [*wrong, now_s]
            while len(self._wrong) > _MOST_ADDRESSES:
                del self._wrong[next(iter(self._wrong))]
            return Refused(403, "this is not the watch token of this bench")
        secret = secrets.token_urlsafe(24)
        self._signed_in[secret] = None
        while len(self._signed_in) > _MOST_SIGNED_IN:  # the oldest has to sign in again
            del self._signed_in[next(iter(self._signed_in))]
        return secret

    def admits(self, secret: str | None) -> bool:
        """Whether somebody with this cookie may look."""
        return self._digest is None or (secret is not None and secret in self._signed_in)


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode())
