"""Opening a CAN bus: from what a rig says to a link the loop can use, or a clear error.

Three kinds, one behaviour (``emulator.core.frame_buffer.CanLink``): ``loopback`` joins the virtual bus of
``emulator.links.loopback``, ``socketcan`` takes an interface of the Linux kernel, ``serial`` an adapter on
a serial line. All are opened by python-can, but for the local way into the virtual bus, which it can't take.
"""

from __future__ import annotations

import contextlib
import errno
import ipaddress
import logging
import socket
from pathlib import Path

from emulator.core.errors import DeviceAbsent, StartFailed
from emulator.core.link_protocols import CanLink
from emulator.links.can_bus_spec import CanBusSpec
from emulator.links.can_kernel import KernelLink
from emulator.links.can_text import TextLink
from emulator.links.loopback import local_address
from emulator.links.python_can import SocketcanBus, SocketCanDaemonBus, can, slcanBus
from emulator.links.serial_line import raise_serial_absent

_ARPHRD_CAN = 280  # <linux/if_arp.h>
_IFF_UP = 1  # <linux/if.h>
_LONGEST_ANSWER = 4096
_VERBATIM = b"< verbatim >"
_SEND_BUFFER = 128 * 1024
"""Of the virtual bus, in bytes: a server that stalls shows as lost frames within a second, not minutes."""


def open_can(spec: CanBusSpec) -> CanLink:
    """Open the bus. May take up to ``connect_timeout_s`` or ``settle_s``; afterwards nothing waits.

    Raises DeviceAbsent if the bus, interface or adapter is missing, down, taken or not permitted, and
    StartFailed if it is there but cannot do what is asked (CAN FD on a classical link, a bit rate the
    adapter lacks). Nothing stays open after an error.
    """
    # python-can logs what it also raises; without a handler Python would print that to stderr
    logger = logging.getLogger("can")
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())
    if spec.fd and spec.kind != "socketcan":
        raise StartFailed(
            f"CAN bus {spec.channel}: a {spec.kind} link carries classical frames only, CAN FD was asked",
            advice="set fd: false, or use an interface of the kernel (kind socketcan)",
        )
    if spec.kind == "loopback":
        return _open_loopback(spec)
    if spec.kind == "socketcan":
        return _open_socketcan(spec)
    if spec.kind == "serial":
        return _open_serial(spec)
    raise StartFailed(
        f"CAN bus {spec.channel}: unknown kind {spec.kind!r}", advice="loopback, socketcan or serial"
    )


# --- the virtual bus ----------------------------------------------------------------------------


def _join_locally(spec: CanBusSpec) -> TextLink | None:
    """Join by the bus server's local socket; None where there is none or it does not answer as expected.

    The way by TCP then says what is wrong. Sending by TCP takes the whole network stack within the tick; what
    that costs: emulator/guide/decisions/0048-local-socket-beside-tcp.md.
    """
    try:
        if not ipaddress.ip_address(socket.gethostbyname(spec.host)).is_loopback:
            return None
        connection = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    except (OSError, AttributeError):
        return None
    try:
        connection.settimeout(spec.connect_timeout_s)
        connection.connect(local_address(spec.port))
        unread = b""
        opening = b"< open %b >" % spec.channel.encode()
        verbatim = False
        # frames start with our next command: behind the answer to `echo` none can be missed
        for command, answer in (
            (b"", b"hi"),
            (opening, b"ok"),
            (_VERBATIM, b"ok"),
            (b"< rawmode >", b"ok"),
            (b"< echo >", b"echo"),
        ):
            connection.sendall(command)
            said, unread = _answer(connection, unread)
            as_expected = said.split() == [b"<", answer]
            if command == _VERBATIM:
                verbatim = as_expected  # a server of before knows no such command, and goes on without it
            elif not as_expected:
                raise ConnectionError(said)
    except OSError:
        connection.close()
        return None
    connection.setblocking(False)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
    return TextLink(connection.fileno(), connection.close, serial=False, verbatim=verbatim, unread=unread)


def _answer(connection: socket.socket, unread: bytes) -> tuple[bytes, bytes]:
    """The bus server's next answer without its end mark, and what follows it in the same read.

    Text without an end mark is taken for an answer once it is too long for one.
    """
    while b">" not in unread and len(unread) <= _LONGEST_ANSWER:
        data = connection.recv(4096)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "the server closed the connection")
        unread += data
    said, _, rest = unread.partition(b">")
    return said, rest


class _VirtualBusClient(SocketCanDaemonBus):
    """python-can's client with a time limit on the handshake and no socket left behind when it fails.

    ``unread`` is the text that arrived behind the last answer.
    """

    def __init__(self, spec: CanBusSpec) -> None:
        self._timeout_s = spec.connect_timeout_s
        self.unread = b""
        try:
            super().__init__(  # type: ignore[no-untyped-call]
                channel=spec.channel, host=spec.host, port=spec.port, tcp_tune=True
            )
            # frames start with our next command: after this answer none can be missed
            self.connection().sendall(b"< echo >")
            self._expect_msg("< echo >")
        except BaseException:
            with contextlib.suppress(LookupError):
                self.connection().close()
            self._is_shutdown = True
            raise

    def connection(self) -> socket.socket:
        """The client's TCP socket, whatever python-can calls it."""
        for value in vars(self).values():
            if isinstance(value, socket.socket):
                return value
        raise LookupError("python-can's socketcand client holds no socket")

    def _expect_msg(self, msg: str) -> None:
        """Wait for one answer; whatever follows it in the same read stays for the next."""
        connection = self.connection()
        connection.settimeout(self._timeout_s)
        said, self.unread = _answer(connection, self.unread)
        answer = said.decode("latin-1")
        if answer.lstrip() + ">" != msg:
            raise can.CanInitializationError(f"expected {msg!r}, got {(answer + '>')[:60]!r}")


def _open_loopback(spec: CanBusSpec) -> CanLink:
    where = f"virtual CAN bus {spec.channel} at {spec.host}:{spec.port}"
    if (link := _join_locally(spec)) is not None:
        return link
    try:
        # python-can tries for ten seconds in a busy loop; one attempt with a time limit says it sooner
        socket.create_connection((spec.host, spec.port), timeout=spec.connect_timeout_s).close()
        client = _VirtualBusClient(spec)
    except ConnectionRefusedError as error:
        raise DeviceAbsent(
            f"{where}: nobody listens there", advice="start the virtual bus first, or correct host and port"
        ) from error
    except TimeoutError as error:
        raise DeviceAbsent(
            f"{where}: no answer within {spec.connect_timeout_s:g} s",
            advice="is it a virtual bus that listens on this port, and is it running?",
        ) from error
    except can.CanError as error:
        raise DeviceAbsent(
            f"{where}: not the socketcand protocol, or the bus was refused: {error}",
            advice="check that host and port are those of the virtual bus, and the bus name",
        ) from error
    except OSError as error:
        raise DeviceAbsent(
            f"{where}: {error.strerror or error}", advice="check host and port of the virtual bus"
        ) from error
    connection = client.connection()
    connection.setblocking(False)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, spec.receive_buffer)
    connection.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
    return TextLink(connection.fileno(), client.shutdown, serial=False, unread=client.unread)


# --- interfaces of the kernel -------------------------------------------------------------------


class _KernelBus(SocketcanBus):
    """python-can's SocketCAN bus that closes its socket when it cannot be opened."""

    def __init__(self, channel: str, fd: bool) -> None:
        try:
            super().__init__(channel=channel, fd=fd, receive_own_messages=False)
        except BaseException:
            if hasattr(self, "socket"):
                self.socket.close()
            raise


def _open_socketcan(spec: CanBusSpec) -> CanLink:
    where = f"CAN interface {spec.channel}"
    _check_kernel_can(where)
    _check_interface(spec, where)
    try:
        bus = _KernelBus(spec.channel, spec.fd)
    except OSError as error:
        advice = f"look at `ip -details link show {spec.channel}`"
        if error.errno in (errno.EPERM, errno.EACCES):
            advice = "raw CAN needs permission: run as a user who has it (in a container: --cap-add NET_RAW)"
        raise DeviceAbsent(f"{where}: {error.strerror or error}", advice=advice) from error
    return KernelLink(
        bus.socket,
        bus.shutdown,
        fd=spec.fd,
        fd_ids=spec.fd_ids,
        switch_bitrate=spec.data_bitrate != 0,
        receive_buffer=spec.receive_buffer,
    )


def _check_kernel_can(where: str) -> None:
    try:
        socket.socket(socket.AF_CAN, socket.SOCK_RAW, socket.CAN_RAW).close()
    except (OSError, AttributeError) as error:
        if isinstance(error, OSError) and error.errno in (errno.EPERM, errno.EACCES):
            raise DeviceAbsent(
                f"{where}: no permission to open CAN sockets",
                advice="run as a user who may (in a container: --cap-add NET_RAW, host network)",
            ) from error
        raise DeviceAbsent(
            f"{where}: this kernel has no CAN",
            advice="as root `modprobe can_raw`; where that fails use kind loopback (virtual bus) or serial",
        ) from error


def _check_interface(spec: CanBusSpec, where: str) -> None:
    up = f"ip link set {spec.channel} up type can bitrate {spec.bitrate}"
    create = (
        f"as root: ip link add {spec.channel} type vcan && ip link set {spec.channel} mtu 72 up"
        if spec.channel.startswith("vcan")
        else f"is the adapter plugged in? then as root: {up}"
        + (f" dbitrate {spec.data_bitrate or spec.bitrate} fd on" if spec.fd else "")
    )
    try:
        socket.if_nametoindex(spec.channel)
    except OSError as error:
        raise DeviceAbsent(f"{where}: no such interface", advice=create) from error
    folder = Path("/sys/class/net") / spec.channel
    with contextlib.suppress(OSError, ValueError):  # no sysfs: python-can's own error then has to do
        if int((folder / "type").read_text()) != _ARPHRD_CAN:
            raise DeviceAbsent(
                f"{where}: this is not a CAN interface",
                advice="`ip -brief link show` lists them; can0 is usual",
            )
        if not int((folder / "flags").read_text(), 16) & _IFF_UP:
            raise DeviceAbsent(
                f"{where}: the interface is down",
                advice=f"as root: ip link set {spec.channel} up"
                + ("" if spec.channel.startswith("vcan") else f" type can bitrate {spec.bitrate}"),
            )
        if spec.fd and int((folder / "mtu").read_text()) < 72:
            raise StartFailed(
                f"{where}: it is set up for classical frames only (mtu 16), CAN FD was asked",
                advice=f"as root, with the interface down: ip link set {spec.channel} mtu 72"
                + ("" if spec.channel.startswith("vcan") else " (or: type can ... fd on)"),
            )


# --- serial-line adapters -----------------------------------------------------------------------


class _SerialAdapter(slcanBus):
    """python-can's SLCAN bus, for one process only, that closes its port when it cannot be opened."""

    def __init__(self, spec: CanBusSpec) -> None:
        try:
            super().__init__(
                channel=spec.channel,
                tty_baudrate=spec.serial_baud,
                bitrate=spec.bitrate,
                sleep_after_open=spec.settle_s,
            )
            self.serialPortOrig.exclusive = True
            self.flush()
        except BaseException:
            if hasattr(self, "serialPortOrig"):
                self.serialPortOrig.close()
            self._is_shutdown = True
            raise

    def shutdown(self) -> None:
        try:
            super().shutdown()
        finally:
            self.serialPortOrig.close()


def _open_serial(spec: CanBusSpec) -> CanLink:
    where = f"serial CAN adapter {spec.channel}"
    try:
        adapter = _SerialAdapter(spec)
    except (can.CanError, OSError) as error:
        if isinstance(error.__cause__, ValueError):
            raise StartFailed(
                f"{where}: {error.__cause__}", advice=f"the rig asks for {spec.bitrate} bit/s"
            ) from error
        raise_serial_absent(where, spec.channel, error)
    return TextLink(adapter.serialPortOrig.fileno(), adapter.shutdown, serial=True)
