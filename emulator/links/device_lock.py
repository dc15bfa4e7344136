"""One loop a bus: a name in the kernel that a process holds for as long as it lives, whatever ends it.

Two loops on one bus would both send as the emulator, and the robot would get two bikes mixed. The name is an
abstract socket address of Linux: it needs no file, so nothing is left behind by ``kill -9``, and whoever
finds it taken can ask the kernel who holds it. It is seen by every user within the network namespace, as
CAN interfaces and ports are; serial devices are besides locked by their own descriptor (flock).
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import socket
import struct

from emulator.core.errors import DeviceAbsent

_PREFIX = "\0emulator/sole-use/"
_LONGEST = 100  # of 108 bytes of an address


class SoleUse:
    """Held until closed, or until the process ends."""

    def __init__(self, name: str, holder: socket.socket) -> None:
        self.name = name
        self._holder: socket.socket | None = holder

    def close(self) -> None:
        """Let others have it."""
        if self._holder is not None:
            self._holder.close()
            self._holder = None


def acquire(kind: str, name: str) -> SoleUse:
    """Take a bus, port or device for this process alone.

    kind, name  such as ("CAN interface", "can0"); a path is followed to the device it means
    Raises DeviceAbsent if another process, or this one, has it: the error names that process.
    """
    what = f"{kind} {name}"
    place = os.path.realpath(name) if name.startswith("/") else name
    address = f"{_PREFIX}{kind}/{place}".encode()
    if len(address) > _LONGEST:
        address = _PREFIX.encode() + hashlib.sha256(address).hexdigest().encode()
    holder = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        holder.bind(address)
        holder.listen(8)  # only then does the kernel tell others who holds it
    except OSError as error:
        holder.close()
        if error.errno != errno.EADDRINUSE:
            raise
        pid = _who(address)
        raise DeviceAbsent(
            f"{what} is in use by another loop: {_process(pid)}",
            advice="wait until that run has ended, or stop it with Ctrl-C"
            + (f" (kill -INT {pid}, then see that it is gone)" if pid else "")
            + "; a bus carries one emulated bike",
        ) from error
    return SoleUse(what, holder)


def _who(address: bytes) -> int:
    """Process that holds an address, 0 if the kernel does not say."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(0.5)
        asking.connect(address)
        pid, _, _ = struct.unpack("3i", asking.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, 12))
        return int(pid)
    return 0


def _process(pid: int) -> str:
    if pid == os.getpid():
        return f"this process ({pid}) itself"
    if pid == 0:
        return "a process that does not say who it is"
    words = ""
    with contextlib.suppress(OSError), open(f"/proc/{pid}/cmdline", "rb") as file:
        words = file.read().replace(b"\0", b" ").decode("utf-8", "replace").strip()
    return f"process {pid}" + (f" ({words})" if words else "")
