"""A made-up day: logs as CSV of a bike with hidden parameters, imported, and a calibration file for them."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import numpy as np
from ruamel.yaml import YAML

from emulator.config.vehicle.file import load_vehicle
from emulator.runs.from_track import import_track
from emulator.track.calibration.estimate import Models
from emulator.track.calibration.stretches import SIGNALS, TORQUE
from tests.support.made_once import made_once
from tests.support.made_up_logs import (
    LAGGED,
    NUISANCES_OF_LOGS,
    PLAN,
    VEHICLE,
    STEP_s,
    demo_parameters,
    where,
)
from tests.support.plant_rides import plant_ride

SHARES = {"steering.damping": 0.25, "main_frame.ixx": 0.2, "tyre_rear.pneumatic_trail": 0.05}
RECORDS = tuple(f"record{k}" for k in range(4))
UNITS = ("rad/s", "rad/s", "rad", "rad", "m/s")


def calibration_file(folder: Path, **keys: object) -> Path:
    start = load_vehicle(VEHICLE).values
    parameters = [
        {"name": name, "sd": share * abs(start[name.split(".")[0]][name.split(".")[1]])}
        for name, share in SHARES.items()
    ]
    path = folder / "day.yaml"
    content = {
        "kind": "calibration",
        "name": "demo racer, calibrated",
        "vehicle": str(VEHICLE),
        "parameters": parameters,
        "others": "exact",
        "legs": [{"speed_km_h": 45, "lean_deg": side * 17, "seconds": 10} for side in (1, -1)],
    }
    with path.open("w", encoding="utf-8") as file:
        YAML().dump(content | keys, file)
    return path


def made_up_day(folder: Path) -> tuple[np.ndarray, list[Path]]:
    """Hidden truth, and records imported from CSV: four stretches, the last one to judge."""
    made = made_once("made_up_day", _ridden_day)
    records = [shutil.copytree(made / name, folder / name) for name in RECORDS]
    return np.load(made / "truth.npy"), records


def _ridden_day(folder: Path) -> None:
    parameters, rng = demo_parameters(SHARES), np.random.default_rng(4)
    truth = parameters.start * [1.2, 0.85, 1.0]
    legs = (PLAN[0], PLAN[4], PLAN[2], PLAN[3])
    models, bike = Models(parameters, LAGGED), parameters.vehicle(truth)
    rides = []
    for k, leg in enumerate(legs):
        known, own = models.at(parameters.start, where(leg)), NUISANCES_OF_LOGS[k % 2]
        assert known is not None
        ride = plant_ride(bike, known, LAGGED, leg, STEP_s, rng)
        rides.append(((ride.torque - own[1]) / own[0], ride.outputs + own[3:]))
    map_file = folder / "map.yaml"
    channels = [{"channel": TORQUE, "signal": TORQUE, "unit": "N m"}]
    channels += [{"channel": n, "signal": n, "unit": u} for n, u in zip(SIGNALS, UNITS, strict=True)]
    with map_file.open("w", encoding="utf-8") as file:
        YAML().dump(
            {
                "kind": "track_map",
                "name": "Made up",
                "time": {"channel": "t", "unit": "s"},
                "channels": channels,
            },
            file,
        )
    for k, (torque, outputs) in enumerate(rides):
        log = folder / f"log{k}.csv"
        with log.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(("t", TORQUE, *SIGNALS))
            for i, (u, row) in enumerate(zip(torque, outputs, strict=True)):
                writer.writerow([f"{i * STEP_s:.3f}", *(f"{v:.9g}" for v in (u, *row))])
        import_track([log], map_file, folder / RECORDS[k])
    np.save(folder / "truth.npy", truth)
