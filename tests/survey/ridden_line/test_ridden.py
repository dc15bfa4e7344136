"""A virtual ride, exported and imported as a log: the line found is the line that was ridden."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.record.reader import Run, read_run
from emulator.runs.one import ride
from emulator.survey.ridden_line.line import LineWishes, RiddenLine, ridden_line
from tests.guide.markdown import ROOT
from tests.support.imported_ride import imported
from tests.support.surveyed import distances

RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
SCENARIO = ROOT / "scenarios" / "runs" / "short_bend.yaml"
MEASURED = ("wheel", "rate", "force", "lean", "gnss")
ANTENNA = [0.15, 0.0, 1.05]
"""Where the demo rig has it."""

DRIFT_m = 0.008
"""What its receiver drifts by, one standard deviation across, by the rig's file."""

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("ridden") / "run"
    ride(load_session(RIG, SCENARIO), (RIG, SCENARIO), folder, virtual=True)
    return read_run(folder)


@pytest.fixture(scope="module")
def found(ridden: Run, tmp_path_factory: pytest.TempPathFactory) -> RiddenLine:
    folder = tmp_path_factory.mktemp("log")
    antenna = {"position_m": ANTENNA}
    made = imported(ridden, folder, "Bend", MEASURED, "truth.heading_rad", antenna=antenna)
    return ridden_line(read_run(made.folder), LineWishes("Bend", off_m=DRIFT_m))


def test_the_line_found_is_the_line_ridden(ridden: Run, found: RiddenLine) -> None:
    """The receiver's drift is part of what it may be off by all day; here a centimetre or two."""
    line = found.course.line
    moving = ridden.signals["truth.speed_m_s"] > 3.0
    true = np.column_stack([ridden.signals[f"truth.{axis}_m"][moving][::50] for axis in "xy"])
    inside = line.station < found.course.length_m
    off = distances(true[10:-40], np.column_stack([line.x[inside], line.y[inside]]))
    assert off.max() < 0.04
    half = float(np.median(found.offsets.half))
    assert np.mean(off < half) > 0.9
    assert half < 0.03
    assert found.offsets.held_out.times == pytest.approx(1.0, abs=0.25)
