"""Data sheets: sizes of tyres as they are written, and numbers of no motorcycle refused at their place."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from emulator.config.vehicle.data_sheet import load_data_sheet, tyre_size
from emulator.core.errors import ConfigError, Problem

SHEET = Path(__file__).parents[3] / "scenarios" / "data_sheets" / "upright_twin.yaml"


def problems(tmp_path: Path, *changes: tuple[str, str]) -> list[Problem]:
    """Of the shipped sheet with keys at other values; a key that is not there is added."""
    text = SHEET.read_text()
    for key, value in changes:
        line = re.compile(rf"^{key}:.*$", re.MULTILINE)
        text = line.sub(f"{key}: {value}", text) if line.search(text) else f"{text}{key}: {value}\n"
    path = tmp_path / "sheet.yaml"
    path.write_text(text)
    try:
        load_data_sheet(path)
    except ConfigError as error:
        lines = text.splitlines()
        for problem in error.problems:
            assert lines[problem.line - 1].startswith(problem.key.split(".")[0])
        return error.problems
    return []


def test_the_shipped_sheet_is_right(tmp_path: Path) -> None:
    assert problems(tmp_path) == []


# 17 inches and 120 mm at 70 % are 17 * 25.4 / 2 + 84 mm: the designation's definition
@pytest.mark.parametrize(
    ("text", "width", "radius"),
    [
        ("120/70-17", 0.12, 0.2999),
        ("120/70 ZR17", 0.12, 0.2999),
        ("180/55r17", 0.18, 0.3149),
        ("90/90 - 21", 0.09, 0.3477),
        ("130/90 B 16", 0.13, 0.3202),
        (" 76/100-18 ", 0.076, 0.3046),
    ],
)
def test_a_tyre_size_is_read(text: str, width: float, radius: float) -> None:
    assert tyre_size(text) == pytest.approx((width, radius), abs=1e-9)


@pytest.mark.parametrize(
    ("changes", "key", "said"),
    [
        ([("front_tyre", "3.00-18")], "front_tyre", "expected a size such as 120/70-17"),
        ([("front_tyre", "120")], "front_tyre", "a tyre size such as 120/70-17"),
        ([("rear_tyre", "90/50-10")], "rear_tyre", "expected a tyre 40 to 300 mm wide with a radius of 200"),
        ([("wheelbase_mm", "1.445")], "wheelbase_mm", "900 to 2200"),
        ([("wheelbase_mm", "702")], "wheelbase_mm", "900 to 2200"),
        ([("head_angle_deg", "65")], "head_angle_deg", "15 to 45"),
        ([("front_share_pct", "0.485")], "front_share_pct", "30 to 70"),
        ([("power_kW", "73")], "torque_Nm", "is the power in hp"),
        ([("torque_Nm", "6.9")], "torque_Nm", "torque in kgf m?"),
        ([("torque_Nm", "95")], "power_kW", "expected at least the 65.66 kW"),
        ([("torque_rpm", "9000")], "torque_rpm", "torque peaks before power"),
        ([("limiter_rpm", "8900")], "limiter_rpm", "expected at least 3 % above power_rpm (9064), got 8900"),
        ([("idle_rpm", "2800"), ("torque_rpm", "4500")], "idle_rpm", "0.6 of torque_rpm"),
        ([("gear_ratios", "[1.9, 2.6, 1.5, 1.2, 1, 0.9]")], "gear_ratios.1", "less than the gear before"),
        ([("gear_ratios", "[2.6, 1.9, 1.5, 1.2, 1, 0.9, 0.8]")], "gear_ratios", "one to six gears"),
        ([("gear_ratios", "[]")], "gear_ratios", "got 0"),
        ([("front_sprocket_teeth", "16.5")], "front_sprocket_teeth", "whole number"),
        ([("wet_mass", "189")], "wet_mass", "did you mean 'wet_mass_kg'?"),
    ],
)  # fmt: skip
def test_an_impossible_sheet_is_refused_at_its_place_with_what_to_do(
    tmp_path: Path, changes: list[tuple[str, str]], key: str, said: str
) -> None:
    found = problems(tmp_path, *changes)
    assert key in [problem.key for problem in found]
    assert any(said in problem.expected for problem in found if problem.key == key), found


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    found = problems(tmp_path, ("trail_mm", "0"), ("power_kW", "-1"), ("rear_tyre", "big"))
    assert {problem.key for problem in found} == {"trail_mm", "power_kW", "rear_tyre"}
