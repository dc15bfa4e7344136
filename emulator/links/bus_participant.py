"""One participant of the virtual bus: its text of the socketcand protocol, taken piece by piece.

Source of the protocol: linux-can/socketcand, doc/protocol.md (open protocol text). One command is our own:
``< verbatim >``. Who says it gets frames as ``frame`` or as ``send``, whichever the sender wrote, and may
send them as ``frame`` itself, ready for everybody, with the time it sent them: what goes between bench and
robot is then handed on as it came (emulator/guide/decisions/0236-frames-are-handed-on.md).
"""

from __future__ import annotations

import re
import socket
import time
from collections import Counter
from typing import Any, Protocol

_SEND = re.compile(rb"\s*< ?send ([0-9A-Fa-f]{1,8}) ([0-8])((?: [0-9A-Fa-f]{1,2}){0,8}) *>")
_IDENTIFIER = rb"(?:[0-7][0-9A-F][0-9A-F]|[01][0-9A-F]{7})"
_SENT_BYTES = b"|".join(b"%d" % n + rb" [0-9A-Fa-f][0-9A-Fa-f]" * n for n in range(8, -1, -1))
_BYTES = b"|".join(rb"[0-9A-F][0-9A-F]" * n for n in range(8, -1, -1))
_SENDS = re.compile(rb"(?:< send " + _IDENTIFIER + rb" (?:" + _SENT_BYTES + rb") >)+")
"""Whole commands in the form that nearly all are in: one look at a read tells that all of them are sound."""
_FRAME = re.compile(rb"< frame " + _IDENTIFIER + rb" [0-9]{1,10}\.[0-9]{6} (?:" + _BYTES + rb") >")
_FRAMES = re.compile(rb"(?:" + _FRAME.pattern + rb")+")
_FIELDS = re.compile(rb"< send ([0-9A-F]+) [0-8]((?: [0-9A-Fa-f]{2})*) >")
_NAMES = re.compile(rb"< (?:send|frame|rtr) ([0-9A-F]+) ")
_SEND_REMOTE = re.compile(rb"< ?sendrtr ([0-9A-Fa-f]{1,8}) ([0-8]) *>")
_OPEN = re.compile(rb"< ?open ([!-;=?-~]{1,16}) *>")
_RAW_MODE = re.compile(rb"< ?rawmode *>")
_ECHO = re.compile(rb"< ?echo *>")
_VERBATIM = re.compile(rb"< ?verbatim *>")

_LONGEST_COMMAND = 256
"""Bytes without a closing bracket after which the text is thrown away; the longest command has 45."""
_MOST_PER_S = 25_000.0
"""Frames a second taken of one participant: 1 Mbit/s carry 21,277 of the shortest (47 bits, ISO 11898-1)."""
_AT_ONCE = 2_500.0
"""Frames taken at once after a pause; all of them fit what a participant may leave unread."""
_COST_OF_OTHERS = 10.0
"""What any text but a frame takes of that credit: answers cost more, and nobody needs many."""
_PAUSE_NS = 10_000_000
_BABBLES_NS = 100_000_000
"""So long after a pause a participant counts as one that sends too much."""
_MOST_NAMES = 4096
"""Identifiers counted of one participant; a CAN bus has 2048 of the short kind."""


class Bus(Protocol):
    """What a participant asks of the server."""

    now_ns: int  # CLOCK_MONOTONIC, at the begin of this turn
    babblers: int  # participants that send too much, now

    def forward(self, sender: Participant, text: bytes, count: int, framed: bool) -> None:
        """Hand ``count`` frames to everybody else on the sender's bus.

        framed  they are written as participants get them; False: as they were sent, see ``frames_of``
        """

    def answer(self, participant: Participant, text: bytes) -> None:
        """Reply, unless it reads no replies."""

    def joined(self, participant: Participant) -> None:
        """It has opened a bus."""

    def wants_frames(self, participant: Participant) -> None:
        """It is in raw mode: frames come a little later, or with its next command."""

    def malformed(self, participant: Participant) -> None:
        """A command that is none."""

    def pause(self, participant: Participant) -> None:
        """It sent too much: read on at ``participant.paused_until_ns``."""


class Participant:
    """One connection: greeting, bus name, raw mode, then frames.

    name         how people are told of it: address and port, or its process on this machine
    pid          that process; 0 for one that came by TCP
    queue        text it has not read yet, beyond the kernel's own buffers
    blocked      the kernel takes no more for it
    due          it is in the line of those that are served in their turn
    interest     what the kernel is asked to tell of it (epoll)
    verbatim     it takes frames as they were sent
    more         the last read left something in the kernel, maybe
    arrived_ns   what it sent next can't have been here before [CLOCK_MONOTONIC]
    """

    def __init__(self, server: Bus, connection: socket.socket, name: str, pid: int) -> None:
        self.connection, self.name, self.pid = connection, name, pid
        self.fd = connection.fileno()
        self.bus = b""
        self.queue = bytearray()
        self.interest = 0
        self.blocked = self.due = self.raw = self.listens = self.sends = self.more = self.gone = False
        self.verbatim = False
        self.paused_until_ns = 0
        self.listens_from_ns = 0
        self.arrived_ns = 0
        self.frames: Counter[bytes] = Counter()
        self.malformed = self.pauses = 0
        self.cut_off = False
        self._server = server
        self._text = b""
        self._credit, self._credited_ns, self._paused_ns = _AT_ONCE, server.now_ns, -_BABBLES_NS

    def named(self) -> dict[str, Any]:
        """Who it is, as plain values."""
        return {"name": self.name, "pid": self.pid}

    def told(self) -> dict[str, Any]:
        """What it did, as plain values; identifiers in hexadecimal."""
        return {
            **self.named(),
            "bus": self.bus.decode("ascii"),
            "frames": {name.decode("ascii"): n for name, n in self.frames.most_common(64)},
            "malformed": self.malformed,
            "pauses": self.pauses,
            "cut_off": self.cut_off,
        }

    @property
    def babbles(self) -> bool:
        """Whether it sends more than a bus carries, now or a moment ago."""
        return self._server.now_ns - self._paused_ns < _BABBLES_NS

    def take(self, data: bytes) -> None:
        """What was received from it, which may end anywhere."""
        if not self._text and self.bus:
            framed = self.verbatim and _FRAMES.fullmatch(data) is not None
            if framed or _SENDS.fullmatch(data):
                count = data.count(b">")
                self._refill()
                if self._credit >= count:
                    self._credit -= count
                    self._server.forward(self, data, count, framed)
                    return
        self._text = self._text + data if self._text else data
        if not self.paused_until_ns:
            self._take()

    def go_on(self) -> None:
        """After a pause."""
        self.paused_until_ns = 0
        self._take()

    def _refill(self) -> None:
        """Credit for the time gone by; those that send too much share what one of them may send."""
        now_ns = self._server.now_ns
        rate = _MOST_PER_S / max(1, self._server.babblers) if self.pauses and self.babbles else _MOST_PER_S
        credit = self._credit + (now_ns - self._credited_ns) * 1e-9 * rate
        self._credit = credit if credit < _AT_ONCE else _AT_ONCE
        self._credited_ns = now_ns

    def _pause(self) -> None:
        self._paused_ns = self._server.now_ns
        self.paused_until_ns = self._server.now_ns + _PAUSE_NS
        self.pauses += 1
        self._server.pause(self)

    def _take(self) -> None:
        """Whole texts of what was received, as far as the credit goes."""
        self._refill()
        text = self._text
        position = 0
        lines: list[bytes] = []
        stamp = b""
        while not self.gone:
            if self._credit < 1.0:
                self._pause()
                break
            match = _SEND.match(text, position)
            if match is None and self.verbatim and (match := _FRAME.match(text, position)):
                self._credit -= 1.0
                position = match.end()
                lines.append(match[0])
                continue
            if match is None:
                end = text.find(b">", position)
                if end < 0:
                    break
                if lines:  # keep the order of frames and answers
                    self._server.forward(self, b"".join(lines), len(lines), True)
                    lines = []
                self._credit -= _COST_OF_OTHERS
                self._command(text[position : end + 1].strip())
                position = end + 1
                continue
            self._credit -= 1.0
            position = match.end()
            identifier, length, data_text = match.groups()
            payload = data_text.replace(b" ", b"")
            if len(payload) != 2 * int(length) or len(data_text) != 3 * int(length):
                parts = data_text.split()
                if len(parts) != int(length):
                    self._refuse(b"wrong number of data bytes")
                    continue
                payload = b"".join(part.zfill(2) for part in parts)
            if not self.bus:
                self._refuse(b"no bus is open")
                continue
            name = _identifier(identifier)
            if not name:
                self._refuse(b"identifier out of range")
                continue
            if not stamp:
                stamp = b" %.6f " % time.time()
            lines.append(b"< frame " + name + stamp + payload.upper() + b" >")
        if lines and not self.gone:
            self._server.forward(self, b"".join(lines), len(lines), True)
        self._text = text[position:]
        if len(self._text) > _LONGEST_COMMAND and not self.paused_until_ns and not self.gone:
            self._text = b""
            self._refuse(b"no end of command")

    def _command(self, command: bytes) -> None:
        """Anything but a well-formed ``send``."""
        if _ECHO.fullmatch(command):
            self._server.answer(self, b"< echo >")
        elif not self.bus:
            match = _OPEN.fullmatch(command)
            if match is None:
                self._refuse(b"no bus is open")
                return
            self.bus = match[1]
            self._server.joined(self)
            self._server.answer(self, b"< ok >")
        elif _RAW_MODE.fullmatch(command):
            self._server.answer(self, b"< ok >")
            if not self.raw:
                self.raw = True
                self._server.wants_frames(self)
        elif _VERBATIM.fullmatch(command):
            self.verbatim = True
            self._server.answer(self, b"< ok >")
        elif match := _SEND_REMOTE.fullmatch(command):
            name = _identifier(match[1])
            if name:
                text = b"< rtr %b %.6f %b >" % (name, time.time(), match[2])
                self._server.forward(self, text, 1, True)
            else:
                self._refuse(b"identifier out of range")
        else:
            self._refuse(b"unknown command")

    def count(self, names: list[bytes]) -> None:
        """Frames by identifier, as far as there is room for more of these."""
        frames = self.frames
        for name in names:
            if name in frames or len(frames) < _MOST_NAMES:
                frames[name] += 1

    def _refuse(self, reason: bytes) -> None:
        self._credit -= _COST_OF_OTHERS
        self.malformed += 1
        self._server.malformed(self)
        self._server.answer(self, b"< error " + reason + b" >")


def frames_of(sent: bytes) -> bytes:
    """Frames as participants get them, of whole ``send`` commands that give their data in full."""
    stamp = b" %.6f " % time.time()
    return b"".join(
        b"< frame " + name + stamp + data.replace(b" ", b"").upper() + b" >"
        for name, data in _FIELDS.findall(sent)
    )


def names_in(text: bytes) -> list[bytes]:
    """Identifiers of the frames in a text handed on, as the protocol writes them."""
    return _NAMES.findall(text)


def _identifier(digits: bytes) -> bytes:
    """As the protocol writes it: 3 digits for 11-bit, 8 digits for 29-bit, empty if out of range."""
    if len(digits) == 8:
        return digits.upper() if int(digits, 16) <= 0x1FFFFFFF else b""
    if len(digits) <= 3 and int(digits, 16) <= 0x7FF:
        return digits.zfill(3).upper()
    return b""
