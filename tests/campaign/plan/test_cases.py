"""A plan's cases: how many, in which order, what goes over which file, and when two are the same ride."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from emulator.campaign.plan.cases import planned
from emulator.core.errors import ConfigError
from tests.support.made_up_plans import PLAN, RIGS, ROOT, RUNS, written

VALUES = "values: [2.0, 4.0]"
SCENARIOS = f"[{RUNS}/short_straight.yaml, {RUNS}/short_bend.yaml]"


def made(tmp_path: Path, text: str = PLAN):
    return planned(written(tmp_path, text)).cases


def test_every_combination_but_the_excluded_with_every_seed_scenarios_slowest(tmp_path: Path) -> None:
    cases = made(tmp_path)
    told = [(c.scenario.stem, c.factors["late"], c.factors["fault"], c.seed) for c in cases]
    gap = "dropout for 50 ms at 8 s"
    faults = ["none", f"rate_x_rad_s {gap}", f"lean_rad {gap}"]
    assert told == [
        (scenario, late, fault, seed)
        for scenario in ("short_straight", "short_bend")
        for late in (2.0, 4.0)
        for fault in faults
        for seed in (0, 1)
        if (late, fault) != (4.0, "none")
    ]
    assert [c.number for c in cases] == list(range(20))


def test_values_go_over_their_files_and_a_disturbance_is_an_event(tmp_path: Path) -> None:
    case = made(tmp_path)[2]
    assert case.rig_overlay == {"outputs": {"imu_rates": {"latency_ms": 2.0}}}
    assert case.scenario_overlay == {
        "events": [
            {
                "name": "fault",
                "kind": "fault",
                "effect": "dropout",
                "at": {"time_s": 8.0},
                "signal": "rate_x_rad_s",
                "duration_s": 0.05,
            }
        ]
    }
    assert case.vehicle_overlay == {}
    assert case.label == "short_straight · late 2 · rate_x_rad_s dropout for 50 ms at 8 s · seed 0"


def test_the_same_plan_makes_the_same_cases(tmp_path: Path) -> None:
    assert made(tmp_path) == made(tmp_path)


def test_an_id_is_of_contents_and_survives_renamed_files_and_comments(tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(ROOT / "scenarios", copy)
    bend = copy / "runs" / "short_bend.yaml"
    bend.write_text("# a remark\n" + bend.read_text())
    bend.rename(copy / "runs" / "a_bend.yaml")
    (copy / "rigs" / "loopback.yaml").rename(copy / "rigs" / "ours.yaml")
    text = PLAN.replace(str(ROOT / "scenarios"), "copy").replace("short_bend", "a_bend")
    text = text.replace("loopback", "ours")
    before = made(tmp_path)
    assert [c.id for c in made(tmp_path, text)] == [c.id for c in before]
    assert len({c.id for c in before}) == len(before)
    assert all(len(c.id) == 16 and set(c.id) <= set("0123456789abcdef") for c in before)


@pytest.mark.parametrize("change", ["seed", "scenario", "rig", "vehicle", "dbc", "circuit"])
def test_whatever_a_ride_is_made_from_changes_its_id(tmp_path: Path, change: str) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(ROOT / "scenarios", copy)
    lap = "runs/first_lap.yaml"
    text = PLAN.replace(str(ROOT / "scenarios"), "copy").replace("runs/short_bend.yaml", lap)
    text = text[: text.index("    vary:")]
    before = {c.id for c in made(tmp_path, text)}
    edits = {
        "scenario": ("runs/straight.yaml", "grip: ", "grip: 0.9 #"),
        "rig": ("rigs/loopback.yaml", "mass_kg: 45.0", "mass_kg: 46.0"),
        "vehicle": ("vehicles/demo_racer.yaml", "kind: vehicle", "kind: vehicle\npurpose: another"),
        "dbc": ("rigs/bench.dbc", "VERSION", "\nVERSION"),
        "circuit": ("circuits/ostrevel.yaml", "width_m: ", "width_m: 1"),
    }
    if change == "seed":
        text += "    seeds: {first: 5}\n"
    else:
        name, old, new = edits[change]
        file = copy / name
        assert old in file.read_text()
        file.write_text(file.read_text().replace(old, new, 1))
    after = {c.id for c in made(tmp_path, text)}
    changed = {"scenario": 1, "circuit": 1}.get(change, 2)  # of the two scenarios
    assert len(after - before) == changed


def test_the_same_ride_twice_is_left_out_and_counted(tmp_path: Path) -> None:
    shutil.copy(RUNS / "short_bend.yaml", tmp_path / "again.yaml")
    again = tmp_path / "again.yaml"
    again.write_text(f"based_on: {RUNS}/short_bend.yaml\n")
    text = PLAN.replace(SCENARIOS, f"[{RUNS}/short_bend.yaml, again.yaml]")
    campaign = planned(written(tmp_path, text))
    assert (len(campaign.cases), campaign.same) == (10, 10)
    assert {c.scenario.stem for c in campaign.cases} == {"short_bend"}


def test_repeats_are_runs_of_their_own_that_are_ridden_alike(tmp_path: Path) -> None:
    cases = made(tmp_path, PLAN + "    repeats: 2\n")
    assert len(cases) == 40
    first, again = cases[:2]
    assert (first.repeat, again.repeat, first.seed) == (0, 1, again.seed)
    assert first.id != again.id
    assert again.label.endswith("seed 0 · repeat 2")


def test_a_named_part_of_a_file_is_reached_by_its_name(tmp_path: Path) -> None:
    text = PLAN.replace(SCENARIOS, f"[{RUNS}/wind/side_gust.yaml]")
    text = text.replace("rig.outputs.imu_rates.latency_ms", "scenario.events.gust.speed_m_s")
    case = made(tmp_path, text)[0]
    gust = {"kind": "gust", "name": "gust", "speed_m_s": 2.0, "from_deg": 0.0, "at": {"station_m": 90.0}}
    assert case.scenario_overlay["events"] == [{**gust, "duration_s": 1.5}]


def test_a_vehicles_value_stands_in_its_entry(tmp_path: Path) -> None:
    text = PLAN.replace("rig.outputs.imu_rates.latency_ms", "vehicle.geometry.wheelbase")
    vehicle = (ROOT / "scenarios" / "vehicles" / "demo_racer.yaml").read_text()
    group, name = _an_entry(vehicle)
    case = made(tmp_path, text.replace("geometry.wheelbase", f"{group}.{name}"))[0]
    assert case.vehicle_overlay == {group: {name: {"value": 2.0}}}


def _an_entry(text: str) -> tuple[str, str]:
    """The first group of a vehicle's file, and its first parameter."""
    lines = text.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("  ") and "value:" in line)
    group = next(line for line in reversed(lines[:at]) if line and not line.startswith((" ", "#")))
    return group.split(":")[0], lines[at].split(":")[0].strip()


def test_values_over_all_runs_and_alternatives_merge_by_name(tmp_path: Path) -> None:
    text = PLAN.replace(
        "    vary:\n",
        "    over:\n      scenario: {duration_limit_s: 20.0, surface: {grip: 0.9}}\n    vary:\n"
        "      weather:\n        alternatives:\n          dry: {}\n"
        "          wet: {scenario: {surface: {grip: 0.5}}}\n",
    )
    overlays = {c.factors["weather"]: c.scenario_overlay for c in made(tmp_path, text)}
    assert overlays["dry"]["surface"] == {"grip": 0.9}
    assert overlays["wet"]["surface"] == {"grip": 0.5}
    assert overlays["wet"]["duration_limit_s"] == 20.0


def test_a_file_named_in_a_plan_is_found_from_elsewhere(tmp_path: Path) -> None:
    shutil.copy(ROOT / "scenarios" / "vehicles" / "demo_racer.yaml", tmp_path / "mine.yaml")
    text = PLAN.replace("    vary:\n", "    over: {rig: {vehicle: mine.yaml}}\n    vary:\n")
    assert made(tmp_path, text)[0].rig_overlay["vehicle"] == str(tmp_path / "mine.yaml")


def test_pairs_are_covered_in_fewer_runs(tmp_path: Path) -> None:
    text = PLAN.replace(VALUES, "values: [1.0, 2.0, 3.0, 4.0]").replace("    excluding:\n", "")
    text = text.replace("      - {fault: none, late: 4.0}\n", "    combine: {kind: cover, strength: 2}\n")
    rows = {(c.scenario.stem, c.factors["late"], c.factors["fault"]) for c in made(tmp_path, text)}
    assert len(rows) == 12  # of 24; four times three is the least
    for i, j, pairs in ((0, 1, 8), (0, 2, 6), (1, 2, 12)):
        assert len({(row[i], row[j]) for row in rows}) == pairs


def test_an_exclusion_holds_in_a_covering_array_and_the_rest_is_covered(tmp_path: Path) -> None:
    text = PLAN.replace(VALUES, "values: [1.0, 2.0, 3.0, 4.0]").replace("late: 4.0", "late: [1.0, 4.0]")
    text = text.replace("    excluding:", "    combine: {kind: cover, strength: 2}\n    excluding:")
    pairs = {(c.factors["late"], c.factors["fault"]) for c in made(tmp_path, text)}
    assert len(pairs) == 10
    assert not {(1.0, "none"), (4.0, "none")} & pairs


def test_a_spread_takes_any_number_between_and_a_seed_for_each(tmp_path: Path) -> None:
    text = PLAN.replace(VALUES, "between: [2.0, 6.0]").replace("    excluding:\n", "")
    text = text.replace("      - {fault: none, late: 4.0}\n", "    combine: {kind: spread, count: 16}\n")
    cases = made(tmp_path, text.replace("{count: 2}", "{own: true}"))
    assert len(cases) == 32  # 16 for each scenario
    assert [c.seed for c in cases] == list(range(32))
    late = [c.factors["late"] for c in cases[:16]]
    assert sorted(int(4 * (x - 2.0)) for x in late) == list(range(16))  # one in each sixteenth of the range
    assert [c.factors["late"] for c in cases[16:]] == late


def test_too_many_runs_are_refused_before_they_are_made(tmp_path: Path) -> None:
    text = PLAN.replace(VALUES, "between: [0.0, 9.0]\n        count: 10000").replace(
        "{count: 2}", "{count: 20}"
    )
    with pytest.raises(ConfigError, match="expected at most 1000000 runs, this makes 1200000"):
        made(tmp_path, text)


def test_rigs_vehicles_and_robots_are_told_where_there_are_several(tmp_path: Path) -> None:
    robot = ROOT / "scenarios" / "robots" / "plain_rider.py"
    text = PLAN.replace(f"[{RIGS}/loopback.yaml]", f"[{RIGS}/loopback.yaml, {RIGS}/megabit.yaml]")
    text += f"    robots: [of_the_rig, {robot}:PlainRider]\n"
    cases = made(tmp_path, text)
    assert len(cases) == 80
    assert {(c.factors["rig"], c.factors["robot"]) for c in cases} == {
        (rig, robot) for rig in ("loopback", "megabit") for robot in ("of_the_rig", "PlainRider")
    }
    assert {c.robot for c in cases} == {"", f"{robot}:PlainRider"}
