"""Where machine code is kept: a folder of the user's own, a file an entry, named after what it was made from.

Beside it lies what else takes long to work out (``emulator.assembly.kept_limits``), and what files came to
when they were read (``kept_readings``). What lies there is executed, so nobody but the user and root may be
able to write there. Files appear whole or not at all and never change, so any number of processes and
checkouts may use it at once. What was not used for longest goes when a kind of entry grows beyond its bound:
readings have one of their own, so that a campaign of many scenarios never costs a compilation. Machine code
is packed, to a quarter and in a few milliseconds a megabyte: a container image brings all of it.

Behind the folder that is written to there may be others that are only read, such as the one that a container
image brings along.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
import tempfile
import zlib
from pathlib import Path

from emulator.core.errors import StartFailed

MOST_BYTES = 256 * 2**20
"""Size beyond which old entries go; everything compiled once takes a twentieth."""
MOST_RESULT_BYTES = 32 * 2**20
"""The same of what was read or worked out: some hundred scenarios."""

_ROOT = 0
"""The user who may write anywhere anyway."""
_ADVICE = "name a folder of your own in EMULATOR_CACHE, or remove this one"
CODE, RESULT = ".zcode", ".result"
"""Kinds of entries, as their files end."""
_FORMER = {CODE: ".code", RESULT: ".read"}
"""Of versions before: not read, and go by their age as the others do."""
_LOOKS = 16
"""A process looks what may go with the first entry it writes, and again after this part of the bound."""
_written: dict[tuple[Path, str], int] = {}
"""Bytes of each kind that this process wrote to a folder since it looked."""
_NAME_ONE = "name a folder that you may write to in EMULATOR_CACHE"
_PACKED_QUICKLY = 1
_UNFINISHED = ".unfinished"
_UNFINISHED_S = 3600.0
"""Age [s] after which nobody writes a file any more that was left unfinished."""


def cache_folders() -> list[Path]:
    """Where compiled code is kept: ``EMULATOR_CACHE`` or the user's cache folder.

    ``EMULATOR_CACHE`` may name several, set apart as in ``PATH``: the first is written to. Raises StartFailed
    where neither that nor a home is known.
    """
    named = [Path(part) for part in os.environ.get("EMULATOR_CACHE", "").split(os.pathsep) if part]
    if named:
        return named
    try:
        usual = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    except RuntimeError as error:  # a user by number alone, as containers have them
        raise StartFailed(
            f"no place to keep compiled code: user {os.geteuid()} has no home folder", advice=_NAME_ONE
        ) from error
    return [Path(usual) / "emulator-compiled"]


def cache_folder() -> Path:
    """The folder that is written to."""
    return cache_folders()[0]


def safe_folder() -> Path:
    """The folder that is written to, made if it is not there.

    Raises StartFailed if it can't be made, belongs to somebody else or others may write to it.
    """
    folder = cache_folder()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with contextlib.suppress(FileExistsError):
            folder.mkdir(mode=0o700)
        found = folder.stat()
    except OSError as error:
        raise StartFailed(
            f"no place to keep compiled code: {folder} can't be made: {error.strerror}", advice=_NAME_ONE
        ) from error
    _refuse_unsafe(folder, found)
    return folder


def _safe_folders() -> list[Path]:
    """The folder that is written to, and those behind it that are there. Raises StartFailed as it does."""
    folders = [safe_folder()]
    for folder in cache_folders()[1:]:
        try:
            found = folder.stat()
        except OSError:
            continue  # nothing is kept there
        _refuse_unsafe(folder, found)
        folders.append(folder)
    return folders


def _refuse_unsafe(folder: Path, found: os.stat_result) -> None:
    """Raises StartFailed if somebody else than the user and root may have put something there."""
    if not stat.S_ISDIR(found.st_mode):
        raise StartFailed(f"no place to keep compiled code: {folder} is no folder", advice=_ADVICE)
    if found.st_uid not in (os.geteuid(), _ROOT):
        raise StartFailed(
            f"{folder} belongs to user {found.st_uid}, not to {os.geteuid()}: it may hold anything",
            advice=_ADVICE,
        )
    if found.st_mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise StartFailed(
            f"others may write to {folder}: its machine code is not executed",
            advice=f"make sure of what it holds, or remove it; then chmod 700 {folder}",
        )


def load(name: str, kind: str = CODE) -> bytes | None:
    """What was kept under ``name``; None if there is nothing, or not what was written."""
    for folder in _safe_folders():
        path = folder / (name + kind)
        try:
            data = path.read_bytes()
        except FileNotFoundError:
            continue
        checksum, content = data[:32], data[32:]
        if checksum == _checksum(name, content):
            with contextlib.suppress(OSError):  # a folder that can't be written serves all the same
                os.utime(path)
            return zlib.decompress(content) if kind == CODE else content
    return None


def save(name: str, content: bytes, kind: str = CODE) -> None:
    """Keep ``content`` under ``name``; a full or read-only disk only costs the next compilation."""
    folder = safe_folder()
    if kind == CODE:
        content = zlib.compress(content, _PACKED_QUICKLY)
    try:
        handle, unfinished = tempfile.mkstemp(suffix=_UNFINISHED, dir=folder)
    except OSError:
        return
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(_checksum(name, content) + content)
        os.replace(unfinished, folder / (name + kind))
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(unfinished)
        return
    most_bytes = MOST_BYTES if kind == CODE else MOST_RESULT_BYTES
    _written[folder, kind] = _written.get((folder, kind), most_bytes) + len(content)
    if _written[folder, kind] >= most_bytes / _LOOKS:
        _written[folder, kind] = 0
        _prune(folder, name + kind, most_bytes)


def names(start: str) -> list[str]:
    """Names of entries that begin with ``start``."""
    found = (path for folder in _safe_folders() for path in folder.glob(f"{start}*{CODE}"))
    return sorted({path.name.removesuffix(CODE) for path in found})


def _checksum(name: str, content: bytes) -> bytes:
    return hashlib.sha256(name.encode() + b"\0" + content).digest()


def _prune(folder: Path, newest: str, most_bytes: int) -> None:
    """Remove what of the newest one's kind was not used for longest, and what was left unfinished."""
    found = []
    kind = newest[newest.rindex(".") :]
    kinds = (kind, _FORMER[kind], _UNFINISHED)
    with os.scandir(folder) as entries:
        for entry in entries:
            with contextlib.suppress(FileNotFoundError):  # another process prunes, too
                if entry.name.endswith(kinds):
                    status = entry.stat()
                    found.append((status.st_mtime, status.st_size, entry.name))
    found.sort()
    now = max((time for time, _, name in found if name == newest), default=0.0)
    total = sum(size for _, size, _ in found)
    over = total > most_bytes
    for time, size, name in found:
        abandoned = name.endswith(_UNFINISHED) and now - time > _UNFINISHED_S
        if abandoned or (over and total > 0.75 * most_bytes and name != newest):
            with contextlib.suppress(OSError):
                (folder / name).unlink()
            total -= size
