"""Long columns kept on the disk are the same, take memory while looked at, and leave nothing behind."""

from __future__ import annotations

import resource
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from emulator.core.errors import StartFailed
from emulator.track import on_disk
from emulator.track.on_disk import LONG, Columns, Shelf, let_go

LONG_ROWS = 4 * LONG // 8


def draws(rows: int, seed: int = 1) -> np.ndarray:
    values = np.random.default_rng(seed).normal(size=rows)
    values[:: max(rows // 7, 1)] = np.nan
    return values


def memory_bytes() -> int:
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmRSS:")[2].split()[0]) * 1024


@pytest.mark.parametrize("rows", [0, 1, LONG // 8 - 1, LONG // 8, LONG_ROWS + 3])
def test_a_column_comes_back_to_the_bit(rows: int, tmp_path: Path) -> None:
    values = draws(rows)
    kept = Shelf(tmp_path).kept(values)
    assert kept.tobytes() == values.tobytes()
    assert (kept is values) == (rows < LONG // 8)
    let_go(kept)
    assert kept.tobytes() == values.tobytes()
    assert not list(tmp_path.iterdir())


def test_what_is_on_the_disk_is_read_only_and_not_put_there_again(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path)
    kept = shelf.kept(draws(LONG_ROWS))
    assert shelf.kept(kept) is kept
    assert shelf.kept(kept[5:]).base is not None
    with pytest.raises(ValueError, match="read-only"):
        kept[0] = 1.0
    ticks = shelf.kept(np.arange(LONG_ROWS))
    assert ticks.dtype == np.int64
    assert ticks[-1] == LONG_ROWS - 1


@pytest.mark.parametrize(
    "sizes", [[], [3, 4], [LONG // 8 - 1, 1], [LONG // 8, 0, 5], [10, LONG_ROWS, 10, LONG_ROWS, 1]]
)
def test_a_column_that_grows_is_its_parts_one_after_the_other(sizes: list[int], tmp_path: Path) -> None:
    column, parts = Shelf(tmp_path).growing(), [draws(n, n) for n in sizes]
    for part in parts:
        column.append(part)
    assert column.whole().tobytes() == b"".join(part.tobytes() for part in parts)


def test_of_many_columns_one_at_a_time_takes_memory(tmp_path: Path) -> None:
    """Twenty of 16 MB, each looked at whole: two of them at most are there at once."""
    columns, rows = Columns(Shelf(tmp_path)), 2 << 20
    for k in range(20):
        columns[f"c{k}"] = np.full(rows, float(k))
    before, most = memory_bytes(), 0
    for k in range(20):
        assert float(columns[f"c{k}"].sum()) == k * rows
        most = max(most, memory_bytes() - before)
    assert most < 2.5 * 8 * rows


def test_columns_may_be_one_array_and_come_in_an_order(tmp_path: Path) -> None:
    columns = Columns(Shelf(tmp_path))
    columns["b"] = draws(LONG_ROWS)
    columns["a"] = columns["b"]
    columns["short"] = np.arange(3.0)
    assert columns["a"] is columns["b"]
    assert list(columns.in_order(("a", "none", "b"))) == ["a", "b"]
    assert columns.get("none") is None
    del columns["b"]
    assert "b" not in columns
    assert np.isfinite(columns["a"]).any()


@pytest.fixture
def full_disk() -> Iterator[None]:
    """No file may be longer than 64 kB, which the system tells as a full disk is told: by a refused write."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 16, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.usefixtures("full_disk")
def test_a_disk_that_refuses_is_told_in_words(tmp_path: Path) -> None:
    shelf = Shelf(tmp_path / "runs" / "record")
    with pytest.raises(StartFailed, match="can't be kept in") as refused:
        shelf.kept(draws(LONG_ROWS))
    assert str(tmp_path) in str(refused.value)
    assert "free space" in refused.value.advice
    column = shelf.growing()
    with pytest.raises(StartFailed, match="File too large"):
        column.append(draws(LONG_ROWS))
    assert not list(tmp_path.iterdir())


def test_a_folder_that_takes_no_file_is_told_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(**_: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(on_disk.tempfile, "TemporaryFile", refused)
    with pytest.raises(StartFailed, match="Permission denied"):
        Shelf(tmp_path).kept(draws(LONG_ROWS))
