"""The reader: every complete batch of a record cut anywhere, a clear error on anything else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.core.errors import RecordError
from emulator.core.signals import SIGNALS
from emulator.record.reader import read_run
from emulator.record.writer import MAX_NAME, RunWriter, write_json

N = len(SIGNALS)
ROWS = 1100


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("record") / "run"
    ticks = np.arange(ROWS)
    rows = np.random.default_rng(1).normal(size=(ROWS, N)).round(2)
    with RunWriter(folder, {"a": 1}) as writer:
        writer.append_signals(ticks, rows)
        writer.append_frames(
            ticks, ticks * 10**6, ticks, ticks % 2, ticks, np.full(ROWS, 8), np.full((ROWS, 8), 9, np.uint8)
        )
        writer.append_event(5, "state", "running", "away")
        writer.append_event(9, "mark", "a", "b")
    return folder


def batch_ends(path: Path) -> list[tuple[int, int]]:
    """(bytes, rows) after each message, found by pyarrow's own message reader, not by ours."""
    content = path.read_bytes()
    source = pa.BufferReader(content)
    reader = pa.ipc.MessageReader.open_stream(source)
    schema = pa.ipc.open_stream(content).schema
    out, rows = [], 0
    for message in reader:
        if message.type == "record batch":
            rows += pa.ipc.read_record_batch(message, schema).num_rows
        out.append((source.tell(), rows))
    return out


def with_file(record: Path, folder: Path, name: str, content: bytes) -> Path:
    for item in record.iterdir():
        (folder / item.name).write_bytes(content if item.name == name else item.read_bytes())
    return folder


@settings(max_examples=60)
@given(share=st.floats(0, 1), name=st.sampled_from(["signals.arrow", "frames.arrow"]))
@example(share=0.0, name="signals.arrow")
@example(share=1.0, name="signals.arrow")
def test_cut_at_any_byte_loses_no_complete_batch(
    record: Path, tmp_path_factory: pytest.TempPathFactory, share: float, name: str
) -> None:
    content = (record / name).read_bytes()
    cut = round(share * len(content))
    folder = with_file(record, tmp_path_factory.mktemp("cut"), name, content[:cut])
    expected = max([rows for end, rows in batch_ends(record / name) if end <= cut], default=0)
    run = read_run(folder)
    assert (len(run.tick) if name == "signals.arrow" else len(run.frames.tick)) == expected
    assert run.truncated == (cut < len(content))
    whole = read_run(record)
    if expected and name == "signals.arrow":
        np.testing.assert_array_equal(
            run.signals["truth.roll_rad"], whole.signals["truth.roll_rad"][:expected]
        )


def test_cut_at_every_byte_around_message_borders(record: Path, tmp_path: Path) -> None:
    content = (record / "frames.arrow").read_bytes()
    ends = batch_ends(record / "frames.arrow")
    near = (
        {e + d for e, _ in ends for d in range(-9, 10)}
        | set(range(12))
        | set(range(len(content) - 12, len(content)))
    )
    with_file(record, tmp_path, "frames.arrow", content)
    for cut in sorted(c for c in near if 0 <= c < len(content)):
        (tmp_path / "frames.arrow").write_bytes(content[:cut])
        run = read_run(tmp_path)
        assert len(run.frames.tick) == max([rows for end, rows in ends if end <= cut], default=0)
        assert run.truncated


def test_losses_are_said_in_words(record: Path, tmp_path: Path) -> None:
    content = (record / "signals.arrow").read_bytes()
    run = read_run(with_file(record, tmp_path, "signals.arrow", content[:-20]))
    assert len(run.losses) == 1
    assert run.losses[0].startswith("signals.arrow was not closed: everything up to tick 999 is there, ")
    assert run.losses[0].endswith("bytes of an unfinished batch were dropped")


def test_zeros_after_a_power_cut_are_a_loss_not_damage(record: Path, tmp_path: Path) -> None:
    content = (record / "signals.arrow").read_bytes()[:-8]  # without the end marker
    run = read_run(with_file(record, tmp_path, "signals.arrow", content + bytes(5000)))
    assert run.truncated
    assert len(run.tick) == ROWS


@settings(max_examples=60)
@given(share=st.floats(0, 1), noise=st.binary(min_size=1, max_size=40))
def test_damage_never_crashes(
    record: Path, tmp_path_factory: pytest.TempPathFactory, share: float, noise: bytes
) -> None:
    content = bytearray((record / "frames.arrow").read_bytes())
    at = round(share * (len(content) - len(noise)))
    content[at : at + len(noise)] = noise
    folder = with_file(record, tmp_path_factory.mktemp("damaged"), "frames.arrow", bytes(content))
    try:
        run = read_run(folder)
    except RecordError as error:
        assert "frames.arrow" in str(error)  # noqa: PT017 - either outcome is right
    else:
        assert len(run.frames.tick) <= ROWS


@pytest.mark.parametrize(
    "content", [b"not arrow at all, just text", b"\0" * 100, b"\xff\xff\xff\xff\x10\0\0\0" + b"z" * 64]
)
def test_a_file_that_is_no_stream_is_refused(record: Path, tmp_path: Path, content: bytes) -> None:
    with pytest.raises(RecordError, match=r"signals\.arrow"):
        read_run(with_file(record, tmp_path, "signals.arrow", content))


def test_another_table_is_refused(record: Path, tmp_path: Path) -> None:
    sink = pa.BufferOutputStream()
    table = pa.table({"tick": [1, 2]})
    with pa.ipc.new_stream(sink, table.schema) as stream:
        stream.write_table(table)
    content = sink.getvalue().to_pybytes()
    with pytest.raises(RecordError, match="time_ns"):
        read_run(with_file(record, tmp_path, "signals.arrow", content))
    with_file(record, tmp_path, "frames.arrow", content)
    with pytest.raises(RecordError, match="no column 'time_ns' of type int64"):
        read_run(tmp_path)


def test_torn_event_line_is_dropped_and_a_bad_one_refused(record: Path, tmp_path: Path) -> None:
    content = (record / "events.jsonl").read_bytes()
    run = read_run(with_file(record, tmp_path, "events.jsonl", content[:-4]))
    assert [e.tick for e in run.events] == [5]
    assert run.losses == [
        "events.jsonl ends in the middle of a line; its "
        f"{len(content.splitlines()[1]) - 3} bytes were dropped"
    ]
    for bad in (b"{}\n", b"[1]\n", b'{"tick": "x"}\n', b"\xff\n"):
        (tmp_path / "events.jsonl").write_bytes(content + bad)
        with pytest.raises(RecordError, match=r"events\.jsonl:3: no event"):
            read_run(tmp_path)


def test_missing_and_wrong_files(record: Path, tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="not a run folder"):
        read_run(tmp_path / "absent")
    with pytest.raises(RecordError, match=r"manifest\.json can't be read"):
        read_run(tmp_path)
    with_file(record, tmp_path, "manifest.json", b'{"a": 1,\n  oops}')
    with pytest.raises(RecordError, match=r"manifest\.json:2:3: not JSON"):
        read_run(tmp_path)
    (tmp_path / "manifest.json").write_text("[]")
    with pytest.raises(RecordError, match="expected a JSON object, found list"):
        read_run(tmp_path)
    (tmp_path / "manifest.json").write_text("{}")
    (tmp_path / "signals.arrow").unlink()
    with pytest.raises(RecordError, match=r"signals\.arrow can't be read"):
        read_run(tmp_path)


def test_certificate_and_verdict_are_read_if_there(record: Path, tmp_path: Path) -> None:
    with_file(record, tmp_path, "", b"")
    write_json(tmp_path / "certificate.json", {"outputs": {}})
    write_json(tmp_path / "verdict.json", {"result": "pass"})
    run = read_run(tmp_path)
    assert run.certificate == {"outputs": {}}
    assert run.verdict == {"result": "pass"}


def test_unknown_column_is_named(record: Path) -> None:
    with pytest.raises(RecordError, match=r"no column 'truth\.colour'"):
        read_run(record).signal("truth.colour")


def test_a_record_of_the_version_before_has_the_present_names(record: Path, tmp_path: Path) -> None:
    with pa.ipc.open_stream((record / "signals.arrow").read_bytes()) as stream:
        table = stream.read_all()
    former = [n.replace("bench.events_active", "bench.fault_active") for n in table.column_names]
    assert former != table.column_names
    old = pa.BufferOutputStream()
    with pa.ipc.new_stream(old, table.rename_columns(former).schema) as writer:
        writer.write_table(table.rename_columns(former))
    run = read_run(with_file(record, tmp_path, "signals.arrow", old.getvalue().to_pybytes()))
    assert list(run.signals) == [signal.name for signal in SIGNALS]
    assert np.array_equal(run.signal("bench.events_active"), read_run(record).signal("bench.events_active"))


def test_notes_of_a_robot_come_back_by_name(tmp_path: Path) -> None:
    noted = {"short": [0.5, 1.5], "Größe": [2.0, np.nan], "n" * MAX_NAME: [3.0, 4.0]}
    with RunWriter(tmp_path / "run", {}) as writer:
        for k, tick in enumerate((10, 12)):
            writer.append_notes(tick, {name: values[k] for name, values in noted.items()})
        writer.append_notes(14, {"short": 2.5})
    notes = read_run(tmp_path / "run").notes
    assert set(notes) == set(noted)
    for name, values in noted.items():
        ticks, numbers = notes[name]
        more = [2.5] if name == "short" else []
        assert ticks.tolist() == [10, 12, 14][: 2 + len(more)]
        np.testing.assert_array_equal(numbers, [*values, *more])
