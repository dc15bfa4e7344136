"""Parameters: declared, used, set; wrong ones are told at their places."""

from pathlib import Path

import pytest

from emulator.config.scenario.parameters import put_in
from emulator.config.scenario.schema import load_scenario
from emulator.config.yaml_source import load
from emulator.core.errors import ConfigError

SCENARIO = """\
kind: scenario
name: braking
purpose: brake
parameters:
  wet_grip: {default: 0.9, range: [0.5, 1.2], unit: 1, meaning: grip of the wet road}
  approach: {default: 100, range: [50, 200], unit: km/h, meaning: speed before braking}
  seed: {default: 3, range: [0, 9], unit: 1, meaning: which road}
manoeuvre: {kind: braking, deceleration_m_s2: 4.0, to_km_h: 20.0}
duration_limit_s: 120
utc: 2027-05-04T08:30:00Z
origin: {latitude_deg: 47.25, longitude_deg: 5.85, height_m: 240}
support: {tow_acceleration_m_s2: 2, release_speed_km_h: 15}
speed:
  lean_limit_deg: 40
  acceleration_limit_m_s2: 4
  braking_limit_m_s2: 6
  top_speed_km_h: {parameter: approach}
surface:
  grip: {parameter: wet_grip}
  roughness: {iso_class: A, seed: {parameter: seed}}
criteria:
  - kind: no_fall
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("run.yaml").write_text(SCENARIO)
    return tmp_path


def refusal(given: dict[str, int | float] | None = None) -> str:
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml", given)
    return str(caught.value)


def test_defaults_stand_where_they_are_used() -> None:
    scenario, source = load_scenario("run.yaml")
    assert scenario.surface.grip == 0.9
    assert scenario.speed.top_speed_km_h == 100.0
    assert scenario.surface.roughness is not None
    assert scenario.surface.roughness.seed == 3  # whole stays whole
    assert source.parameters == {"wet_grip": 0.9, "approach": 100, "seed": 3}
    assert scenario.parameters["approach"].unit == "km/h"
    assert scenario.parameters["wet_grip"].range == (0.5, 1.2)


def test_what_is_set_takes_their_place_up_to_the_ends_of_the_range() -> None:
    scenario, source = load_scenario("run.yaml", {"wet_grip": 0.5, "seed": 9})
    assert scenario.surface.grip == 0.5
    assert source.parameters == {"wet_grip": 0.5, "approach": 100, "seed": 9}
    assert load("run.yaml").data["surface"]["grip"] == {"parameter": "wet_grip"}


def test_the_scenario_is_checked_with_the_values_it_has() -> None:
    # 4 m/s2 need a grip of 0.41
    Path("run.yaml").write_text(SCENARIO.replace("[0.5, 1.2]", "[0.1, 1.2]"))
    assert refusal({"wet_grip": 0.4}).startswith(
        "run.yaml:8:47: manoeuvre.deceleration_m_s2: expected at most 3.92 m/s2, what grip 0.4"
    )
    Path("run.yaml").write_text(SCENARIO.replace("[50, 200]", "[5, 200]"))
    assert "run.yaml:8:12: manoeuvre: expected a to_km_h below the approach speed of 15 km/h" in refusal(
        {"approach": 15}
    )


def test_a_value_that_the_place_does_not_take_is_told_there() -> None:
    assert refusal({"seed": 2.5}) == (
        "run.yaml:20:35: surface.roughness.seed: expected a whole number from 0 to 4294967295, got 2.5"
    )


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (
            {"wet_grip": 0.49},
            "run.yaml:5:35: parameters.wet_grip.range: expected a number from 0.5 to 1.2, set to 0.49",
        ),
        (
            {"wet_gripp": 0.9},
            "run.yaml:5:3: parameters: no parameter 'wet_gripp' to set; known parameters: wet_grip, "
            "approach, seed, did you mean 'wet_grip'?",
        ),
    ],
)
def test_what_can_not_be_set_is_refused(given: dict[str, int | float], said: str) -> None:
    assert refusal(given) == said


def test_setting_what_is_used_nowhere_is_refused_and_having_it_is_not() -> None:
    Path("run.yaml").write_text(SCENARIO.replace("seed: {parameter: seed}", "seed: 4"))
    load_scenario("run.yaml")
    assert refusal({"seed": 4}) == (
        "run.yaml:7:9: parameters.seed: used nowhere in this scenario, so that setting it changes nothing"
    )


def test_a_scenario_without_parameters_has_none_to_set() -> None:
    text = SCENARIO.replace(SCENARIO[SCENARIO.index("parameters:") : SCENARIO.index("manoeuvre:")], "")
    text = text.replace("{parameter: approach}", "100").replace("{parameter: wet_grip}", "1")
    Path("run.yaml").write_text(text.replace("{parameter: seed}", "1"))
    load_scenario("run.yaml")
    assert refusal({"a": 1}) == "run.yaml:1:1: no parameter 'a' to set; there are none (key 'parameters')"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "{parameter: wet_grip}",
            "{parameter: wet}",
            "run.yaml:19:9: surface.grip: unknown parameter 'wet'; known parameters: wet_grip, approach",
        ),
        (
            "default: 0.9",
            "default: 1.9",
            "run.yaml:5:23: parameters.wet_grip.default: expected a number within range (0.5 to 1.2)",
        ),
        (
            "[0.5, 1.2]",
            "[1.2, 0.5]",
            "run.yaml:5:35: parameters.wet_grip.range: expected the least first and then more, got 1.2",
        ),
        (
            "unit: km/h, ",
            "",
            "run.yaml:6:3: parameters.approach: missing key 'unit': a unit, 1 for none",
        ),
        (
            "  wet_grip: {default",
            "  wet grip: {default",
            "run.yaml:5:3: parameters.wet grip: expected a name of small letters, digits and _",
        ),
        (
            "default: 100,",
            "",
            "run.yaml:6:3: parameters.approach: missing key 'default': a number",
        ),
        (
            "range: [50, 200]",
            "range: [50]",
            "run.yaml:6:35: parameters.approach.range: expected a list of 2 numbers, the least and the most",
        ),
    ],
)
def test_wrong_declarations_and_references_are_told_at_their_places(old: str, new: str, said: str) -> None:
    assert SCENARIO.count(old) == 1
    Path("run.yaml").write_text(SCENARIO.replace(old, new))
    problems = refusal().split("\n")
    assert any(problem.startswith(said) for problem in problems), problems
    # a reference that can't be resolved is told once
    assert len({p.split(": ")[0] for p in problems}) == len(problems)


def test_problems_come_with_all_the_others() -> None:
    text = SCENARIO.replace("{parameter: wet_grip}", "{parameter: wet}").replace(
        "lean_limit_deg: 40", "lean: 4"
    )
    Path("run.yaml").write_text(text)
    assert {p.split(": ")[1] for p in refusal().split("\n")} == {"surface.grip", "speed.lean"}


def test_a_reference_is_a_mapping_of_that_one_key() -> None:
    Path("a.yaml").write_text(
        "a: {parameter: x, other: 1}\nparameters: {x: {default: 2}}\nb: [{parameter: x}]\n"
    )
    assert put_in(load("a.yaml"), {}).data == {
        "a": {"parameter": "x", "other": 1},
        "parameters": {"x": {"default": 2}},
        "b": [2],
    }
