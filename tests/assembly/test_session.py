"""Reading a rig and a scenario together: one session, or every problem of every file at once."""

import hashlib
import json
import os
import shutil

import numpy as np
import pytest

from emulator.assembly import session as session_module
from emulator.assembly.session import load_session, mission
from emulator.config.rig.outputs import COMMAND_FRAMES
from emulator.core.constants import GRAVITY
from emulator.core.errors import ConfigError
from emulator.core.keeping import kept_results
from emulator.road.line import grip_at
from emulator.stages.bench.child import session_of
from emulator.vehicle.equilibrium import NoEquilibrium
from emulator.vehicle.whole.mass_properties import total_mass
from tests.support.scripted_robot import RIG, RUN, SCENARIOS


@pytest.fixture
def files(tmp_path):
    """A copy of the demo files that a test may spoil."""
    shutil.copytree(SCENARIOS, tmp_path / "s")
    return tmp_path / "s"


def spoil(path, old, new):
    text = path.read_text()
    assert text.count(old) == 1, f"{old!r} {text.count(old)} times in {path}"
    path.write_text(text.replace(old, new))


def load(files, **options):
    return load_session(files / "rigs" / "loopback.yaml", files / "runs" / "first_lap.yaml", **options)


def problems(files):
    with pytest.raises(ConfigError) as error:
        load(files)
    return [(os.path.basename(p.file), p.key, p.line) for p in error.value.problems]


def test_the_demo_files_make_a_session():
    s = load_session(RIG, RUN, seed=3)
    assert s.seed == 3
    assert s.outputs == tuple(s.rig.outputs)
    assert s.codec.frames == (*s.outputs, *COMMAND_FRAMES)
    assert len(s.scenario.events) == 2
    assert s.line.closed
    assert s.line.length == pytest.approx(s.line.station[-1])


def test_the_line_has_a_target_speed_everywhere_within_the_scenarios_limits():
    s = load_session(RIG, RUN)
    limits, v = s.scenario.speed, s.line.target_speed
    assert (v > 3.0).all()
    assert v.max() <= limits.top_speed_km_h / 3.6 + 1e-9
    # lean angle of a flat steady turn: v^2 kappa = g tan(lean)
    lean = np.degrees(np.arctan(v**2 * np.abs(s.line.curvature) / float(s.vehicle.body[0]["gravity"])))
    assert lean.max() <= limits.lean_limit_deg * 1.01
    # The limits are of what engine and brakes do; what the slope does comes on top.
    uphill = GRAVITY * np.sin(0.5 * (s.line.slope[1:] + s.line.slope[:-1]))
    along = np.diff(v**2) / 2 / np.diff(s.line.station) + uphill
    assert along.max() <= limits.acceleration_limit_m_s2 * 1.01
    assert along.min() >= -limits.braking_limit_m_s2 * 1.01


def test_patches_are_on_the_road():
    s = load_session(RIG, RUN)
    patch, base = s.scenario.surface.patches[0], s.scenario.surface.grip
    middle = (patch.from_m + patch.to_m) / 2
    assert grip_at(s.road, s.line, middle, 0.0) == patch.grip != base
    assert grip_at(s.road, s.line, middle, patch.left_m + 2 * patch.edge_m) == base
    assert grip_at(s.road, s.line, patch.to_m + 2 * patch.edge_m, 0.0) == base


def test_bike_and_robot_are_weighed_together(files):
    heavy = load(files)
    spoil(files / "rigs" / "loopback.yaml", "mass_kg: 45.0", "mass_kg: 20.0")
    assert total_mass(heavy.vehicle) - total_mass(load(files).vehicle) == pytest.approx(25.0)


def test_problems_of_all_files_come_together(files):
    spoil(files / "rigs" / "loopback.yaml", "mass_kg: 45.0", "mass_kg: 4500.0")
    spoil(files / "runs" / "first_lap.yaml", "laps: 1", "laps: 0")
    assert {(name, key) for name, key, _ in problems(files)} == {
        ("loopback.yaml", "robot.mass_kg"),
        ("first_lap.yaml", "laps"),
    }


def test_a_vehicle_and_a_dbc_that_are_wrong_come_with_a_scenario_that_is(files):
    spoil(files / "rigs" / "bench.dbc", "BO_ 258 lean:", "BO_ 258 bank:")
    spoil(files / "runs" / "first_lap.yaml", "grip: 1.0", "grip: -1.1")
    vehicle = files / "vehicles" / "demo_racer.yaml"
    vehicle.write_text(vehicle.read_text() + "\nsidecar: {value: 1.0}\n")
    assert {
        (name, key) for name, key, _ in problems(files)
    } >= {  # the rig asks for a frame that the DBC lacks
        ("loopback.yaml", "outputs.lean"),
        ("first_lap.yaml", "surface.grip"),
    }
    assert {name for name, _, _ in problems(files)} == {"loopback.yaml", "demo_racer.yaml", "first_lap.yaml"}


@pytest.mark.parametrize(
    "name", ["rigs/loopback.yaml", "runs/first_lap.yaml", "vehicles/demo_racer.yaml", "rigs/bench.dbc"]
)
def test_a_file_that_is_not_there_is_named(files, name):
    (files / name).unlink()
    with pytest.raises(ConfigError, match=os.path.basename(name)):
        load(files)


def test_a_missing_command_frame_is_reported(files):
    spoil(files / "rigs" / "bench.dbc", "BO_ 129 drive:", "BO_ 129 levers:")
    assert [(name, key) for name, key, _ in problems(files)] == [("bench.dbc", "drive")]


def test_limits_that_can_not_be_ridden_are_reported_at_the_speed_section(files, monkeypatch):
    def no_profile(*_args, **_options):
        raise ValueError("jerk_m_s3: no profile keeps it")

    # the schema keeps every limit positive, so a file alone can hardly bring this about
    monkeypatch.setattr(session_module, "target_speed", no_profile)
    # asked for anew, though the profile of these files may be kept
    monkeypatch.setattr(kept_results, "kept_result", lambda _kind, _content, _code, make: make())
    found = problems(files)
    assert [(name, key) for name, key, _ in found] == [("first_lap.yaml", "speed")]
    lines = (files / "runs" / "first_lap.yaml").read_text().splitlines()
    assert found[0][2] - 1 in (lines.index("speed:"), lines.index("speed:") + 1)


def test_the_manifest_can_reproduce_the_run_and_is_plain_json():
    s = load_session(RIG, RUN, seed=11)
    manifest = s.manifest(stage="virtual")
    again = json.loads(json.dumps(manifest))
    assert again["stage"] == "virtual"
    assert again["seed"] == 11
    assert again["files"]["rig"] == hashlib.sha256(RIG.read_bytes()).hexdigest()
    assert set(again["files"]) == {"rig", "vehicle", "dbc", "scenario", "circuit"}
    assert len(again["code"]["plant"]) == 16
    assert again["vehicle"]["values"] == s.vehicle_file.values
    assert len(again["line"]["x_m"]) == len(again["line"]["station_m"])
    assert [p["name"] for p in again["patches"]] == ["wet patch"]
    assert again["lean_envelope"]["grip"] == 1.0


def test_a_vehicle_that_no_steady_turn_is_found_of_has_no_lean_envelope(monkeypatch):
    def none(*_):
        raise NoEquilibrium("none")

    monkeypatch.setattr(session_module, "kept_limits", none)
    assert "lean_envelope" not in load_session(RIG, RUN).manifest(stage="virtual")


def test_a_changed_file_changes_its_hash_and_only_its(files):
    before = load(files).files
    path = files / "circuits" / "ostrevel.yaml"
    path.write_text(path.read_text() + "# a remark\n")
    after = load(files).files
    assert {name for name in before if before[name] != after[name]} == {"circuit"}


def test_the_loop_gets_a_cpu_of_its_own_if_there_is_one(files, monkeypatch):
    s = load(files)
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {0, 2, 5})
    assert s.loop_cpu == 5
    assert s.other_cpus == {0, 2}
    monkeypatch.setattr(os, "sched_getaffinity", lambda pid: {3})
    assert s.loop_cpu is None
    assert s.other_cpus == {3}
    spoil(files / "rigs" / "loopback.yaml", "cpu: auto", "cpu: 3")
    pinned = load(files)
    assert pinned.loop_cpu == 3
    assert pinned.other_cpus == {3}  # nothing else is left


def test_the_robot_is_told_the_file_and_not_what_is_ridden(files):
    wet = load_session(files / "rigs" / "loopback.yaml", files / "runs" / "wet_lap.yaml")
    dry = load(files)
    assert total_mass(wet.vehicle) == pytest.approx(total_mass(dry.vehicle) + 6.0 + (11.0 - 4.0))
    told = mission(wet)
    assert told.vehicle.body.tobytes() == dry.vehicle.body.tobytes()
    assert told.vehicle.tyre.tobytes() == dry.vehicle.tyre.tobytes() != wet.vehicle.tyre.tobytes()
    assert told.mass == total_mass(dry.vehicle)
    assert dry.nominal is dry.vehicle


def test_bases_are_hashed_beside_the_file_that_names_them(files):
    (files / "runs" / "wetter.yaml").write_text("based_on: wet_lap.yaml\nsurface: {grip: 0.7}\n")
    s = load_session(files / "rigs" / "loopback.yaml", files / "runs" / "wetter.yaml")
    names = {"scenario": "wetter", "scenario base 1": "wet_lap", "scenario base 2": "first_lap"}
    for key, name in names.items():
        content = (files / "runs" / f"{name}.yaml").read_bytes()
        assert s.files[key] == hashlib.sha256(content).hexdigest()
    assert set(s.files) == {"rig", "vehicle", "dbc", "circuit", *names}


def test_files_named_in_a_base_are_beside_the_base(files, tmp_path):
    for kind, base in (("rig", "s/rigs/loopback.yaml"), ("run", "s/runs/first_lap.yaml")):
        (tmp_path / f"{kind}.yaml").write_text(f"based_on: {base}\n")
    s = load_session(tmp_path / "rig.yaml", tmp_path / "run.yaml")
    assert s.files["vehicle"] == load(files).files["vehicle"]
    assert {"rig base 1", "scenario base 1", "circuit", "dbc"} <= set(s.files)


def test_a_manoeuvre_has_no_circuit_file_and_an_end(files):
    rig, run = files / "rigs" / "loopback.yaml", files / "runs" / "braking.yaml"
    s = load_session(rig, run, parameters={"deceleration": 5.0})
    assert "circuit" not in s.files
    assert not s.line.closed
    assert s.finish_station == s.sector_ends[-1] < s.line.length
    assert s.parameters == {"deceleration": 5.0, "grip": 1.0}
    assert s.set_parameters == {"deceleration": 5.0}
    manifest = json.loads(json.dumps(s.manifest(stage="virtual")))
    assert manifest["parameters"] == {"deceleration": 5.0, "grip": 1.0}
    assert manifest["scenario"]["manoeuvre"]["deceleration_m_s2"] == 5.0
    v, v0 = s.line.target_speed, 100.0 / 3.6
    assert v[0] == pytest.approx(v0)
    deceleration = -np.diff(v**2) / 2 / np.diff(s.line.station)
    assert deceleration.max() == pytest.approx(5.0)
    laps = load(files)
    assert laps.finish_station == laps.line.length


def test_a_patch_without_stations_lies_all_along_the_line(files):
    for name in ("wet_lap", "straight"):
        top = files / "runs" / "kerb.yaml"
        kerb = "{name: kerb, left_m: 4.5, right_m: 4.0, grip: 0.4, edge_m: 0.1}"
        top.write_text(f"based_on: {name}.yaml\nsurface: {{patches: [{kerb}]}}\n")
        s = load_session(files / "rigs" / "loopback.yaml", top)
        at = np.linspace(0.0, s.line.length, 997)
        assert {grip_at(s.road, s.line, station, 4.2) for station in at} == {0.4}
        assert 0.4 not in {grip_at(s.road, s.line, station, 3.8) for station in at}
        patch = s.manifest(stage="virtual")["patches"][-1]
        assert (patch["from_m"], patch["to_m"]) == (0.0, s.line.length)


def test_fuel_for_a_vehicle_without_a_tank_is_told_in_the_scenario(files):
    top = files / "runs" / "full.yaml"
    top.write_text("based_on: trainer_lap.yaml\nvehicle: {fuel_kg: 5}\n")
    with pytest.raises(
        ConfigError, match=r"full\.yaml:2:20: vehicle\.fuel_kg: expected a vehicle whose file"
    ):
        load_session(files / "rigs" / "trainer.yaml", top)


def test_a_child_process_makes_the_same_session_from_its_job(files):
    rig, run = files / "rigs" / "loopback.yaml", files / "runs" / "braking.yaml"
    s = load_session(rig, run, seed=4, parameters={"deceleration": 5.0})
    job = {"rig": str(rig), "scenario": str(run), "seed": 4, "parameters": dict(s.set_parameters)}
    again = session_of(json.loads(json.dumps(job)))
    assert again.scenario == s.scenario
    assert again.parameters == s.parameters
    assert again.line.target_speed.tobytes() == s.line.target_speed.tobytes()


def test_the_robot_is_told_of_a_quickshifter_that_the_rig_models_and_of_no_other(files):
    run = files / "runs" / "short_straight.yaml"
    rig = files / "rigs" / "own_units.yaml"
    cut_from = load_session(rig, run).vehicle_file.values["quickshifter"]["lowest_engine"]
    assert mission(load_session(rig, run)).cut_from == cut_from > 100.0
    spoil(rig, "quickshifter: modelled", "quickshifter: off")
    assert mission(load_session(rig, run)).cut_from == np.inf


def slowing(files, change, base="short_straight.yaml"):
    """A ride that slows down somewhere, whatever its line asks."""
    scenario = files / "runs" / "slowing.yaml"
    scenario.write_text(f"based_on: {base}\nname: slowing\nspeed: {{slow_down: {{{change}}}}}\n")
    return load_session(files / "rigs" / "loopback.yaml", scenario)


def test_the_target_speed_falls_where_it_is_told_to(files):
    line = slowing(files, "from_m: 80, deceleration_m_s2: 4, to_km_h: 20").line
    free = load_session(files / "rigs" / "loopback.yaml", files / "runs" / "short_straight.yaml").line
    before, after = line.station <= 80.0, line.station >= 110.0
    np.testing.assert_array_equal(line.target_speed[before], free.target_speed[before])
    np.testing.assert_allclose(line.target_speed[after], 20.0 / 3.6)
    slower = -np.diff(line.target_speed[~before] ** 2) / 2.0 / np.diff(line.station[~before])
    assert slower.max() == pytest.approx(4.0, rel=1e-3)


@pytest.mark.parametrize(
    ("change", "base", "said"),
    [
        ("from_m: 80, deceleration_m_s2: 4, to_km_h: 90", "short_straight.yaml", "less than top_speed_km_h"),
        (
            "from_m: 9000, deceleration_m_s2: 4, to_km_h: 20",
            "short_straight.yaml",
            "a station within the line",
        ),
        ("from_m: 80, deceleration_m_s2: 4, to_km_h: 20", "circle.yaml", "on a closed line the speed would"),
        ("from_m: 80, to_km_h: 20", "short_straight.yaml", "missing key 'deceleration_m_s2'"),
    ],
)
def test_where_it_can_not_fall_is_told(files, change, base, said):
    with pytest.raises(ConfigError, match=said):
        slowing(files, change, base)
