"""Files from outside: ordinary ones of an allowed size; nothing waits for others or fills memory for them."""

from __future__ import annotations

import os
import resource
import socket
import threading
from pathlib import Path

import pytest

from emulator.core.errors import RecordError, UnreadableError
from emulator.core.outside import reading
from emulator.core.outside.reading import FileKind, is_inside, named_by, only_inside, read_whole

SMALL = FileKind("a small file", 1000)


def refused(path: Path | str) -> str:
    with pytest.raises(UnreadableError) as error:
        read_whole(path, SMALL)
    assert error.value.path == str(path)
    assert error.value.exit_status == 3
    return error.value.why


def test_an_ordinary_file_is_read_also_behind_a_link(tmp_path: Path) -> None:
    file, link = tmp_path / "file", tmp_path / "link"
    file.write_bytes(b"a" * 1000)
    link.symlink_to(file)
    assert read_whole(file, SMALL) == read_whole(link, SMALL) == b"a" * 1000


@pytest.mark.timeout(20)
def test_nothing_is_waited_for(tmp_path: Path) -> None:
    pipe, link = tmp_path / "pipe", tmp_path / "zero"
    os.mkfifo(pipe)
    link.symlink_to("/dev/zero")
    with socket.socket(socket.AF_UNIX) as listening:
        listening.bind(str(tmp_path / "socket"))
        assert "this is a pipe, and only ordinary files are read" in refused(pipe)
        assert "this is a device" in refused(link)
        assert "this is a device" in refused("/dev/null")
        assert "this is a socket" in refused(tmp_path / "socket")
    assert "this is a folder; name a small file" in refused(tmp_path)


def test_a_pipe_that_takes_the_place_of_a_file_is_not_waited_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "file"
    file.write_bytes(b"a")
    looked_at = reading._only_ordinary

    def looked_at_and_swapped(*args: object) -> None:
        looked_at(*args)  # type: ignore[arg-type]
        if not file.is_fifo():
            file.unlink()
            os.mkfifo(file)

    monkeypatch.setattr(reading, "_only_ordinary", looked_at_and_swapped)
    assert "this is a pipe" in refused(file)


def test_what_is_too_large_is_not_read(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_bytes(b"a" * 1001)
    assert "expected a small file of at most 1000 bytes, it has 1001 bytes" in refused(file)
    with file.open("wb") as sparse:
        sparse.truncate(1 << 40)
    assert "it has 1024 GiB" in refused(file)


def test_a_file_that_grows_meanwhile_or_lies_about_its_size_is_not_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "it has more" in refused("/proc/self/smaps")  # says it has no bytes
    file = tmp_path / "file"
    file.write_bytes(b"a" * 999)
    read, more = os.read, threading.Event()

    def read_while_growing(handle: int, count: int) -> bytes:
        with file.open("ab") as growing:
            growing.write(b"b" * 500)
        more.set()
        return read(handle, min(count, 100))

    monkeypatch.setattr(reading.os, "read", read_while_growing)
    assert "it has more" in refused(file)
    assert more.is_set()


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("nowhere", "no such file; check the spelling"),
        ("file/nowhere", "a part of its path is no folder"),
        ("circle", "a link that leads to itself"),
        ("a" * 300, "its name is too long"),
        ("a\0b", "can't be read: embedded null byte"),
    ],
)
def test_what_can_not_be_opened_is_told(name: str, expected: str, tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "circle").symlink_to(tmp_path / "circle")
    assert expected in refused(tmp_path / name)


def test_too_many_open_files_are_told_with_what_to_do(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_bytes(b"a")
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    lowest = os.dup(0)
    os.close(lowest)
    resource.setrlimit(resource.RLIMIT_NOFILE, (lowest, before[1]))
    try:
        why = refused(file)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
    assert f"this process may have {lowest} files open (ulimit -n); raise it: ulimit -n 1024" in why


def test_a_closed_folder_names_nothing_outside(tmp_path: Path) -> None:
    closed, outside = tmp_path / "closed", tmp_path / "outside"
    closed.mkdir()
    outside.write_text("")
    link = closed / "link"
    link.symlink_to(outside)
    inside, other = str(closed / "a"), str(closed / "b")
    assert named_by(inside, str(outside)) == str(outside)  # closed by nobody
    with only_inside(closed, {"/from/root": other}):
        assert named_by(inside, other) == other
        assert named_by(inside, "/from/root") == other
        assert named_by(str(outside), "/from/root") == "/from/root"  # the user's own file
        for named in (str(outside), str(link), str(closed / ".." / "outside"), str(tmp_path)):
            with pytest.raises(RecordError, match="which is not in the run folder"):
                named_by(inside, named)
    assert named_by(inside, str(outside)) == str(outside)


def test_inside_is_told_by_where_a_path_leads(tmp_path: Path) -> None:
    assert is_inside(tmp_path / "a" / "b", tmp_path)
    assert is_inside(tmp_path, tmp_path)
    assert not is_inside(tmp_path / ".." / "a", tmp_path)
    assert not is_inside(str(tmp_path) + "-beside", tmp_path)
    assert not is_inside("a\0b", tmp_path)
