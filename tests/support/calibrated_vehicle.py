"""A vehicle file that a calibration might have written, of the demo racer, with a posterior of one's own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from emulator.config.vehicle.calibrated import Calibrated, CalibratedLog, CalibratedValue
from emulator.config.vehicle.file import load_vehicle
from emulator.track.calibration.version import version_text

BASE = Path(__file__).parents[2] / "scenarios" / "vehicles" / "demo_racer.yaml"
SDS = {"main_frame.mass": 2.0, "steering.damping": 0.4, "tyre_rear.cornering_per_load": 0.5}
CORRELATION = ((1.0, 0.6, -0.3), (0.6, 1.0, 0.2), (-0.3, 0.2, 1.0))


def calibrated_vehicle(
    folder: Path,
    sds: Mapping[str, float] = SDS,
    correlation: Sequence[Sequence[float]] = CORRELATION,
    values: Mapping[str, float] | None = None,
) -> Path:
    """Its file, based on the demo racer.

    sds     standard deviations by ``section.key``
    values  that are other than the demo racer's
    """
    before = {name: load_vehicle(BASE).values[name.split(".")[0]][name.split(".")[1]] for name in sds}
    told = Calibrated(
        date="2026-05-06",
        command="as typed",
        base_sha256="0" * 64,
        logs=(CalibratedLog(name="morning", sha256="1" * 64),),
        held_out=None,
        values=tuple(
            CalibratedValue(
                name=name, before=before[name], value=(values or {}).get(name, before[name]), sd=sd
            )
            for name, sd in sds.items()
        ),
        correlation=tuple(tuple(row) for row in correlation),
        refused=("main_frame.ixz",),
    )
    path = folder / "calibrated.yaml"
    path.write_text(version_text("demo racer, calibrated", str(BASE), told), encoding="utf-8")
    return path
