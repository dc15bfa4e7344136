"""A stream's word about itself is not taken: what is not there is refused before memory is taken for it."""

from __future__ import annotations

import gc
import struct
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.errors import RecordError
from emulator.core.signals import SIGNALS
from emulator.record.arrow_stream import FRAMES_GROWTH, SIGNALS_GROWTH, read_table
from emulator.record.writer import (
    BLOCK_TICKS,
    FRAMES_FILE,
    INPUT_SCHEMA,
    INPUTS_FILE,
    LONG_BLOCK_TICKS,
    SIGNALS_FILE,
    RunWriter,
)

PATH = Path("made.arrow")


def stream(*batches: pa.RecordBatch, compression: str | None = "lz4") -> bytes:
    sink = pa.BufferOutputStream()
    options = pa.ipc.IpcWriteOptions(compression=compression)
    with pa.ipc.new_stream(sink, batches[0].schema, options=options) as writer:
        for batch in batches:
            writer.write_batch(batch)
    return sink.getvalue().to_pybytes()


def ticks(*values: int) -> pa.RecordBatch:
    return pa.record_batch([pa.array(values, pa.int64())], names=["tick"])


def refused(content: bytes, growth: int = FRAMES_GROWTH) -> str:
    # What tests before this one left to be collected is not this one's: its going would hide what stays here.
    gc.disable()
    try:
        before = pa.total_allocated_bytes()
        tracemalloc.start()
        with pytest.raises(RecordError) as error:
            read_table(PATH, content, growth)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert pa.total_allocated_bytes() == before
    finally:
        gc.enable()
    assert most < 20 << 20
    return str(error.value)


def test_what_was_written_is_read() -> None:
    for compression in ("lz4", "zstd", None):
        table, complete, ended = read_table(
            PATH, content := stream(ticks(1, 2), ticks(3), compression=compression), FRAMES_GROWTH
        )
        assert table is not None
        assert table["tick"].to_pylist() == [1, 2, 3]
        assert (complete, ended) == (len(content) - 8, True)


@pytest.mark.parametrize(
    ("made", "expected"),
    [
        (lambda: pa.nulls(2_000_000_000), "expected numbers in column 'tick', found null"),
        (lambda: pa.array(["a"]).dictionary_encode(), "found dictionary"),
        (lambda: pa.array([[1]]), "found list"),
        (lambda: pa.array(["a"]), "found string"),
        (lambda: pa.array([True]), "found bool"),
        (lambda: pa.RunEndEncodedArray.from_arrays([2_000_000_000], [1]), "found run_end_encoded"),
        (lambda: pa.array([1, None], pa.int64()), "values missing"),
    ],
    ids=["null", "dictionary", "list", "string", "bool", "run ends", "missing"],
)
def test_only_whole_columns_of_fixed_width_are_taken(made: Callable[[], pa.Array], expected: str) -> None:
    assert expected in refused(stream(pa.record_batch([made()], names=["tick"]), compression=None))


def test_columns_of_one_name_and_no_columns_are_refused() -> None:
    twice = pa.record_batch([pa.array([1]), pa.array([2])], names=["a", "a"])
    assert "a column stands there twice" in refused(stream(twice))
    assert "expected 1 to 1000 columns, found 0" in refused(stream(pa.record_batch([], names=[])))
    many = pa.record_batch([pa.array([1])] * 1001, names=[str(i) for i in range(1001)])
    assert "found 1001" in refused(stream(many))


def test_another_packing_than_ours_is_refused() -> None:
    content = stream(ticks(*range(100)), compression="zstd")
    said = set()
    for at in (i for i, byte in enumerate(content[: content.index(struct.pack("<q", 800))]) if byte == 1):
        try:
            read_table(PATH, content[:at] + b"\2" + content[at + 1 :], FRAMES_GROWTH)
        except RecordError as error:
            said.add(str(error).splitlines()[0].rpartition("(")[2])
    assert "packed by other means than LZ4 and Zstandard)" in said


@pytest.mark.parametrize("says", [800 * 300, 1 << 40, 799, 864 + 1, -2])
@pytest.mark.parametrize("compression", ["lz4", "zstd"])
def test_a_buffer_that_says_another_size_than_its_rows_take_is_refused(says: int, compression: str) -> None:
    content = stream(ticks(*([7] * 100)), compression=compression)
    at = content.index(struct.pack("<q", 800))
    damaged = content[:at] + struct.pack("<q", says) + content[at + 8 :]
    assert "a damaged batch" in refused(damaged)


@pytest.mark.parametrize("rows", [101, 1 << 40, -1, 90])
def test_a_batch_that_says_it_has_other_rows_is_refused(rows: int) -> None:
    content = stream(ticks(*([7] * 100)))
    told = struct.pack("<q", 100)
    places = [i for i in range(len(content)) if content.startswith(told, i)]
    assert len(places) == 2  # of the batch, and of its one column
    for chosen in ([places[0]], [places[1]], places):
        damaged = bytearray(content)
        for at in chosen:
            damaged[at : at + 8] = struct.pack("<q", rows)
        assert "a damaged batch" in refused(bytes(damaged))


def test_more_rows_than_a_record_can_hold_are_refused() -> None:
    zeros = pa.record_batch([pa.array(np.zeros(10_000_000))], names=["a"])
    content = stream(*[zeros] * 6)
    assert len(content) < 2_100_000
    assert "more rows than the file can hold" in refused(content, SIGNALS_GROWTH)


@pytest.mark.parametrize("block_ticks", [BLOCK_TICKS, LONG_BLOCK_TICKS])
def test_a_record_in_which_nothing_happens_is_read_however_long(tmp_path: Path, block_ticks: int) -> None:
    """What repeats packs best: all signals at rest, and a bus full of one frame."""
    writer = RunWriter(tmp_path / "run", {}, {}, block_ticks=block_ticks)
    n = 20_000
    writer.append_signals(np.arange(n), np.zeros((n, len(SIGNALS))))
    for k in range(0, n, 1000):
        t = np.repeat(np.arange(k, k + 1000), 20)
        data, ones = np.zeros((len(t), 64), np.uint8), np.ones(len(t), np.int64)
        writer.append_frames(t, t * 10**6, t * 10**6, ones, ones, ones, data)
        writer.append_frame_inputs(t, ones, ones, data)
    writer.close()
    for name, growth in (
        (SIGNALS_FILE, SIGNALS_GROWTH),
        (FRAMES_FILE, FRAMES_GROWTH),
        (INPUTS_FILE, FRAMES_GROWTH),
    ):
        content = (tmp_path / "run" / name).read_bytes()
        table = read_table(tmp_path / name, content, growth)[0]
        assert table is not None
        assert table.nbytes < 0.85 * growth * len(content)


@given(st.data())
def test_no_bytes_do_worse_than_a_record_error(data: st.DataObject) -> None:
    rows = [[1, 2, 3], [0, 1, 2], [1, 1, 1], [0.0] * 3, [0, 8, 8], [bytes(64)] * 3, [-1] * 3]
    columns = [pa.array(v, field.type) for v, field in zip(rows, INPUT_SCHEMA, strict=True)]
    content = bytearray(stream(pa.record_batch(columns, schema=INPUT_SCHEMA)))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        new = data.draw(st.binary(min_size=0, max_size=9))
        content[at : at + data.draw(st.sampled_from((0, len(new))))] = new
        if not content:
            break
    try:
        table, complete, _ = read_table(PATH, bytes(content), FRAMES_GROWTH)
    except RecordError:
        return
    assert complete <= len(content)
    assert table is None or table.nbytes < 1 << 20
