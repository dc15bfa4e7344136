"""The reference robot rides circuits that were imported."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from ruamel.yaml import YAML

from emulator.assembly.session import load_session
from emulator.runs.one import ride
from emulator.survey.circuit_file import circuit_text, origin_text
from emulator.survey.circuit_import import Wishes, import_circuit
from tests.support.surveyed import geodetic, sampled, shipped, write_gpx

SCENARIOS = Path(__file__).parents[2] / "scenarios"
RIDE = """\
based_on: first_lap.yaml
name: imported
circuit: ../circuits/imported.yaml
surface: {grip: 1.0, patches: [{name: wet patch, remove: true}]}
events: [{name: front wheel speed lost, remove: true}, {name: half way, remove: true}]
"""


def ridden(tmp_path: Path, wishes: Wishes, part: slice = slice(None), more: str = "") -> object:
    """The verdict of a virtual ride along the demo circuit, surveyed with 3 cm of noise and imported."""
    places, heights = sampled(shipped(), 2300, 0.03)
    track = write_gpx(tmp_path / "lap.gpx", geodetic(places, heights)[part])
    found = import_circuit(str(track), wishes)
    files = tmp_path / "scenarios"
    shutil.copytree(SCENARIOS, files)
    (files / "circuits" / "imported.yaml").write_text(circuit_text(found))
    scenario = files / "runs" / "imported.yaml"
    scenario.write_text(RIDE + f"origin: {origin_text(found)}\n" + more)
    rig = files / "rigs" / "loopback.yaml"
    session = load_session(rig, scenario)
    return ride(session, (rig, scenario), tmp_path / "run", virtual=True)


@pytest.mark.slow
def test_a_lap_imported_from_a_noisy_track_passes(tmp_path: Path) -> None:
    verdict = ridden(tmp_path, Wishes(name="imported", width_m=11.0))
    assert verdict.result == "pass", verdict


@pytest.mark.slow
def test_an_open_line_is_ridden_from_its_start_to_its_finish(tmp_path: Path) -> None:
    wishes = Wishes(name="imported", width_m=11.0, open_line=True)
    verdict = ridden(tmp_path, wishes, slice(20, 900))
    assert verdict.result == "pass", verdict


def test_files_of_yaml_stay_files_of_yaml(tmp_path: Path) -> None:
    """A name that looks like something else, and a file's name that would end a comment."""
    places, heights = sampled(shipped(), 1200)
    track = write_gpx(tmp_path / "a\nname: b\x85.gpx", geodetic(places, heights))
    text = circuit_text(import_circuit(str(track), Wishes(name='no: "#1"', width_m=11.0)))
    data = YAML(typ="safe").load(text)
    assert data["name"] == 'no: "#1"'
    assert np.array(data["points"]).shape[1] == 2
