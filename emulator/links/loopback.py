"""A virtual CAN bus on loopback for hosts without any CAN: a small server of the socketcand text protocol.

Each participant holds one connection; whatever one sends, all others on the same bus name get, and
the sender does not. python-can joins it with ``interface="socketcand"``, and any other language with a
TCP socket. Spoken: ``open``, ``rawmode``, ``send``, ``sendrtr``, ``echo``; frames arrive as ``frame``.

Participants on this machine may also come in by a socket of the local kind, named after the port (see
``local_address``): same protocol, a fraction of TCP's cost. Whoever knows only TCP misses nothing.

The server has no bit rate and no arbitration: it carries frames, it does not imitate bus load. But no
participant sends more than a CAN bus could carry: one that babbles is made to wait, so that the others, who
could not read all of it, are not cut off.

Source of the protocol: linux-can/socketcand, doc/protocol.md (open protocol text).
"""

from __future__ import annotations

import asyncio
import contextlib
import errno
import re
import socket
import time
from typing import NamedTuple, cast

from emulator.core.errors import DeviceAbsent

_SEND = re.compile(rb"\s*< ?send ([0-9A-Fa-f]{1,8}) ([0-8])((?: [0-9A-Fa-f]{1,2}){0,8}) *>")
_SEND_REMOTE = re.compile(rb"< ?sendrtr ([0-9A-Fa-f]{1,8}) ([0-8]) *>")
_OPEN = re.compile(rb"< ?open ([!-;=?-~]{1,16}) *>")
_RAW_MODE = re.compile(rb"< ?rawmode *>")
_ECHO = re.compile(rb"< ?echo *>")

_LONGEST_COMMAND = 256
"""Bytes without a closing bracket after which the text is thrown away; the longest command has 45."""
_UNREAD_LIMIT = 256 * 1024
"""Bytes a participant may leave unread (beyond the kernel's own buffers) before it is dropped."""
_SEND_BUFFER = 128 * 1024
"""Kernel send buffer: small, so that a stalled participant is noticed within seconds, not minutes."""
_MOST_PER_S = 25_000.0
"""Texts a second taken from one participant: 1 Mbit/s carry 21,277 of the shortest frames (47 bits,
ISO 11898-1)."""
_AT_ONCE = 2_500.0
"""Texts taken at once after a pause; all of them as frames fit what a participant may leave unread."""
_PAUSE_S = 0.01
_RAW_MODE_GRACE_S = 0.25
"""python-can reads the answer to ``rawmode`` and any frame right behind it as one text and gives up.

Frames therefore start with the participant's next command, or after this time, whichever is first.
"""


def local_address(port: int) -> str:
    """Address of the local socket of the bus that listens on this TCP port.

    It has no file (Linux' abstract names): nothing is left behind, and it is as private as the port is, that
    is, everybody in the same network namespace reaches it.
    """
    return f"\0virtual-can-bus-{port}"


class BusServerCounts(NamedTuple):
    """What the server did since it was started."""

    clients: int  # connected now
    joined: int  # connections that reached a bus
    frames_in: int  # frames taken from participants
    frames_out: int  # frames handed to participants (one in, n - 1 out)
    malformed: int  # commands answered with an error
    dropped_clients: int  # participants cut off because they did not read
    pauses: int  # times a participant that sent too much was made to wait


class BusServer:
    """The virtual bus. All methods belong to one running event loop (asyncio or uvloop).

    Bus names given by the participants keep buses apart: ``can0`` and ``can1`` are two buses.
    A participant that does not read is cut off and counted; the others never wait for it.
    """

    def __init__(self, *, unread_limit: int = _UNREAD_LIMIT) -> None:
        self._unread_limit = unread_limit
        self._server: asyncio.Server | None = None
        self._local: asyncio.Server | None = None
        self._participants: set[_Participant] = set()
        self._listening: dict[bytes, list[_Participant]] = {}
        self._joined = 0
        self._frames_in = 0
        self._frames_out = 0
        self._malformed = 0
        self._dropped = 0
        self._pauses = 0

    async def start(self, host: str = "127.0.0.1", port: int = 0) -> None:
        """Listen. Port 0 takes a free one, see ``port``.

        Raises DeviceAbsent if the port is taken or not permitted or the host is not one of this machine.
        """
        loop = asyncio.get_running_loop()
        try:
            self._server = await loop.create_server(lambda: _Participant(self), host, port)
        except OSError as error:
            advice = f"give an address of this machine instead of {host}, such as 127.0.0.1"
            # uvloop and asyncio wrap the error; the number survives in both
            if error.errno == errno.EADDRINUSE:
                advice = (
                    "another virtual bus or program has this port: stop it (`ss -ltnp` names it), "
                    "or give another port, 0 for any free one"
                )
            elif error.errno == errno.EACCES:
                advice = "ports below 1024 belong to root; give one above, or 0 for any free one"
            raise DeviceAbsent(
                f"virtual CAN bus: cannot listen on {host}:{port}: {error.strerror or error}", advice=advice
            ) from error
        with contextlib.suppress(OSError):  # not on every system; TCP carries everything, only slower
            self._local = await loop.create_unix_server(lambda: _Participant(self), local_address(self.port))

    @property
    def port(self) -> int:
        """TCP port it listens on; 0 before ``start`` and after ``stop``."""
        if self._server is None or not self._server.sockets:
            return 0
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Cut all participants off and stop listening. Safe to call twice."""
        servers = [server for server in (self._server, self._local) if server is not None]
        self._server = self._local = None
        for server in servers:
            server.close()
        for participant in list(self._participants):
            participant.transport.abort()
        for server in servers:
            await server.wait_closed()
        while self._participants:  # their connection_lost runs in the loop's next turns
            await asyncio.sleep(0)

    def counts(self) -> BusServerCounts:
        """Totals since the server was made."""
        return BusServerCounts(
            clients=len(self._participants),
            joined=self._joined,
            frames_in=self._frames_in,
            frames_out=self._frames_out,
            malformed=self._malformed,
            dropped_clients=self._dropped,
            pauses=self._pauses,
        )

    # --- called by participants -----------------------------------------------------------------

    def _connected(self, participant: _Participant) -> None:
        self._participants.add(participant)

    def _joined_bus(self, participant: _Participant) -> None:
        self._joined += 1
        self._listening.setdefault(participant.bus, [])

    def _start_listening(self, participant: _Participant) -> None:
        self._listening[participant.bus].append(participant)

    def _disconnected(self, participant: _Participant) -> None:
        self._participants.discard(participant)
        listening = self._listening.get(participant.bus, [])
        if participant in listening:
            listening.remove(participant)

    def _refused(self) -> None:
        self._malformed += 1

    def _forward(self, sender: _Participant, lines: list[bytes]) -> None:
        """Hand the frames of one read to everybody else, in one write each."""
        self._frames_in += len(lines)
        text = b"".join(lines)
        slow: list[_Participant] = []
        for participant in self._listening[sender.bus]:
            if participant is sender:
                continue
            transport = participant.transport
            self._frames_out += len(lines)
            transport.write(text)
            if transport.get_write_buffer_size() > self._unread_limit:
                slow.append(participant)
        for participant in slow:
            self._dropped += 1
            self._disconnected(participant)
            participant.transport.abort()


class _Participant(asyncio.Protocol):
    """One connection: greeting, bus name, raw mode, then frames."""

    transport: asyncio.Transport

    def __init__(self, server: BusServer) -> None:
        self._server = server
        self._text = b""
        self.bus = b""
        self._raw = False
        self._listens = False
        self._grace: asyncio.TimerHandle | None = None
        self._credit, self._credited_s = _AT_ONCE, 0.0
        self._pause: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast("asyncio.Transport", transport)  # uvloop's does not inherit from it
        connection = transport.get_extra_info("socket")
        with contextlib.suppress(OSError):  # the peer may be gone already
            connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
            if connection.family != socket.AF_UNIX:
                connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._server._connected(self)
        self.transport.write(b"< hi >")

    def connection_lost(self, exc: Exception | None) -> None:
        for timer in (self._grace, self._pause):
            if timer is not None:
                timer.cancel()
        self._server._disconnected(self)

    def data_received(self, data: bytes) -> None:
        if self._raw and not self._listens:
            self._listen()
        self._text = self._text + data if self._text else data
        if self._pause is None:
            self._take()

    def _go_on(self) -> None:
        """After a pause."""
        self._pause = None
        if not self.transport.is_closing():
            self.transport.resume_reading()
            self._take()

    def _take(self) -> None:
        """Whole texts of what was received, as far as the participant's credit goes."""
        now_s = asyncio.get_running_loop().time()
        self._credit = min(_AT_ONCE, self._credit + (now_s - self._credited_s) * _MOST_PER_S)
        self._credited_s = now_s
        text = self._text
        position = 0
        lines: list[bytes] = []
        stamp = b""
        while True:
            if self._credit < 1.0:
                self._pause = asyncio.get_running_loop().call_later(_PAUSE_S, self._go_on)
                self.transport.pause_reading()
                self._server._pauses += 1
                break
            self._credit -= 1.0
            match = _SEND.match(text, position)
            if match is None:
                end = text.find(b">", position)
                if end < 0:
                    break
                if lines:  # keep the order of frames and answers
                    self._server._forward(self, lines)
                    lines = []
                self._command(text[position : end + 1].strip())
                if self.transport.is_closing():
                    return
                position = end + 1
                continue
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
        if lines:
            self._server._forward(self, lines)
        self._text = text[position:]
        if len(self._text) > _LONGEST_COMMAND and self._pause is None:
            self._text = b""
            self._refuse(b"no end of command")

    def _command(self, command: bytes) -> None:
        """Anything but a well-formed ``send``."""
        if _ECHO.fullmatch(command):
            self._answer(b"< echo >")
        elif not self.bus:
            match = _OPEN.fullmatch(command)
            if match is None:
                self._refuse(b"no bus is open")
                return
            self.bus = match[1]
            self._server._joined_bus(self)
            self._answer(b"< ok >")
        elif _RAW_MODE.fullmatch(command):
            self._answer(b"< ok >")
            if not self._raw:
                self._raw = True
                self._grace = asyncio.get_running_loop().call_later(_RAW_MODE_GRACE_S, self._listen)
        elif match := _SEND_REMOTE.fullmatch(command):
            name = _identifier(match[1])
            if name:
                self._server._forward(self, [b"< rtr %b %.6f %b >" % (name, time.time(), match[2])])
            else:
                self._refuse(b"identifier out of range")
        else:
            self._refuse(b"unknown command")

    def _listen(self) -> None:
        if self._grace is not None:
            self._grace.cancel()
            self._grace = None
        if not self._listens and not self.transport.is_closing():
            self._listens = True
            self._server._start_listening(self)

    def _refuse(self, reason: bytes) -> None:
        self._server._refused()
        self._answer(b"< error " + reason + b" >")

    def _answer(self, text: bytes) -> None:
        """Reply, unless the participant floods us with commands and reads no replies."""
        if self.transport.get_write_buffer_size() < self._server._unread_limit:
            self.transport.write(text)


def _identifier(digits: bytes) -> bytes:
    """As the protocol writes it: 3 digits for 11-bit, 8 digits for 29-bit, empty if out of range."""
    if len(digits) == 8:
        return digits.upper() if int(digits, 16) <= 0x1FFFFFFF else b""
    if len(digits) <= 3 and int(digits, 16) <= 0x7FF:
        return digits.zfill(3).upper()
    return b""
