"""Values from elsewhere over a file: as a file based on it would be, each value told where it stands."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.assembly.session import load_session
from emulator.campaign.plan.case import Place, overlay_source
from emulator.campaign.plan.written import as_yaml
from emulator.config.based_on import load_with_bases, put_over
from emulator.config.rig.file import load_rig
from emulator.config.scenario.schema import Scenario, load_scenario
from emulator.config.vehicle.file import load_vehicle
from emulator.config.yaml_source import load
from emulator.core.errors import ConfigError

SCENARIOS = Path(__file__).parents[2] / "scenarios"
BEND = SCENARIOS / "runs" / "short_bend.yaml"
LOOPBACK = SCENARIOS / "rigs" / "loopback.yaml"
GAP = {
    "kind": "fault", "name": "gap", "signal": "lean_rad", "effect": "dropout", "at": {"time_s": 8.0},
    "duration_s": 0.1,
}  # fmt: skip
OVERLAYS = [
    {},
    {"surface": {"grip": 0.7}},
    {"events": [GAP]},
    {"wind": {"speed_m_s": 3.0, "from_deg": 90}, "criteria": [{"kind": "speed_error", "remove": True}]},
    {"start": None, "purpose": "no, on: 010"},
    {"manoeuvre": {"kind": "straight", "length_m": 200.0}},
]


@pytest.mark.parametrize("overlay", OVERLAYS, ids=lambda o: ", ".join(o) or "nothing")
def test_it_is_what_a_file_based_on_it_is(tmp_path: Path, overlay: dict) -> None:
    file = tmp_path / "over.yaml"
    file.write_text(as_yaml({"based_on": str(BEND), **overlay}))
    whole = put_over(load_with_bases(BEND, Scenario), overlay_source("plan.yaml", overlay, {}), Scenario)
    assert whole.data == load_with_bases(file, Scenario).data
    assert whole.path == str(BEND)


def test_a_wrong_value_is_told_where_it_stands_and_the_files_own_in_the_file() -> None:
    over = overlay_source(
        "plan.yaml", {"surface": {"grip": -1.0}}, {("surface", "grip"): Place("plan.yaml", (7, 3))}
    )
    whole = put_over(load_with_bases(BEND, Scenario), over, Scenario)
    with pytest.raises(ConfigError) as caught:
        load_scenario(whole)
    assert [(p.file, p.line, p.column, p.key) for p in caught.value.problems] == [
        ("plan.yaml", 7, 3, "surface.grip")
    ]
    place = whole.problem(("purpose",), "")
    assert (place.file, place.line) == (str(BEND), 6)


def test_what_names_nothing_of_the_file_is_told_at_its_place() -> None:
    removal = {"events": [{"name": "nothing", "remove": True}]}
    base = load_with_bases(SCENARIOS / "runs" / "wind" / "side_gust.yaml", Scenario)
    over = overlay_source("plan.yaml", removal, {("events", 0): Place("plan.yaml", (4, 9))})
    with pytest.raises(
        ConfigError, match=r"plan.yaml:4:9: events\.0: nothing in the base goes by name 'nothing'"
    ):
        put_over(base, over, Scenario)


def test_a_rig_a_scenario_and_a_vehicle_are_ridden_with_what_goes_over_them() -> None:
    rig_source = load_with_bases(LOOPBACK)
    rig = put_over(rig_source, overlay_source("p", {"outputs": {"lean": {"latency_ms": 9.0}}}, {}))
    scenario = put_over(load_with_bases(BEND), overlay_source("p", {"surface": {"grip": 0.7}}, {}))
    vehicle_file = SCENARIOS / "vehicles" / "demo_racer.yaml"
    plain = load_vehicle(vehicle_file)
    group = next(iter(plain.values))
    vehicle = put_over(load_with_bases(vehicle_file), overlay_source("p", {"name": "another"}, {}))
    session = load_session(rig, scenario, vehicle=vehicle)
    assert session.rig.outputs["lean"].latency_ms == 9.0
    assert session.scenario.surface.grip == 0.7
    assert session.vehicle_file.name == "another"
    assert session.vehicle_file.values[group] == plain.values[group]
    assert session.put_over == ("rig", "scenario", "vehicle")
    assert session.manifest(stage="virtual")["put_over"] == ["rig", "scenario", "vehicle"]
    assert set(session.files) == set(load_session(LOOPBACK, BEND).files)


def test_nothing_over_them_leaves_a_session_as_it_was() -> None:
    session = load_session(load_with_bases(LOOPBACK), load_with_bases(BEND))
    plain = load_session(LOOPBACK, BEND)
    assert session.put_over == ()
    assert session.manifest(stage="virtual") == plain.manifest(stage="virtual")
    assert load_rig(load_with_bases(LOOPBACK))[0] == plain.rig


@pytest.mark.parametrize(
    "text",
    ["no", "on", "010", "1e3", "12:30:00", "a: b", "# x", "", "~", "null", ".5", "0x1f", "0o17", ".inf",
     "é", "two\nlines", "- a", "{b}", "true", "'", '"', " x ", "2027-05-01T09:30:00Z", "=",
     "*a", "&b", "!c", "%d"],
)  # fmt: skip
def test_any_text_is_written_so_that_it_is_read_as_the_same(tmp_path: Path, text: str) -> None:
    values = {"top": text, "list": [text, 1, 1.0, 2.5e-7, 1e22, True, None], "inner": {"a": {}, "b": []}}
    file = tmp_path / "f.yaml"
    file.write_text(as_yaml(values))
    assert load(file).data == values
