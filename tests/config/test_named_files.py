"""Where files name other files, found by the model."""

from pathlib import Path

from emulator.config.based_on import load_with_bases
from emulator.config.named_files import named_files
from emulator.config.rig.file import Rig
from emulator.config.scenario.schema import Scenario

SCENARIOS = Path(__file__).parents[2] / "scenarios"


def test_a_rigs_are_its_vehicle_its_dbc_its_robots_program_and_its_brokers_secrets() -> None:
    data = {
        **load_with_bases(SCENARIOS / "rigs" / "loopback.yaml").data,
        "device_under_test": {"kind": "external", "virtual": {"kind": "fmi", "file": "a.fmu", "inputs": {}}},
        "telemetry": {"kind": "mqtt", "host": "h", "password_file": "p", "ca_file": "c"},
    }
    assert {".".join(map(str, loc)) for loc in named_files(data, Rig)} == {
        "vehicle",
        "dbc",
        "device_under_test.virtual.file",
        "telemetry.password_file",
        "telemetry.ca_file",
    }


def test_a_scenarios_are_its_circuit_and_its_hook() -> None:
    data = {
        "name": "n",
        "circuit": "c.yaml",
        "hook": {"file": "h.py", "name": "H"},
        "events": [{"name": "x"}],
    }
    assert list(named_files(data, Scenario)) == [("circuit",), ("hook", "file")]


def test_a_piece_that_says_no_kind_is_taken_for_what_knows_its_keys() -> None:
    piece = {"device_under_test": {"virtual": {"file": "mine.py", "name": "Rider"}}}
    assert list(named_files(piece, Rig)) == [("device_under_test", "virtual", "file")]
