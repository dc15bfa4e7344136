"""GNSS ports: where the receiver's NMEA sentences go out, and where a robot reads them.

Four kinds: ``pty`` (a serial port without hardware, for a robot on the same machine), ``serial``, ``udp``
and ``tcp`` (we listen, any number of readers). Nothing waits: a burst that does not fit is dropped and
counted, and a port nobody reads is no error. A burst taken in part is finished before the next one, so a
reader never sees a sentence with a hole.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import socket
import termios
import tty
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import serial

from emulator.core.errors import DeviceAbsent, StartFailed
from emulator.core.link_protocols import GnssLink, LinkCounts
from emulator.links.serial_line import raise_serial_absent

_DATAGRAM = 1472
"""Longest datagram that Ethernet carries whole (1500 less the IPv4 and UDP headers)."""
_UNREAD_LIMIT = 16 * 1024
"""Bytes a TCP reader may leave unread beyond the kernel's buffers before it is dropped."""
_SEND_BUFFER = 32 * 1024
_MOST_READERS = 16


@dataclass(frozen=True)
class GnssPortSpec:
    """Which port the sentences go to.

    kind        pty, serial, udp or tcp
    path        serial: device; pty: symbolic link to make to the pseudo terminal, empty for none
    host, port  udp: where the datagrams go; tcp: where we listen, port 0 for any free one
    baud        line speed of a serial port; of a pty it is informative only
    """

    kind: Literal["pty", "serial", "udp", "tcp"]
    path: str = ""
    host: str = "127.0.0.1"
    port: int = 0
    baud: int = 115_200


def open_gnss(spec: GnssPortSpec) -> GnssLink:
    """Open the port.

    Raises DeviceAbsent if it is missing, taken or not permitted, StartFailed for a baud rate the port
    lacks. Nothing stays open after an error.
    """
    if spec.kind == "pty":
        return PtyPort(spec)
    if spec.kind == "serial":
        return SerialPort(spec)
    if spec.kind == "udp":
        return UdpPort(spec)
    if spec.kind == "tcp":
        return TcpPort(spec)
    raise StartFailed(f"GNSS port: unknown kind {spec.kind!r}", advice="pty, serial, udp or tcp")


class _Port:
    """Counters shared by all kinds."""

    def __init__(self) -> None:
        self._alive = True
        self._sent = 0
        self._lost = 0

    def counts(self) -> LinkCounts:
        """Totals since the port was opened, in bursts."""
        return LinkCounts(
            sent=self._sent, received=0, send_lost=self._lost, receive_lost=0, bus_errors=0, alive=self._alive
        )

    def _count(self, taken: bool) -> bool:
        if taken:
            self._sent += 1
        else:
            self._lost += 1
        return taken


class _Stream:
    """Writing bursts to a non-blocking descriptor; a burst begun is finished before the next."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._rest = b""

    def write(self, burst: bytes) -> bool:
        """False if the descriptor has no room; OSError if it is gone."""
        if self._rest:
            self._rest = self._rest[self._put(self._rest) :]
            if self._rest:
                return False
        written = self._put(burst)
        if written == 0 and burst:
            return False
        self._rest = burst[written:]
        return True

    def forget(self) -> None:
        """Drop the rest of a burst: whoever had its beginning has left."""
        self._rest = b""

    def _put(self, data: bytes) -> int:
        try:
            return os.write(self._descriptor, data)
        except BlockingIOError:
            return 0


class PtyPort(_Port):
    """A pseudo terminal in raw mode. ``path`` is what the robot opens as its serial port.

    Without a reader bursts are dropped, so that a reader that comes later starts with the present.
    """

    def __init__(self, spec: GnssPortSpec) -> None:
        super().__init__()
        where = "GNSS pseudo terminal"
        try:
            self._master, slave = os.openpty()
        except OSError as error:
            raise DeviceAbsent(
                f"{where}: {error.strerror}", advice="is /dev/pts mounted, and are pseudo terminals left?"
            ) from error
        self._device = os.ttyname(slave)
        tty.setraw(slave)
        # closed again: only then does the master tell whether anybody else has it open
        os.close(slave)
        os.set_blocking(self._master, False)
        self._stream = _Stream(self._master)
        self._poll = select.poll()
        self._poll.register(self._master, 0)
        self._had_reader = False
        self._link: Path | None = None
        if spec.path:
            try:
                self._make_link(Path(spec.path))
            except OSError as error:
                os.close(self._master)
                raise DeviceAbsent(
                    f"{where}: cannot make the link {spec.path}: {error.strerror or error}",
                    advice="give a path in a folder you may write to, where no other file stands",
                ) from error

    @property
    def path(self) -> str:
        """Device to open: the symbolic link if one was asked for, else the terminal itself."""
        return str(self._link) if self._link else self._device

    def send(self, burst: bytes) -> bool:
        """Write one epoch's sentences; False if they were dropped (no reader, buffer full)."""
        if not self._alive:
            return self._count(False)
        if self._poll.poll(0):  # hung up: nobody has the other side open
            if self._had_reader:
                self._had_reader = False
                self._stream.forget()
                self._discard_unread()
            return self._count(False)
        self._had_reader = True
        try:
            return self._count(self._stream.write(burst))
        except OSError:
            self._stream.forget()
            return self._count(False)

    def close(self) -> None:
        """Close the terminal and remove the link. Safe to call twice."""
        if self._master < 0:
            return
        self._alive = False
        os.close(self._master)
        self._master = -1
        if self._link is not None and self._link.is_symlink() and os.readlink(self._link) == self._device:
            self._link.unlink()

    def _make_link(self, link: Path) -> None:
        if link.is_symlink() and not link.exists():
            link.unlink()  # left by a run that was killed: its terminal is gone
        link.symlink_to(self._device)
        self._link = link

    def _discard_unread(self) -> None:
        """Throw away what the last reader left unread."""
        with contextlib.suppress(OSError, termios.error):
            slave = os.open(self._device, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
            try:
                tty.setraw(slave)  # a reader may have changed it
                termios.tcflush(slave, termios.TCIFLUSH)
            finally:
                os.close(slave)


class SerialPort(_Port):
    """A serial port of the machine (8N1, no handshake, opened for one process only)."""

    def __init__(self, spec: GnssPortSpec) -> None:
        super().__init__()
        self._serial = _open_serial(spec.path, spec.baud, f"GNSS serial port {spec.path}")
        self._stream = _Stream(self._serial.fileno())

    @property
    def path(self) -> str:
        """The device."""
        return str(self._serial.port)

    def send(self, burst: bytes) -> bool:
        """Write one epoch's sentences; False if they were dropped (line too slow, device gone)."""
        if not self._alive:
            return self._count(False)
        try:
            return self._count(self._stream.write(burst))
        except OSError:
            self._alive = False
            return self._count(False)

    def close(self) -> None:
        """Release the device. Safe to call twice."""
        self._alive = False
        with contextlib.suppress(OSError, serial.SerialException):
            self._serial.close()


class UdpPort(_Port):
    """Datagrams of whole sentences. If the other machine says nobody listens, the burst counts as lost."""

    def __init__(self, spec: GnssPortSpec) -> None:
        super().__init__()
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        try:
            self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
            self._socket.connect((spec.host, spec.port))
        except (OSError, OverflowError) as error:
            self._socket.close()
            raise DeviceAbsent(
                f"GNSS over UDP to {spec.host}:{spec.port}: {getattr(error, 'strerror', None) or error}",
                advice="check host, port (1 to 65535) and the route to the robot",
            ) from error

    def send(self, burst: bytes) -> bool:
        """Send one epoch's sentences; False if they were dropped (buffer full, no route)."""
        if not self._alive:
            return self._count(False)
        taken = True
        for datagram in _datagrams(burst):
            taken = self._send(datagram) and taken
        return self._count(taken)

    def close(self) -> None:
        """Release the socket. Safe to call twice."""
        self._alive = False
        self._socket.close()

    def _send(self, datagram: bytes) -> bool:
        for _ in range(2):
            try:
                self._socket.send(datagram)
            except ConnectionRefusedError:
                # the answer to an earlier burst: that one was lost, this one was not sent yet
                if self._sent > 0:
                    self._sent -= 1
                    self._lost += 1
            except OSError:
                return False
            else:
                return True
        return False


class TcpPort(_Port):
    """A listening TCP port for up to 16 readers. One that does not read is dropped."""

    def __init__(self, spec: GnssPortSpec) -> None:
        super().__init__()
        self._readers: list[tuple[socket.socket, bytearray]] = []
        self._dropped = 0
        self._listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._listener.bind((spec.host, spec.port))
            self._listener.listen(_MOST_READERS)
            self._listener.setblocking(False)
        except (OSError, OverflowError) as error:
            self._listener.close()
            number = getattr(error, "errno", None)
            advice = f"give an address of this machine instead of {spec.host}, and a port from 1 to 65535"
            if number == errno.EADDRINUSE:
                advice = "another program has this port (`ss -ltnp` names it): stop it or give another port"
            elif number == errno.EACCES:
                advice = "ports below 1024 belong to root; give one above"
            raise DeviceAbsent(
                f"GNSS over TCP: cannot listen on {spec.host}:{spec.port}: "
                f"{getattr(error, 'strerror', None) or error}",
                advice=advice,
            ) from error

    @property
    def port(self) -> int:
        """TCP port it listens on."""
        return int(self._listener.getsockname()[1])

    @property
    def dropped_readers(self) -> int:
        """Readers cut off because they did not read."""
        return self._dropped

    def send(self, burst: bytes) -> bool:
        """Write one epoch's sentences to all readers; False if nobody took them."""
        if not self._alive:
            return self._count(False)
        self._accept()
        taken = False
        for reader, unread in list(self._readers):
            unread.extend(burst)
            try:
                del unread[: reader.send(unread)]
            except BlockingIOError:
                pass
            except OSError:
                self._remove(reader)
                continue
            if len(unread) > _UNREAD_LIMIT:
                self._dropped += 1
                self._remove(reader)
                continue
            taken = True
        return self._count(taken)

    def close(self) -> None:
        """Release all sockets. Safe to call twice."""
        self._alive = False
        self._listener.close()
        for reader, _ in self._readers:
            reader.close()
        self._readers.clear()

    def _accept(self) -> None:
        for _ in range(_MOST_READERS):
            try:
                reader, _ = self._listener.accept()
            except OSError:  # nobody waits, or whoever did has left
                return
            if len(self._readers) >= _MOST_READERS:
                reader.close()
                continue
            reader.setblocking(False)
            with contextlib.suppress(OSError):
                reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                reader.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
            self._readers.append((reader, bytearray()))

    def _remove(self, reader: socket.socket) -> None:
        self._readers = [entry for entry in self._readers if entry[0] is not reader]
        reader.close()


def _datagrams(burst: bytes) -> list[bytes]:
    """Cut a burst at sentence ends into pieces that fit a datagram."""
    if len(burst) <= _DATAGRAM:
        return [burst]
    pieces = [b""]
    for sentence in burst.splitlines(keepends=True):
        if len(pieces[-1]) + len(sentence) > _DATAGRAM and pieces[-1]:
            pieces.append(b"")
        pieces[-1] += sentence
    return pieces


def _open_serial(path: str, baud: int, where: str) -> serial.Serial:
    try:
        # pyserial opens the descriptor non-blocking and leaves it so; the cycle writes to it directly
        return serial.Serial(path, baud, timeout=0, write_timeout=0, exclusive=True)
    except ValueError as error:
        raise StartFailed(f"{where}: {error}", advice=f"{baud} baud is not possible here") from error
    except (serial.SerialException, OSError, termios.error) as error:
        raise_serial_absent(where, path, error)


# --- the robot's side ---------------------------------------------------------------------------


class GnssReader:
    """Bytes from a GNSS port as they come. Made by ``open_gnss_reader``."""

    def __init__(self, descriptor: int, close: Callable[[], None], *, empty_is_end: bool) -> None:
        self._descriptor = descriptor
        self._close: Callable[[], None] | None = close
        self._empty_is_end = empty_is_end
        self._poll = select.poll()
        self._poll.register(descriptor, 0)
        self.alive = True
        """False once the port is known to be gone."""

    def read(self) -> bytes:
        """What has arrived since the last call, at most 64 KiB; empty if nothing. Never waits or raises."""
        if not self.alive:
            return b""
        try:
            data = os.read(self._descriptor, 65536)
        except BlockingIOError:
            return b""
        except ConnectionRefusedError:  # a UDP port told us of somebody else's closed port
            return b""
        except OSError:
            self.alive = False
            return b""
        if not data and (self._empty_is_end or self._poll.poll(0)):
            self.alive = False
        return data

    def fileno(self) -> int:
        """Descriptor to wait on with ``select`` or an event loop."""
        return self._descriptor

    def close(self) -> None:
        """Release the port. Safe to call twice."""
        close, self._close = self._close, None
        self.alive = False
        if close is not None:
            with contextlib.suppress(OSError, serial.SerialException):
                close()


def open_gnss_reader(
    kind: Literal["pty", "serial", "udp", "tcp"], address: str, *, baud: int = 115_200
) -> GnssReader:
    """Open the receiving side of a GNSS port, as a robot does.

    kind     as in GnssPortSpec
    address  pty, serial: path of the device; udp: ``host:port`` to bind; tcp: ``host:port`` to connect to
    baud     line speed of a serial port

    Raises DeviceAbsent if it cannot be opened.
    """
    where = f"GNSS reader on {kind} {address}"
    if kind in ("pty", "serial"):
        if kind == "serial":
            port = _open_serial(address, baud, where)
            return GnssReader(port.fileno(), port.close, empty_is_end=False)
        try:
            terminal = os.open(address, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError as error:
            raise_serial_absent(where, address, error)
        try:
            tty.setraw(terminal)
        except termios.error as error:
            os.close(terminal)
            raise DeviceAbsent(
                f"{where}: not a terminal", advice="give the path of a pseudo terminal"
            ) from error
        return GnssReader(terminal, lambda: os.close(terminal), empty_is_end=True)
    if kind not in ("udp", "tcp"):
        raise StartFailed(f"{where}: unknown kind {kind!r}", advice="pty, serial, udp or tcp")
    host, _, port_text = address.rpartition(":")
    if not host or not port_text.isdecimal() or int(port_text) > 65535:
        raise DeviceAbsent(f"{where}: not an address", advice="give host:port, such as 127.0.0.1:10110")
    number = int(port_text)
    try:
        if kind == "udp":
            connection = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            try:
                connection.bind((host, number))
            except OSError:
                connection.close()
                raise
        else:
            connection = socket.create_connection((host, number), timeout=3.0)
    except OSError as error:
        advice = "is the bench running, and are host and port those of its GNSS port?"
        if kind == "udp":
            advice = (
                "another program may have this port (`ss -lunp` names it), or the host is not this machine"
            )
        raise DeviceAbsent(f"{where}: {error.strerror or error}", advice=advice) from error
    connection.setblocking(False)
    return GnssReader(connection.fileno(), connection.close, empty_is_end=kind == "tcp")
