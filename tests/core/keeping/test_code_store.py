"""The folder of machine code: nobody else's, whole entries, bounded."""

from __future__ import annotations

import os
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from emulator.core.errors import StartFailed
from emulator.core.keeping import code_store
from emulator.core.keeping.code_store import cache_folder, cache_folders, load, names, safe_folder, save


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The cache folder, not there yet."""
    path = tmp_path / "parent" / "cache"
    monkeypatch.setenv("EMULATOR_CACHE", str(path))
    return path


def test_it_lies_in_the_users_cache_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.delenv("EMULATOR_CACHE", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert cache_folder() == tmp_path / "emulator-compiled"
    monkeypatch.setenv("XDG_CACHE_HOME", "")
    assert cache_folder() == Path.home() / ".cache" / "emulator-compiled"


def test_what_is_kept_is_for_the_owner_alone(folder: Path) -> None:
    previous = os.umask(0)
    try:
        save("one", b"code")
    finally:
        os.umask(previous)
    assert load("one") == b"code"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(path.stat().st_mode) for path in folder.iterdir()} == {0o600}
    assert load("another") is None
    assert names("o") == ["one"]
    assert names("x") == []


@pytest.mark.parametrize("mode", [0o770, 0o702, 0o777])
def test_a_folder_that_others_may_write_to_is_refused(folder: Path, mode: int) -> None:
    save("one", b"code")
    folder.chmod(mode)
    for use in (lambda: load("one"), lambda: save("two", b""), lambda: names(""), safe_folder):
        with pytest.raises(StartFailed, match=r"others may write to .*\n.*chmod 700"):
            use()
    folder.chmod(0o755)  # reading harms nobody
    assert load("one") == b"code"


def give_away(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the folder somebody else's who is not root."""
    if os.geteuid() == 0:
        os.chown(folder, 4711, -1)
    else:
        monkeypatch.setattr(os, "geteuid", lambda: folder.stat().st_uid + 1)


def test_a_folder_of_somebody_else_is_refused(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    save("one", b"code")
    give_away(folder, monkeypatch)
    with pytest.raises(StartFailed, match=r"belongs to user .*\n.*EMULATOR_CACHE"):
        load("one")


def test_a_folder_of_root_serves_everybody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("EMULATOR_CACHE", "/usr")
    monkeypatch.setattr(os, "geteuid", lambda: 4711)
    assert safe_folder() == Path("/usr")
    assert load("one") is None


def test_behind_the_folder_that_is_written_to_others_are_read(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    brought, gone = tmp_path / "brought", tmp_path / "gone"
    monkeypatch.setenv("EMULATOR_CACHE", str(brought))
    save("one", b"brought along")
    save("two", b"brought along")
    before = {path: path.read_bytes() for path in brought.iterdir()}
    monkeypatch.setenv("EMULATOR_CACHE", f"{folder}:{gone}:{brought}")
    assert cache_folders() == [folder, gone, brought]
    assert cache_folder() == safe_folder() == folder
    save("two", b"own")
    save("three", b"own")
    assert [load(name) for name in ("one", "two", "three")] == [b"brought along", b"own", b"own"]
    assert names("t") == ["three", "two"]
    assert {path: path.read_bytes() for path in brought.iterdir()} == before
    assert not gone.exists()
    (folder / "two.zcode").write_bytes(b"damaged")
    assert load("two") == b"brought along"


def test_a_folder_behind_it_that_others_may_write_to_is_refused(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    brought = tmp_path / "brought"
    brought.mkdir()
    monkeypatch.setenv("EMULATOR_CACHE", f"{folder}:{brought}")
    brought.chmod(0o777)
    with pytest.raises(StartFailed, match="others may write"):
        load("one")
    brought.chmod(0o755)
    assert load("one") is None
    give_away(brought, monkeypatch)
    with pytest.raises(StartFailed, match="belongs to user"):
        names("")


def test_where_there_can_be_no_folder_it_is_said(folder: Path) -> None:
    folder.parent.mkdir()
    folder.write_text("a file")
    with pytest.raises(StartFailed, match="no folder"):
        load("one")


@pytest.mark.parametrize(
    "damage", [lambda b: b[:-1], lambda b: b[:20], lambda b: b"", lambda b: b[:-1] + b"x"]
)
def test_a_damaged_entry_counts_as_none(folder: Path, damage: object) -> None:
    save("one", b"machine code")
    (path,) = folder.iterdir()
    path.write_bytes(damage(path.read_bytes()))  # type: ignore[operator]
    assert load("one") is None
    save("one", b"machine code")
    assert load("one") == b"machine code"


def test_an_entry_under_another_name_counts_as_none(folder: Path) -> None:
    save("one", b"machine code")
    (path,) = folder.iterdir()
    path.rename(folder / path.name.replace("one", "two"))
    assert load("two") is None


def test_what_was_not_used_for_longest_goes(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(code_store, "MOST_BYTES", 5000)
    for k in range(4):
        save(f"entry{k}", os.urandom(1000))
        os.utime(folder / f"entry{k}.zcode", (1e9 + k, 1e9 + k))
    assert load("entry0") is not None  # used now
    save("entry4", os.urandom(1000))  # 5215 bytes: down to 3750
    assert names("") == ["entry0", "entry3", "entry4"]


@pytest.mark.parametrize(("kind", "former"), [(code_store.CODE, ".code"), (code_store.RESULT, ".read")])
def test_what_a_version_before_kept_goes_by_its_age_and_is_not_read(
    folder: Path, kind: str, former: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(code_store, "MOST_BYTES", 5000)
    monkeypatch.setattr(code_store, "MOST_RESULT_BYTES", 5000)
    safe_folder()
    for k in range(4):
        (folder / f"old{k}{former}").write_bytes(bytes(1000))
        os.utime(folder / f"old{k}{former}", (1e9 + k, 1e9 + k))
    assert load("old0", kind) is None
    save("new", os.urandom(1100), kind)
    assert sorted(path.name for path in folder.iterdir()) == [f"new{kind}", f"old2{former}", f"old3{former}"]


def test_a_process_looks_what_may_go_once_and_again_when_it_wrote_a_part_of_the_bound(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each look is a walk through the folder: with seven thousand entries it took 78 ms of a core."""
    monkeypatch.setattr(code_store, "MOST_RESULT_BYTES", 16_000)
    looks = []
    scandir = os.scandir
    monkeypatch.setattr(os, "scandir", lambda place: looks.append(place) or scandir(place))  # type: ignore[func-returns-value]
    for k in range(64):
        save(f"entry{k}", bytes(100), code_store.RESULT)
    assert len(looks) == 7  # the first, and after each thousand bytes
    save("code", bytes(100))
    assert len(looks) == 8


def test_code_is_packed_and_what_was_worked_out_is_not(folder: Path) -> None:
    save("one", bytes(100_000))
    save("two", bytes(100_000), code_store.RESULT)
    sizes = {path.name: path.stat().st_size for path in folder.iterdir()}
    assert sizes["one.zcode"] < 1_000
    assert sizes["two.result"] > 100_000
    assert load("one") == load("two", code_store.RESULT) == bytes(100_000)


def test_what_was_left_unfinished_goes_when_it_is_old(folder: Path) -> None:
    safe_folder()
    old, new = folder / "a.unfinished", folder / "b.unfinished"
    for path in (old, new, folder / "notes.txt"):
        path.write_bytes(b"")
    for path in (old, folder / "notes.txt"):
        os.utime(path, (1e9, 1e9))
    save("one", b"code")
    assert sorted(p.name for p in folder.iterdir()) == ["b.unfinished", "notes.txt", "one.zcode"]


def test_many_at_once_see_whole_entries(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(code_store, "MOST_BYTES", 300_000)
    content = {f"e{k}": os.urandom(20_000) for k in range(20)}

    def use(k: int) -> bool:
        name = f"e{k % 20}"
        save(name, content[name])
        return load(name) in (content[name], None)

    with ThreadPoolExecutor(8) as pool:
        assert all(pool.map(use, range(400)))
    assert not [path for path in folder.iterdir() if path.suffix == ".unfinished"]


def test_a_disk_that_takes_nothing_costs_only_the_entry(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", full)
        save("one", b"code")
    assert list(folder.iterdir()) == []
    with monkeypatch.context() as patch:
        patch.setattr("tempfile.mkstemp", full)
        save("one", b"code")
    assert load("one") is None


def test_a_home_that_is_not_there_is_told_with_what_would_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("EMULATOR_CACHE", raising=False)
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setenv("HOME", "/proc/nowhere")
    with pytest.raises(StartFailed) as caught:
        code_store.safe_folder()
    place = "/proc/nowhere/.cache/emulator-compiled"
    assert (
        caught.value.what
        == f"no place to keep compiled code: {place} can't be made: No such file or directory"
    )
    assert caught.value.advice == "name a folder that you may write to in EMULATOR_CACHE"


def test_a_user_by_number_alone_is_told_that_there_is_no_home(monkeypatch: pytest.MonkeyPatch) -> None:
    """As a container has it that is run as somebody without an entry among the users."""

    def unknown() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.delenv("EMULATOR_CACHE", raising=False)
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(code_store.Path, "home", unknown)
    with pytest.raises(StartFailed, match=rf"user {os.geteuid()} has no home folder\n"):
        code_store.safe_folder()
