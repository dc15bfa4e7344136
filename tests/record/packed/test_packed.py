"""Packed signals: the same bits come back, whatever they were; nothing that a block says is believed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from emulator.core.errors import RecordError
from emulator.core.signals import INDEX, SIGNALS
from emulator.record.packed.packing import MASKED, PackedBlock
from emulator.record.packed.unpacking import unpack
from emulator.record.reader import read_run
from emulator.record.thin import make_thin
from emulator.record.writer import LONG_BLOCK_TICKS, SIGNAL_SCHEMA, SIGNALS_FILE, RunWriter

K = len(SIGNALS)
CONTINUOUS, HELD_ONE = "truth.x_m", "output.lean_rad"


STRAIGHT = np.array([True, True, True, False, False])
"""Of the tick and of two columns of either kind."""


def schema(*names: str) -> pa.Schema:
    return pa.schema([SIGNAL_SCHEMA.field(name) for name in ("tick", "time_ns", *names)])


def packed(ticks: NDArray[np.int64], rows: NDArray[np.float64], *names: str) -> NDArray[np.uint64]:
    block = PackedBlock(schema(*names), len(ticks))
    block.put(0, ticks, rows)
    (words,) = block.columns(len(ticks))
    return words.view(np.uint64)


def bits(ticks: NDArray[np.int64], rows: NDArray[np.float64]) -> NDArray[np.uint64]:
    return np.concatenate([ticks[None].view(np.uint64), np.ascontiguousarray(rows.T).view(np.uint64)])


@st.composite
def columns(draw: st.DrawFn, n: int) -> NDArray[np.uint64]:
    """(n,) bit patterns of the kinds that signals come in, and of none."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    kind = draw(st.sampled_from(["still", "walk", "steps", "any", "sign", "wide"]))
    if kind == "still":
        values = np.full(n, draw(st.floats(width=64)))
    elif kind == "walk":
        values = draw(st.sampled_from([0.0, 30.0, -1e9])) + np.cumsum(rng.normal(size=n)) * 1e-3
    elif kind == "steps":
        values = np.repeat(rng.integers(-3, 4, n), draw(st.integers(1, 90)))[:n] * 0.001
    elif kind == "sign":
        values = rng.normal(size=n) * rng.choice([0.0, -0.0, 1e-300, np.nan, np.inf], n)
    else:
        number = rng.integers(0, 2**64, n, np.uint64)
        return number if kind == "any" else number >> np.uint64(draw(st.integers(0, 63)))
    return values.view(np.uint64)


@settings(max_examples=60, deadline=None)
@given(data=st.data(), n=st.integers(1, 200))
def test_every_bit_comes_back(data: st.DataObject, n: int) -> None:
    names = (CONTINUOUS, "truth.y_m", HELD_ONE, "robot.throttle")
    rows = np.column_stack([data.draw(columns(n)) for _ in names]).view(np.float64)
    ticks = np.cumsum(data.draw(st.lists(st.integers(1, 5000), min_size=n, max_size=n))) - 3000
    found = unpack(packed(ticks, rows, *names), STRAIGHT)
    np.testing.assert_array_equal(found, bits(ticks, rows))


def test_a_block_is_laid_out_as_told() -> None:
    """Three rows by hand: ticks rise by one, a number by one and three units in its last place, one stays."""
    pattern = np.float64(1.0).view(np.uint64) + np.array([0, 1, 4], np.uint64)
    held = np.float64(0.5).view(np.uint64) - np.array([0, 0, 1], np.uint64)
    rows = np.column_stack([pattern, held]).view(np.float64)
    words = packed(np.array([7, 8, 9]), rows, CONTINUOUS, HELD_ONE)
    np.testing.assert_array_equal(words[:6], [3, 3, 3, 7, pattern[0], held[0]])
    # Off by one, then by none; by one, then by two; by none, then by minus one. Folded: 2, -; 2, 4; -, 1.
    assert words[6] == (MASKED | 2) | (MASKED | 3) << 8 | (MASKED | 1) << 16
    np.testing.assert_array_equal(words[7:10], [0b010, 0b110, 0b100])
    np.testing.assert_array_equal(words[10:], [0b10, 0b100_010, 0b1])


def test_what_goes_on_smoothly_takes_less_than_zstandard_needs_and_what_stands_next_to_nothing() -> None:
    n = 4000
    smooth = 30.0 + np.sin(np.arange(n) * 1e-3)
    by_general = len(pa.Codec("zstd", compression_level=1).compress(smooth.tobytes(), asbytes=True))
    still = packed(np.arange(n), np.ones((n, 1)), CONTINUOUS).nbytes
    assert packed(np.arange(n), smooth[:, None], CONTINUOUS).nbytes - still < 0.6 * by_general
    assert still < 0.1 * n  # a byte for each 64 rows of either column, and the beginning


def ridden(folder: Path, rows: NDArray[np.float64], **how: bool) -> Path:
    ticks = np.arange(-500, len(rows) - 500)
    with RunWriter(folder, {}, block_ticks=LONG_BLOCK_TICKS, **how) as writer:
        for first in range(0, len(rows), 1234):
            writer.append_signals(ticks[first : first + 1234], rows[first : first + 1234])
    return folder


@pytest.fixture(scope="module")
def rows() -> NDArray[np.float64]:
    rng = np.random.default_rng(5)
    rows = np.cumsum(rng.normal(size=(9000, K)), axis=0)
    rows[:, INDEX["output.lean_rad"] :] = np.repeat(rng.integers(0, 50, (900, 1)), 10, axis=0) * 0.001
    rows[100:200, INDEX["truth.roll_rad"]] = np.nan
    return rows


def test_a_packed_record_is_read_as_a_plain_one(tmp_path: Path, rows: NDArray[np.float64]) -> None:
    plain, ours = (read_run(ridden(tmp_path / str(how), rows, packed=how)) for how in (False, True))
    assert not ours.truncated
    for name in ("tick", "time_ns"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(ours, name))
        assert getattr(plain, name).dtype == getattr(ours, name).dtype
    assert list(plain.signals) == list(ours.signals)
    for name, column in plain.signals.items():
        assert column.tobytes() == ours.signals[name].tobytes(), name
    sizes = [(tmp_path / str(how) / SIGNALS_FILE).stat().st_size for how in (False, True)]
    assert sizes[1] < sizes[0]


def test_thinned_it_is_as_a_plain_one(tmp_path: Path, rows: NDArray[np.float64]) -> None:
    folders = [ridden(tmp_path / str(how), rows, packed=how) for how in (False, True)]
    for folder in folders:
        make_thin(folder)
    assert (folders[0] / SIGNALS_FILE).read_bytes() == (folders[1] / SIGNALS_FILE).read_bytes()


def test_cut_short_it_is_read_up_to_its_last_whole_block(tmp_path: Path, rows: NDArray[np.float64]) -> None:
    path = ridden(tmp_path / "run", rows, packed=True) / SIGNALS_FILE
    path.write_bytes(path.read_bytes()[:-20])
    run = read_run(path.parent)
    assert run.losses[0].startswith("signals.arrow was not closed: everything up to tick 7999 is there, ")
    assert run.tick[-1] == 7999


def test_a_record_without_a_row_is_read(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}, packed=True):
        pass
    run = read_run(tmp_path / "run")
    assert len(run.tick) == 0
    assert list(run.signals) == [s.name for s in SIGNALS]


# -- what is not believed --------------------------------------------------------------------------------


@settings(max_examples=300, deadline=None)
@given(data=st.data())
def test_no_block_does_worse_than_a_value_error(data: st.DataObject) -> None:
    rng = np.random.default_rng(1)
    rows = np.column_stack([np.cumsum(rng.normal(size=150)), np.repeat(rng.normal(size=15), 10)])
    content = bytearray(packed(np.arange(150), rows, CONTINUOUS, HELD_ONE).tobytes())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, min(200, len(content) - 1)))
        content[at] = data.draw(st.integers(0, 255))
    content = content[: 8 * data.draw(st.sampled_from([0, 3, 20, len(content) // 8]))]
    try:
        found = unpack(np.frombuffer(bytes(content), np.uint64), STRAIGHT[1:4])
    except ValueError:
        return
    assert found.shape[0] == 3
    assert found.shape[1] <= 320  # rows that 16 bytes of heads stand for


@pytest.mark.parametrize(
    ("word", "value", "expected"),
    [
        (0, 0, "another length"),
        (0, 193, "another length"),
        (0, 2, "more rows"),
        (0, 1 << 40, "another length"),
        (1, 2, "another length"),
        (6, 65 | (MASKED | 3) << 8 | (MASKED | 1) << 16, "heads that say what there is not"),
        (6, MASKED | (MASKED | 3) << 8 | (MASKED | 1) << 16, "heads that say what there is not"),
        (6, 2 | (MASKED | 3) << 8 | (MASKED | 1) << 16, "heads that say what there is not"),
        (6, (MASKED | 2) | (MASKED | 3) << 8 | (MASKED | 60) << 16, "differences of another length"),
        (7, 0b11111, "more rows"),
    ],
)
def test_a_block_that_is_none_is_refused(word: int, value: int, expected: str) -> None:
    rows = np.column_stack([[1.0, 1.5, 1.25], [0.5, 0.5, 0.25]])
    words = packed(np.array([7, 8, 9]), rows, CONTINUOUS, HELD_ONE).copy()
    words[word] = value
    with pytest.raises(ValueError, match=expected):
        unpack(words, STRAIGHT[1:4])


@pytest.mark.parametrize(
    "told", [b"", b"{", b"[1]", b'[["a", "b"]]', b'[["tick", "", ""]]', b"[" * 10**5, b"\xff"]
)
def test_columns_that_are_told_wrongly_are_a_record_error(tmp_path: Path, told: bytes) -> None:
    with RunWriter(tmp_path / "run", {}, packed=True):
        pass
    path = tmp_path / "run" / SIGNALS_FILE
    words = pa.schema([pa.field("packed", pa.int64(), nullable=False)], {b"signals": told})
    with pa.OSFile(str(path), "wb") as file, pa.ipc.new_stream(file, words) as stream:
        stream.write_batch(pa.record_batch([pa.array([1], pa.int64())], schema=words))
    with pytest.raises(RecordError, match=r"signals\.arrow: damaged"):
        read_run(path.parent)
