"""Lists of names: everything that is declared, nothing else, each with a word about it."""

import json
import subprocess
import sys

import pytest

from emulator.config.scenario.events import EVENT_MODELS
from emulator.core.signals import OUTPUTS, SIGNALS
from emulator.criteria.kinds import KINDS
from emulator.inspection.known_names import TABLES


@pytest.mark.parametrize("what", TABLES)
def test_no_name_comes_without_a_meaning(what):
    names = TABLES[what]()
    assert names.rows
    meaning = {"signals": 2, "outputs": 2, "criteria": 1, "faults": 2}.get(what, 1)
    for row in names.rows:
        assert len(row) == len(names.heads)
        assert row[0]
        assert len(row[meaning].split()) >= 2, row
        assert "\n" not in "".join(row)


def test_all_that_files_can_name_is_there():
    assert [row[0] for row in TABLES["signals"]().rows] == [s.name for s in SIGNALS]
    assert [row[0] for row in TABLES["outputs"]().rows] == [o.name for o in OUTPUTS]
    assert [row[0] for row in TABLES["criteria"]().rows] == list(KINDS)
    assert {row[0] for row in TABLES["faults"]().rows} == set(EVENT_MODELS)
    assert ("width_m", "[m] Width of the road, half of it to each side of the line.") in TABLES[
        "circuit"
    ]().rows


def test_keys_told_are_those_that_files_take():
    for kind, _, keys in TABLES["criteria"]().rows:
        told = {key.partition(" (")[0] for key in keys.split(", ")} - {""}
        assert told == set(KINDS[kind].model_fields) - {"kind", "name"}
    by_kind: dict[str, set[str]] = {}
    for kind, _, _, keys in TABLES["faults"]().rows:
        by_kind.setdefault(kind, set()).update(keys.split(", "))
    for kind, keys in by_kind.items():
        assert keys - {""} <= set(EVENT_MODELS[kind].model_fields)


def test_the_command_prints_a_table_or_json():
    def said(*words):
        done = subprocess.run(
            [sys.executable, "-m", "emulator", "list", *words], capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    assert "distance_from_line" in said("criteria")
    assert "The robot as a mass on the bike." in said("rig")
    assert [item["name"] for item in json.loads(said("signals", "--json"))] == [s.name for s in SIGNALS]
