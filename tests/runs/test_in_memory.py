"""A run in memory: signals, frames and verdict of a run in a folder, and that very folder when written."""

import dataclasses
import json

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.record.content_hash import frames_hash, signals_hash
from emulator.record.reader import read_run
from emulator.runs.in_memory import ride_in_memory, write_run
from emulator.runs.one import ride
from tests.support.scripted_robot import RIG, RUN, variant

RECORD = ("signals.arrow", "frames.arrow", "inputs.arrow", "events.jsonl", "gnss.nmea")
JUDGED = ("certificate.json", "outcome.json", "verdict.json", "verdict.junit.xml")


@pytest.fixture(scope="module")
def short():
    """The first second and a half of the first lap."""
    return variant(load_session(RIG, RUN, seed=5), scenario={"duration_limit_s": 1.5})


@pytest.fixture(scope="module")
def held(short):
    parts = []
    held = ride_in_memory(short, parts.append)
    assert parts == ["build", "design", "build", "ride", "judge"]
    return held


@pytest.fixture(scope="module")
def folder(short, tmp_path_factory):
    folder = tmp_path_factory.mktemp("ridden") / "run"
    ride(short, (RIG, RUN), folder, virtual=True)
    return folder


def test_it_is_the_run_that_reading_its_folder_would_give(held, folder):
    run = read_run(folder)
    assert signals_hash(held.run) == signals_hash(run)
    assert frames_hash(held.run) == frames_hash(run)
    assert np.array_equal(held.run.time_ns, run.time_ns)
    assert held.run.events == run.events
    assert held.run.gnss == run.gnss
    assert held.run.certificate == run.certificate
    assert (held.run.losses, held.run.notes) == ([], {})
    for name in ("truth.roll_rad", "bench.state"):
        assert np.array_equal(held.run.signal(name), run.signal(name), equal_nan=True)
    assert list(held.run.signals) == list(run.signals)


def test_it_is_judged_alike(held, folder):
    written = json.loads((folder / "verdict.json").read_text())
    told = json.loads(json.dumps(dataclasses.asdict(held.verdict)))
    assert {**told, "laps": None, "place": None} == {**written, "laps": None, "place": None}
    assert written["result"] == "fail"  # its time limit came first


def test_written_it_is_the_same_folder_to_the_byte(held, folder, tmp_path):
    write_run(held, held.session, tmp_path / "run")
    there = {path.name for path in folder.iterdir()}
    assert {path.name for path in (tmp_path / "run").iterdir()} == there
    for name in (*RECORD, *JUDGED):
        assert (tmp_path / "run" / name).read_bytes() == (folder / name).read_bytes(), name


def test_the_hashes_see_a_last_bit_and_a_byte(folder):
    run = read_run(folder)
    roll = run.signal("truth.roll_rad").copy()
    roll[700] = np.nextafter(roll[700], 1.0)
    other = dataclasses.replace(run, signals={**run.signals, "truth.roll_rad": roll})
    assert signals_hash(other) != signals_hash(run)
    data = run.frames.data.copy()
    data[40, 3] ^= 1
    assert frames_hash(dataclasses.replace(run, frames=run.frames._replace(data=data))) != frames_hash(run)
    late = run.frames.arrival_ns.copy()
    late[40] += 1
    other = dataclasses.replace(run, frames=run.frames._replace(arrival_ns=late))
    assert frames_hash(other) != frames_hash(run)


def test_a_stop_that_is_asked_for_ends_it_in_memory_too(short):
    held = ride_in_memory(short, stop_asked=lambda: "somebody")
    assert held.verdict.result == "stopped"
