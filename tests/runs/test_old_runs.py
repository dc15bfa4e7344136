"""Run folders of an earlier version (tests.support.stored_runs) are still read, reported and replayed."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from emulator.core.frame_buffer import NO_ARRIVAL
from emulator.core.signals import RUNNING
from emulator.inspection.replay.replayed_run import replay
from emulator.record.reader import read_run
from emulator.report.run_report import write_report
from emulator.report.terminal import console_summary
from emulator.verdict.junit import rewrite_junit
from tests.support.stored_runs import RUNS, unpack_runs


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unpack_runs(tmp_path_factory.mktemp("old"))


@pytest.mark.parametrize("name", RUNS)
def test_signals_and_events_are_read_by_their_names_of_today(runs: Path, name: str) -> None:
    run = read_run(runs / name)
    assert run.losses == []
    assert (run.frames.arrival_ns == NO_ARRIVAL).all()  # what it did not write is not known
    riding = run.signal("bench.state") == RUNNING
    assert np.count_nonzero(riding) == 2001  # both ends of two seconds
    lost = run.signal("bench.events_active")[riding].astype(int) & 1
    assert np.flatnonzero(lost).tolist() == list(range(300, 600))
    asked = [event for event in run.events if event.name == "when told: somebody asked"]
    assert len(asked) == (name == "bench")


@pytest.mark.parametrize("name", RUNS)
def test_the_report_tells_the_verdict_of_then(runs: Path, name: str) -> None:
    then = json.loads((runs / name / "verdict.json").read_text())
    page = write_report(runs / name).read_text(encoding="utf-8")
    rewrite_junit(runs / name)
    console = Console(record=True, width=200)
    console.print(console_summary(runs / name))
    text = console.export_text()
    assert (then["result"], [c["kind"] for c in then["criteria"]]) == (
        "fail",
        ["no_fall", "distance_from_line", "place_error", "lean"],
    )
    for criterion in then["criteria"]:
        assert criterion["sentence"] in " ".join(text.split())
        assert criterion["sentence"] in page
    assert "FAIL" in text
    # the lean, and the ride that did not come to its end
    assert 'failures="2"' in (runs / name / "verdict.junit.xml").read_text()


NEAR = {"truth.x_m": 1e-3, "truth.y_m": 1e-3, "truth.roll_rad": 2e-3, "truth.speed_m_s": 1e-3}
"""What two seconds of a bike whose trail and twisting moment are paid for differ from one whose were not."""


@pytest.mark.slow
@pytest.mark.parametrize("name", RUNS)
def test_it_replays_near_what_it_was_and_says_that_the_plant_is_another(runs: Path, name: str) -> None:
    """Its frames go through the plant of today, whose tyres are others (decision 195): not bit for bit."""
    result = replay(runs / name)
    assert any("another version of the code" in note for note in result.notes)
    largest = {d.what: d.largest for d in result.differences}
    for what, limit in NEAR.items():
        assert 0.0 < largest[what] < limit, what
