"""A thin record keeps a tenth, the same values, and says what it left out wherever it is used."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.core.errors import RecordError
from emulator.inspection.replay.replayed_run import replay
from emulator.inspection.sensors.survey import ridden_lean
from emulator.record.arrow_stream import SIGNALS_GROWTH
from emulator.record.inputs import read_inputs
from emulator.record.reader import Event, read_run, read_stream
from emulator.record.thin import EVERY_TICKS, kept_rows, make_thin
from emulator.record.writer import INPUTS_FILE, SIGNALS_FILE
from emulator.report.run_report import write_report
from emulator.runs.one import ride
from emulator.track.out.export import export
from tests.support.html_page import Page
from tests.support.scripted_robot import variant

SCENARIOS = Path(__file__).parents[2] / "scenarios"
RIG, RUN = SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "short_bend.yaml"
STREAMS = ("signals.arrow", "frames.arrow", "inputs.arrow", "gnss.nmea", "events.jsonl")


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("ridden") / "whole"
    ride(load_session(RIG, RUN, seed=5), (RIG, RUN), folder, virtual=True)
    return folder


@pytest.fixture(scope="module")
def thin(whole):
    folder = whole.with_name("thin")
    shutil.copytree(whole, folder)
    make_thin(folder)
    return folder


def size(folder: Path) -> int:
    return sum((folder / name).stat().st_size for name in STREAMS)


def test_rows_kept_are_those_of_every_so_many_ticks_both_ends_and_events():
    tick = np.arange(-7, 50)
    rows = kept_rows(tick, [Event(13, 0.013, "slide", "", ""), Event(99, 0.099, "end", "", "")])
    assert tick[rows].tolist() == [-7, 0, 13, 20, 40, 49]
    assert kept_rows(np.empty(0, np.int64), []).tolist() == []


def test_it_is_a_tenth_and_what_is_kept_is_the_same_to_the_bit(whole, thin):
    assert size(thin) <= 0.1 * size(whole)
    before, after = read_run(whole), read_run(thin)
    rows = kept_rows(before.tick, before.events)
    assert EVERY_TICKS * 0.9 < len(before.tick) / len(rows) <= EVERY_TICKS
    assert np.array_equal(after.tick, before.tick[rows])
    assert np.array_equal(after.time_ns, before.time_ns[rows])
    assert list(after.signals) == list(before.signals)
    for name, values in before.signals.items():
        assert after.signals[name].tobytes() == values[rows].tobytes(), name
    assert (after.gnss, after.events, after.certificate, after.verdict, after.losses) == (
        before.gnss,
        before.events,
        before.certificate,
        before.verdict,
        [],
    )
    assert len(after.frames.tick) == 0 < len(before.frames.tick)
    assert repr(read_inputs(thin)) == repr(read_inputs(whole))
    assert (thin / "report.html").read_bytes() == (whole / "report.html").read_bytes()


def test_thinned_again_it_stays_as_it_is(thin):
    before = {path.name: path.read_bytes() for path in thin.iterdir() if path.is_file()}
    make_thin(thin)
    assert {path.name: path.read_bytes() for path in thin.iterdir() if path.is_file()} == before


def test_a_record_that_was_cut_short_stays_so(whole, tmp_path):
    folder = tmp_path / "cut"
    shutil.copytree(whole, folder)
    signals = folder / SIGNALS_FILE
    signals.write_bytes(signals.read_bytes()[:-100])
    losses: list[str] = []
    assert read_stream(signals, losses, SIGNALS_GROWTH) is not None
    assert losses
    make_thin(folder)
    assert read_run(folder).truncated


def test_inputs_that_were_cut_short_stay_so(whole, tmp_path):
    folder = tmp_path / "cut"
    shutil.copytree(whole, folder)
    path = folder / INPUTS_FILE
    path.write_bytes(path.read_bytes()[:-20])
    before = read_inputs(folder)
    make_thin(folder)
    losses: list[str] = []
    read_stream(path, losses)
    assert losses
    assert repr(read_inputs(folder)) == repr(before)


def test_a_replay_agrees_on_what_is_kept_says_what_is_not_and_makes_it_whole(whole, thin, tmp_path):
    result = replay(thin, out=tmp_path / "again")
    assert result.same
    assert result.rows == len(read_run(thin).tick)
    assert result.frames == 0
    assert any("the record is thin" in note for note in result.notes)
    again, before = read_run(tmp_path / "again"), read_run(whole)
    assert np.array_equal(again.tick, before.tick)
    assert again.signal("truth.roll_rad").tobytes() == before.signal("truth.roll_rad").tobytes()
    for direction in (0, 1):  # within a tick those of one direction stand before the other's
        made, was = (run.frames.data[run.frames.direction == direction] for run in (again, before))
        assert np.array_equal(made, was)


def test_a_replay_still_finds_another_value(thin, tmp_path):
    folder = tmp_path / "other"
    shutil.copytree(thin, folder)
    manifest = json.loads((folder / "manifest.json").read_text())
    (folder / "manifest.json").write_text(json.dumps({**manifest, "seed": manifest["seed"] + 1}))
    assert not replay(folder).same


def test_report_and_export_say_what_they_were_not_given(thin, tmp_path):
    folder = tmp_path / "thin"
    shutil.copytree(thin, folder)
    assert "the record is thin" in Page(write_report(folder).read_text(encoding="utf-8")).text
    left_out = export(read_run(folder), tmp_path / "out", ["csv"]).left_out
    assert any("the record is thin" in sentence for sentence in left_out)


def test_what_needs_every_row_refuses_it(thin):
    with pytest.raises(RecordError, match="the record is thin"):
        ridden_lean(load_session(RIG, RUN), thin)


def test_a_rig_that_asks_for_it_leaves_a_thin_record(whole, tmp_path):
    session = variant(load_session(RIG, RUN, seed=5), scenario={"duration_limit_s": 1.0})
    assert session.rig.record == "whole"
    folder = tmp_path / "run"
    ride(variant(session, rig={"record": "thin"}), (RIG, RUN), folder, virtual=True)
    assert read_run(folder).left_out
    assert not read_run(whole).left_out
