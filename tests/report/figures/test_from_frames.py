"""What a fault hit that no recorded signal shows: drawn from the frames, or told where it lies."""

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.record.reader import read_run
from emulator.report.bands import event_bands
from emulator.report.figures.from_frames import sent_in_frames, unrecorded_hits, where_to_look
from emulator.report.figures.over_time import time_series
from emulator.report.run_report import report_html
from emulator.runs.one import ride
from tests.support.recorded import numbers

SCENARIOS = Path(__file__).parents[3] / "scenarios"
WHEN = "at: {time_s: 1.0}, duration_s: 0.5"
EVENTS = f"""events:
  - {{kind: fault, name: rate gone, signal: steering_rate_rad_s, effect: dropout, {WHEN}}}
  - {{kind: fault, name: too high, signal: gnss_z_m, effect: offset, value: 9.0, {WHEN}}}
  - {{kind: frame, name: mark gone, frame: emulator_state, effect: loss, {WHEN}}}
"""


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Two seconds of the first lap in the virtual stage, with faults on what no signal shows."""
    place = tmp_path_factory.mktemp("frames")
    shutil.copytree(SCENARIOS, place / "s")
    scenario, rig = place / "s" / "runs" / "first_lap.yaml", place / "s" / "rigs" / "loopback.yaml"
    text = scenario.read_text()
    begin, end = text.index("events:"), text.index("criteria:")
    text = text[:begin] + EVENTS + "\n" + text[end:]
    scenario.write_text(
        text.replace("duration_limit_s: 180.0", "duration_limit_s: 2.0").partition("  - kind: dist")[0]
    )
    session = load_session(rig, scenario, seed=1, stage="virtual")
    ride(session, (rig, scenario), place / "run", virtual=True)
    shutil.rmtree(place / "s")  # the record is by itself
    return read_run(place / "run")


def test_a_value_that_only_frames_carry_has_a_panel_from_them(run):
    sent = sent_in_frames(run, unrecorded_hits(run))
    assert list(sent) == ["steering_rate_rad_s"]
    values = sent["steering_rate_rad_s"]
    assert values.frame == "steering_angle"
    gone = np.isnan(values.values)
    assert values.time_s[gone].min() == pytest.approx(1.0, abs=0.01)
    assert values.time_s[gone].max() == pytest.approx(1.5, abs=0.01)
    rate = np.interp(values.time_s[~gone], run.time_s, run.signals["truth.steer_rate_rad_s"])
    assert np.sqrt(np.mean((values.values[~gone] - rate) ** 2)) < 0.1  # the sensor's noise and its age
    panels = time_series(run, event_bands(run), [], sent)
    ((_, figure),) = [panel for panel in panels if panel[0].endswith("/ (°/s), hit by F1")]
    (curve,) = figure["curves"]
    assert curve["name"] == "sent, steering_rate_rad_s in frame steering_angle"
    assert numbers(curve["y"])[~gone] == pytest.approx(np.degrees(values.values[~gone]), abs=0.1)


def test_what_no_panel_shows_is_told_with_its_file(run):
    assert where_to_look(run, sent_in_frames(run, unrecorded_hits(run))) == [
        "F2 acts on gnss_z_m, which is in gnss.nmea alone.",
        "F3 acts on frame emulator_state, which is in frames.arrow alone.",
    ]
    assert "F2 acts on gnss_z_m, which is in gnss.nmea alone." in report_html(run)


def test_a_record_whose_copies_are_gone_says_where_it_lies(run, tmp_path):
    alone = dataclasses.replace(run, folder=tmp_path)
    assert sent_in_frames(alone, unrecorded_hits(run)) == {}
    assert where_to_look(alone, {})[0] == "F1 acts on steering_rate_rad_s, which is in frames.arrow alone."
