"""The writer: same bytes however it is fed, no silent loss, nothing half-started."""

from __future__ import annotations

import json
import os
import resource
import shutil
import signal
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.core.errors import InternalError, RunFailed, StartFailed
from emulator.core.signals import SIGNALS
from emulator.record.frame_columns import RX, TX
from emulator.record.inputs import read_inputs
from emulator.record.reader import read_run
from emulator.record.writer import (
    BLOCK_TICKS,
    FRAMES_FILE,
    LONG_BLOCK_TICKS,
    RunWriter,
    in_place_of,
    jsonable,
    write_json,
    write_together,
    write_whole,
)

N = len(SIGNALS)


def samples(first: int, n: int, seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    ticks = np.arange(first, first + n)
    rows = np.random.default_rng(seed).normal(size=(n, N))
    rows[n // 3, 5] = np.nan
    return ticks, rows


def frames(ticks: np.ndarray) -> dict[str, np.ndarray]:
    n = len(ticks)
    data = np.arange(n * 8, dtype=np.uint64).astype(np.uint8).reshape(n, 8)
    return {
        "tick": ticks,
        "time_ns": ticks * 1_000_000,
        "valid_ns": ticks * 1_000_000 - 250_000,
        "direction": np.where(ticks % 2, TX, RX),
        "can_id": 0x100 + ticks % 3,
        "length": np.full(n, 8),
        "data": data,
    }


def test_what_is_written_is_read(tmp_path: Path) -> None:
    ticks, rows = samples(-300, 1000)
    sent = frames(ticks)
    with RunWriter(tmp_path / "new" / "run", {"scenario": "wet hairpin", "seed": np.int64(4)}) as writer:
        writer.append_signals(ticks, rows)
        writer.append_frames(**sent)
        writer.append_event(120, "fault_on", "wheel dropout", "front wheel speed is lost, 5°")
        writer.append_gnss(100, b"$GPGGA,1*00\r\n")
        writer.append_gnss(200, b"$GPGGA,2*00\r\n")
    run = read_run(tmp_path / "new" / "run")
    assert not run.truncated
    assert run.manifest == {"scenario": "wet hairpin", "seed": 4}
    np.testing.assert_array_equal(run.tick, ticks)
    np.testing.assert_array_equal(run.time_ns, ticks * 1_000_000)
    assert list(run.signals) == [s.name for s in SIGNALS]
    np.testing.assert_array_equal(np.column_stack(list(run.signals.values())), rows)
    for name, expected in sent.items():
        if name != "data":
            np.testing.assert_array_equal(getattr(run.frames, name), expected)
    np.testing.assert_array_equal(run.frames.data[:, :8], sent["data"])
    assert not run.frames.data[:, 8:].any()
    assert run.events == [(120, 0.12, "fault_on", "wheel dropout", "front wheel speed is lost, 5°")]
    assert run.gnss == b"$GPGGA,1*00\r\n$GPGGA,2*00\r\n"
    assert run.certificate is None
    assert run.verdict is None


@settings(max_examples=25)
@given(cuts=st.lists(st.integers(0, 900), max_size=12), flush=st.booleans(), packed=st.booleans())
def test_bytes_do_not_depend_on_how_calls_are_chopped(
    tmp_path_factory: pytest.TempPathFactory, cuts: list[int], flush: bool, packed: bool
) -> None:
    folder = tmp_path_factory.mktemp("chopped")
    ticks, rows = samples(-130, 900)
    sent = frames(ticks)
    with RunWriter(folder / "whole", {}, packed=packed) as writer:
        writer.append_signals(ticks, rows)
        writer.append_frames(**sent)
    edges = sorted({0, *cuts, 900})
    with RunWriter(folder / "pieces", {}, packed=packed) as writer:
        for first, end in pairwise(edges):
            writer.append_signals(ticks[first:end], rows[first:end])
            writer.append_frames(**{k: v[first:end] for k, v in sent.items()})
            if flush:
                writer.flush()
    for name in ("signals.arrow", "frames.arrow"):
        assert (folder / "whole" / name).read_bytes() == (folder / "pieces" / name).read_bytes()


@pytest.mark.parametrize("block", [BLOCK_TICKS, LONG_BLOCK_TICKS])
def test_batches_are_cut_at_block_borders_also_across_a_gap(tmp_path: Path, block: int) -> None:
    after = 2 * block + 200  # the gap swallows the border between the second and the third block
    ticks = np.concatenate([np.arange(-10, block + 50), np.arange(after, 3 * block + 10)])
    rows = np.arange(len(ticks) * N, dtype=np.float64).reshape(-1, N)  # each value another
    with RunWriter(tmp_path / "run", {}, block_ticks=block) as writer:
        writer.append_signals(ticks, rows)
    with pa.ipc.open_stream((tmp_path / "run" / "signals.arrow").read_bytes()) as stream:
        firsts = [batch["tick"][0].as_py() for batch in stream if batch.num_rows]
    assert firsts == [-10, 0, block, after, 3 * block]
    run = read_run(tmp_path / "run")
    assert np.array_equal(np.column_stack([run.signals[s.name] for s in SIGNALS]), rows)


def test_finished_blocks_are_on_disk_before_close(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", {})
    ticks, rows = samples(0, 3 * BLOCK_TICKS + 40)
    writer.append_signals(ticks, rows)
    writer.append_frames(**frames(ticks[:40]))
    writer.flush()  # the frames' block is long over by the signals' ticks
    run = read_run(tmp_path / "run")
    assert run.truncated
    assert run.tick[-1] == 3 * BLOCK_TICKS - 1
    assert len(run.frames.tick) == 40
    writer.flush_now()
    assert read_run(tmp_path / "run").tick[-1] == ticks[-1]
    writer.close()
    writer.close()
    assert not read_run(tmp_path / "run").truncated


def test_a_full_block_needs_no_flush(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", {})
    writer.append_signals(*samples(0, BLOCK_TICKS))
    assert read_run(tmp_path / "run").tick[-1] == BLOCK_TICKS - 1
    writer.close()


def test_a_late_frame_stays_in_order_of_arrival(tmp_path: Path) -> None:
    ticks = np.array([10, 260, 255, 249, 261, 600])
    with RunWriter(tmp_path / "run", {}) as writer:
        writer.append_frames(**frames(ticks))
    np.testing.assert_array_equal(read_run(tmp_path / "run").frames.tick, ticks)


@pytest.mark.parametrize("width", [8, 64])
def test_frames_and_inputs_are_the_same_however_wide_their_column_is(tmp_path: Path, width: int) -> None:
    """A bus without CAN FD needs eight bytes a frame; a reader finds the same 64 either way."""
    length = np.arange(9)
    data = np.random.default_rng(3).integers(1, 256, (9, width), np.uint8)
    sent = frames(length) | {"length": length, "data": data}
    with RunWriter(tmp_path / "run", {}, payload_bytes=width) as writer:
        writer.append_frames(**sent)
        writer.append_frame_inputs(length, length, length, data)
        writer.append_input_mark(9)
    expected = np.zeros((9, 64), np.uint8)
    expected[:, :8] = np.where(np.arange(8) < length[:, None], data[:, :8], 0)
    for found in (read_run(tmp_path / "run").frames.data, read_inputs(tmp_path / "run").data):
        np.testing.assert_array_equal(found, expected)
    with pa.ipc.open_stream(tmp_path / "run" / FRAMES_FILE) as stream:
        assert stream.schema.field("data").type == pa.binary(width)


def test_a_longer_frame_than_a_record_has_room_for_is_refused(tmp_path: Path) -> None:
    ticks, wide = np.arange(2), np.ones((2, 64), np.uint8)
    with RunWriter(tmp_path / "run", {}, payload_bytes=8) as writer:
        with pytest.raises(InternalError, match="a frame of 9 bytes in a record of at most 8"):
            writer.append_frames(**frames(ticks) | {"data": wide, "length": np.array([8, 9])})
        writer.append_frames(**frames(ticks) | {"data": wide})
    assert read_run(tmp_path / "run").frames.data.sum() == 16


def test_bytes_past_the_length_are_zero(tmp_path: Path) -> None:
    one = {k: v[:1] for k, v in frames(np.arange(1)).items()}
    one["length"] = np.array([3])
    one["data"] = np.full((1, 64), 255, np.uint8)
    with RunWriter(tmp_path / "run", {}) as writer:
        writer.append_frames(**one)
    data = read_run(tmp_path / "run").frames.data[0]
    assert data[:3].tolist() == [255, 255, 255]
    assert not data[3:].any()


CHILD = """
import sys, time, numpy as np
from emulator.record.writer import RunWriter
from emulator.core.signals import SIGNALS
writer = RunWriter(sys.argv[1], {"demo": 1})
for k in range(0, 2_000_000, 100):
    writer.append_signals(np.arange(k, k + 100), np.full((100, len(SIGNALS)), float(k)))
    writer.append_event(k, "mark", "m", "t")
    writer.flush()
    print(k + 100, flush=True)
"""


def test_kill_9_loses_less_than_a_second(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(tmp_path / "run")], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        told = 0
        while told < 20_000:
            told = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        told = max(
            [
                told,
                *(int(line) for line in child.stdout.read().splitlines(keepends=True) if line[-1:] == "\n"),
            ]
        )
    run = read_run(tmp_path / "run")
    assert run.truncated
    assert told - 1000 < run.tick[-1] + 1 <= told + 100
    np.testing.assert_array_equal(run.signals["truth.x_m"], run.tick // 100 * 100)
    assert run.events[-1].tick >= told - 100


def test_full_disk_is_told_once_and_what_was_written_stays(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", {})
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    ticks, rows = samples(0, 20_000)

    def ride() -> None:
        for k in range(0, 20_000, 100):
            writer.append_signals(ticks[k : k + 100], rows[k : k + 100])

    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000_000, hard))  # the kernel writes short, then refuses
    try:
        with pytest.raises(RunFailed, match=r"record stopped near tick .*signals\.arrow") as first:
            ride()
        with pytest.raises(RunFailed) as again:
            writer.append_event(1, "mark", "", "")
        assert again.value is first.value
        writer.close()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    run = read_run(tmp_path / "run")
    assert len(run.tick) > 1000
    assert run.losses[0].endswith("is there")  # no torn batch left behind
    np.testing.assert_array_equal(run.signals["truth.y_m"], rows[: len(run.tick), 1])


def test_removed_folder_is_noticed(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", {})
    writer.append_signals(*samples(0, 10))
    shutil.rmtree(tmp_path / "run")
    with pytest.raises(RunFailed, match="removed"):
        writer.flush()
    writer.close()


def test_removed_folder_is_noticed_at_the_latest_on_close(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", {})
    shutil.rmtree(tmp_path / "run")
    with pytest.raises(RunFailed, match="removed"):
        writer.close()
    writer.close()


def test_folder_in_use_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(StartFailed, match="already holds files"):
        RunWriter(tmp_path, {})
    assert [p.name for p in tmp_path.iterdir()] == ["notes.txt"]
    RunWriter(tmp_path / "run", {}).close()
    with pytest.raises(StartFailed, match="already holds files"):
        RunWriter(tmp_path / "run", {})
    with pytest.raises(StartFailed, match="can't be created"):
        RunWriter(tmp_path / "notes.txt", {})


def test_failed_start_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(StartFailed, match="No space left"):
        RunWriter(tmp_path / "run", {})
    assert not (tmp_path / "run").exists()


def test_manifest_that_is_no_json_is_refused_before_anything_exists(tmp_path: Path) -> None:
    with pytest.raises(InternalError, match="complex"):
        RunWriter(tmp_path / "run", {"x": {"y": [1j]}})
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("ticks", "shape"), [([0, 1], (2, N - 1)), ([0, 1], (3, N)), ([1, 1], (2, N)), ([4, 3], (2, N))]
)
def test_wrong_samples_are_refused(tmp_path: Path, ticks: list[int], shape: tuple[int, int]) -> None:
    with RunWriter(tmp_path / "run", {}) as writer, pytest.raises(InternalError):
        writer.append_signals(ticks, np.zeros(shape))


def test_ticks_rise_over_calls(tmp_path: Path) -> None:
    with RunWriter(tmp_path / "run", {}) as writer:
        writer.append_signals(*samples(0, 10))
        with pytest.raises(InternalError, match="after 9"):
            writer.append_signals(*samples(9, 10))


@pytest.mark.parametrize(
    "change",
    [
        {"direction": np.array([2])},
        {"length": np.array([65])},
        {"length": np.array([-1])},
        {"data": np.zeros((1, 65), np.uint8)},
        {"data": np.zeros((2, 8), np.uint8)},
        {"can_id": np.array([1, 2])},
    ],
)
def test_wrong_frames_are_refused(tmp_path: Path, change: dict[str, np.ndarray]) -> None:
    one = {k: v[:1] for k, v in frames(np.arange(1)).items()} | change
    with RunWriter(tmp_path / "run", {}) as writer, pytest.raises(InternalError):
        writer.append_frames(**one)


def test_closed_writer_takes_nothing(tmp_path: Path) -> None:
    writer = RunWriter(tmp_path / "run", {})
    writer.close()
    with pytest.raises(InternalError, match="closed"):
        writer.append_event(0, "", "", "")


def test_json_is_strict(tmp_path: Path) -> None:
    write_json(
        tmp_path / "a.json", {"a": float("nan"), "b": np.array([1.0, np.inf]), "c": Path("x"), "d": {2, 1}}
    )
    assert json.loads((tmp_path / "a.json").read_text()) == {
        "a": None,
        "b": [1.0, None],
        "c": "x",
        "d": [1, 2],
    }
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"]
    with pytest.raises(RunFailed, match="can't be written"):
        write_json(tmp_path / "absent" / "a.json", {})
    assert jsonable(True) is True


def test_a_file_that_is_broken_off_leaves_nothing_beside_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "verdict.json"
    write_whole(path, "before")

    def broken_off() -> None:
        with in_place_of(path) as partial:
            partial.write_text("half", encoding="utf-8")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        broken_off()
    assert [p.name for p in tmp_path.iterdir()] == ["verdict.json"]
    assert path.read_text(encoding="utf-8") == "before"


def test_files_that_belong_together_are_all_there_or_none(tmp_path: Path) -> None:
    line, page = tmp_path / "line.yaml", tmp_path / "page.html"
    write_together({line: "one", page: "two"})
    assert (line.read_text(encoding="utf-8"), page.read_text(encoding="utf-8")) == ("one", "two")
    with pytest.raises(RunFailed, match="gone"):
        write_together({line: "new", tmp_path / "gone" / "page.html": "new"})
    assert line.read_text(encoding="utf-8") == "one"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["line.yaml", "page.html"]
