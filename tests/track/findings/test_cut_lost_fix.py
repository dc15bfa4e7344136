"""A fix that was lost in a ride is lost again, as long and at the same place, when its finding is ridden."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from ruamel.yaml import YAML

from emulator.assembly.session import load_session
from emulator.record.reader import Run, read_run
from emulator.runs.in_memory import ride_in_memory
from emulator.track.findings.cut import cut_finding
from emulator.track.findings.lost_fix import LostFix, find_lost_fix
from tests.guide.markdown import ROOT
from tests.support.ridden_once import ride_into

RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
LOST_s, LASTS_s = 11.0, 2.0

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Run:
    """Round a bend, without a fix for two seconds of it."""
    folder = tmp_path_factory.mktemp("ridden")
    scenario = folder / "outage.yaml"
    outage = {
        "kind": "gnss",
        "name": "bridge",
        "effect": "outage",
        "at": {"time_s": LOST_s},
        "duration_s": LASTS_s,
    }
    base = ROOT / "scenarios" / "runs" / "short_bend.yaml"
    with scenario.open("w") as file:
        YAML().dump({"based_on": str(base), "name": "under a bridge", "events": [outage]}, file)
    ride_into(load_session(RIG, scenario), folder / "run")
    return read_run(folder / "run")


def lost_in(run: Run) -> LostFix:
    fix = run.signals["output.gnss_fix"]
    first = np.flatnonzero((fix[:-1] == 4.0) & (fix[1:] != 4.0))
    return find_lost_fix(run, float(run.time_s[first[0] + 1]))


def test_a_lost_fix_is_lost_again(ridden: Run, tmp_path: Path) -> None:
    was = lost_in(ridden)
    assert was.from_s == pytest.approx(LOST_s, abs=0.2)
    cut = cut_finding(ridden, LOST_s, "lost_fix", "bridge", tmp_path, RIG)
    held = ride_in_memory(load_session(RIG, cut.scenario))
    now = lost_in(held.run)
    assert was.worst_s == pytest.approx(LASTS_s + 1.0, abs=0.2)  # the receiver takes a second to a single fix
    assert now.worst_s == pytest.approx(was.worst_s, abs=0.2)  # both rides end before it is all back
    assert now.left == was.left
    row = int(np.searchsorted(held.run.time_s, now.from_s))
    station, speed = (held.run.signals[name][row] for name in ("line.station_m", "truth.speed_m_s"))
    assert station == pytest.approx(cut.piece.station_m, abs=0.3 * speed)
    before = int(np.searchsorted(ridden.time_s, was.from_s))
    assert speed == pytest.approx(ridden.signals["truth.speed_m_s"][before], rel=0.05)
    assert held.verdict.result == "pass", held.verdict.reasons
