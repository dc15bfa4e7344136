"""Files from outside, read whole within limits: nothing that a stranger made can hang or fill the machine.

Every file that a user or another file names goes through :func:`read_whole`. Only ordinary files are read,
also behind links: a pipe never ends or never begins, a device may act on being opened, a folder is none.
How much is read at most goes by what the file is to be: :class:`FileKind`, and the table of them below. What
a file of allowed size may still hold of traps (nesting, huge numbers, compressed emptiness) is the business
of who parses it.

What a run folder holds names nothing outside of it: :func:`only_inside`.
"""

from __future__ import annotations

import errno
import os
import resource
import stat
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from typing import NamedTuple

from emulator.core.errors import RecordError, UnreadableError

_KIB, _MIB, _GIB = 1 << 10, 1 << 20, 1 << 30


class FileKind(NamedTuple):
    """What a file is to be, in words, and how many bytes one has at most."""

    words: str
    most_bytes: int


YAML = FileKind("a YAML file", 256 * _KIB)
"""Largest shipped: 12 KiB; 3,000 points along a road take 75 KiB. Parsed at 0.1 MB/s."""
POINTS = FileKind("a CSV or GPX file of points", 16 * _MIB)
"""5,000 points take 0.2 MiB as CSV and 0.8 MiB as GPX; emulator.survey takes 50,000."""
DBC = FileKind("a DBC file", 512 * _KIB)
"""Largest shipped: 12 KiB, of 14 frames; a vehicle's whole bus has a few hundred frames."""
PYTHON = FileKind("a Python file", 256 * _KIB)
"""A scenario's hook is a class of some tens of lines."""
UNIT = FileKind("a co-simulation unit", 256 * _MIB)
"""A controller with its libraries for several systems takes some tens of megabytes."""
SECRET = FileKind("a password or key", 4 * _KIB)
"""32 bytes are usual."""
CERTIFICATES = FileKind("a PEM file of certificates", 1 * _MIB)
"""All authorities that a system trusts take 220 KiB."""
KEPT_COPY = FileKind("a rig, vehicle, scenario, circuit, DBC or hook", 512 * _KIB)
"""The largest of those kinds."""
MANIFEST = FileKind("a manifest, certificate or verdict", 8 * _MIB)
"""32 KiB for a short ride, 110 KiB with a lap of 4 km in it."""
EVENTS = FileKind("an event log", 64 * _MIB)
"""1 KiB for a short ride; a line is 110 bytes, so this is over half a million events."""
GNSS = FileKind("a log of GNSS bytes", 1 * _GIB)
"""4 KiB a second at 10 Hz; at 115,200 baud this is a day."""
RECORD = FileKind("a record", 8 * _GIB)
"""0.35 MiB a second: the longest ride there may be, one hour, is 1.3 GiB; a flooded bus triples it."""

_CHUNK = 1 << 20


def read_whole(path: str | os.PathLike[str], kind: FileKind) -> bytes:
    """The bytes of an ordinary file. Never waits, never takes more than the kind allows.

    Raises UnreadableError, whose ``why`` says what to do.
    """
    name = os.fspath(path)
    try:
        # Looked at before it is opened: opening a pipe may wait, and opening a device may do something.
        _only_ordinary(name, os.stat(name), kind)
        handle = os.open(name, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOCTTY)
        try:
            _only_ordinary(name, os.fstat(handle), kind)
            return _bounded(name, handle, kind)
        finally:
            os.close(handle)
    except (OSError, ValueError) as error:
        raise UnreadableError(name, _why(error, kind)) from error


def _only_ordinary(name: str, found: os.stat_result, kind: FileKind) -> None:
    """Raises UnreadableError for anything but a file of a size that is allowed."""
    if stat.S_ISDIR(found.st_mode):
        raise UnreadableError(name, f"this is a folder; name {kind.words}")
    for is_one, what in _NO_FILES:
        if is_one(found.st_mode):
            raise UnreadableError(
                name, f"this is {what}, and only ordinary files are read; save its content as {kind.words}"
            )
    if found.st_size > kind.most_bytes:
        raise _too_large(name, f"{_size(found.st_size)}", kind)


_NO_FILES = (
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


def _bounded(name: str, handle: int, kind: FileKind) -> bytes:
    """All of it, however long it says to be or becomes meanwhile."""
    parts: list[bytes] = []
    taken = 0
    while part := os.read(handle, min(_CHUNK, kind.most_bytes + 1 - taken)):
        parts.append(part)
        taken += len(part)
        if taken > kind.most_bytes:
            raise _too_large(name, "more", kind)
    return b"".join(parts)


def _too_large(name: str, has: str, kind: FileKind) -> UnreadableError:
    return UnreadableError(
        name,
        f"expected {kind.words} of at most {_size(kind.most_bytes)}, it has {has}; "
        "check that this is the file you mean, or make it smaller",
    )


def _size(count: int) -> str:
    for unit, words in ((_GIB, "GiB"), (_MIB, "MiB"), (_KIB, "KiB")):
        if count >= unit:
            return f"{count / unit:.3g} {words}" if count < 1000 * unit else f"{count // unit} {words}"
    return f"{count} bytes"


def _why(error: OSError | ValueError, kind: FileKind) -> str:
    match getattr(error, "errno", None):
        case errno.ENOENT:
            return "no such file; check the spelling and the folder you are in"
        case errno.EACCES | errno.EPERM:
            return "no permission to read this file; check its owner and mode"
        case errno.ENOTDIR:
            return "no such file: a part of its path is no folder"
        case errno.ELOOP:
            return f"a link that leads to itself; name {kind.words}"
        case errno.ENAMETOOLONG:
            return "no such file: its name is too long"
    advice = advice_for(error) if isinstance(error, OSError) else ""
    said = (error.strerror if isinstance(error, OSError) else "") or str(error)
    return f"can't be read: {said}{advice and f'; {advice}'}"


def advice_for(error: OSError) -> str:
    """What to do about an error of the system that is none of ours; empty where we know nothing."""
    match error.errno:
        case errno.EMFILE:
            most = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
            return f"this process may have {most} files open (ulimit -n); raise it: ulimit -n 1024"
        case errno.ENFILE:
            return "the system has all files open that it may (sysctl fs.file-max); end what is not needed"
        case errno.ENOSPC:
            return "the disk is full; free space, or name a folder on another disk"
        case errno.EDQUOT:
            return "your share of the disk is used up; free space, or name a folder on another disk"
        case errno.EROFS:
            return "the disk can't be written; name a folder on another one"
        case errno.EACCES | errno.EPERM:
            return "check owner and mode of the file and of its folder"
        case errno.ENOMEM | errno.EAGAIN:
            return "memory or processes have run out (free, ulimit -u, ulimit -v); end what is not needed"
        case errno.EIO:
            return "the disk or device reports a fault; look at dmesg"
    return ""


class _Inside(NamedTuple):
    """A folder that what lies in it does not lead out of, and what stands in for names from the root."""

    root: str
    stand_ins: Mapping[str, str]


_inside: ContextVar[_Inside | None] = ContextVar("_inside", default=None)


@contextmanager
def only_inside(folder: str | os.PathLike[str], stand_ins: Mapping[str, str]) -> Iterator[None]:
    """Within it, files below ``folder`` name only files below it, wherever links lead.

    stand_ins  files below it by the name from the root that another one of them may use
    Files that lie elsewhere, as the user named them, are free to name what they like.
    """
    token = _inside.set(_Inside(os.path.realpath(folder), dict(stand_ins)))
    try:
        yield
    finally:
        _inside.reset(token)


def named_by(path: str, named: str) -> str:
    """The path to read where the file ``path`` names ``named``; both as paths that can be opened.

    Raises RecordError where that would leave a folder that :func:`only_inside` closes.
    """
    inside = _inside.get()
    if inside is None or not is_inside(path, inside.root) or is_inside(named, inside.root):
        return named
    if named in inside.stand_ins:
        return inside.stand_ins[named]
    raise RecordError(
        f"{path} names {named}, which is not in the run folder",
        advice="a run folder is read by itself; name another rig, scenario or vehicle on the command line",
    )


def is_inside(path: str | os.PathLike[str], folder: str | os.PathLike[str]) -> bool:
    """Whether a path leads to the folder or into it, links followed."""
    root = os.path.realpath(folder)
    try:
        return os.path.commonpath([os.path.realpath(path), root]) == root
    except ValueError:  # a name no file has
        return False
