"""Mistakes in a data sheet of one's own: ``data_sheets/upright_twin.yaml``."""

from tests.support.plausible_mistakes.mistake import Mistake

SHEET = "data_sheets/upright_twin.yaml"


def m(did: str, old: str, new: str, *says: str) -> Mistake:
    return Mistake(did, f"vehicle new {SHEET}", {SHEET: (old, new)}, "", says)


VEHICLES = [
    m(
        "wrote the power in horsepower",
        "power_kW: 54\npower_rpm: 8800\ntorque_Nm: 67",
        "power_kW: 73\npower_rpm: 8800\ntorque_Nm: ^67",
        "hp",
        "0.746",
    ),
    m("wrote the wheelbase in metres", "wheelbase_mm: 1445", "wheelbase_mm: ^1.445", "mm", "1445"),
    m(
        "wrote the head angle from the ground",
        "head_angle_deg: 25.2",
        "head_angle_deg: ^64.8",
        *("from the vertical", "25.2"),
    ),
    m(
        "wrote the gears from the last to the first",
        "[2.64, 1.83, 1.46, 1.22, 1.05, 0.94]",
        "[0.94, ^1.05, 1.22, 1.46, 1.83, 2.64]",
        "input over output",
    ),
    m(
        "has a gearbox with seven gears",
        "gear_ratios: [2.64, 1.83, 1.46, 1.22, 1.05, 0.94]",
        "gear_ratios: ^[2.64, 1.83, 1.46, 1.22, 1.05, 0.94, 0.88]",
        *("one to six", "leave out the gear"),
    ),
    m("wrote the tyre in inches", "160/60-17", "^5.00-17", "in inches", "76/100-18"),
    m(
        "wrote the front share as a fraction",
        "front_share_pct: 48.5",
        "front_share_pct: ^0.485",
        "per cent",
        "48.5",
    ),
]
