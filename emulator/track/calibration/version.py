"""A calibrated vehicle as a file that is based on the one before, and what its chain of files says."""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emulator.config.based_on import KEY, load_with_bases
from emulator.config.validation import validate
from emulator.config.vehicle.calibrated import Calibrated
from emulator.config.vehicle.file import load_vehicle, vehicle_model
from emulator.config.yaml_source import load
from emulator.track.calibration.parameters import OF_TABLE


def version_text(name: str, base: str, calibrated: Calibrated) -> str:
    """The YAML of a vehicle file: ``base`` with the calibrated values, and where they are from.

    base  path from the new file to the one before
    """
    lines = [
        "# Written by emulator track calibrate. What is uncertain about its values: calibration, below.",
        "kind: vehicle",
        f"name: {json.dumps(name, ensure_ascii=False)}",
        f"{KEY}: {json.dumps(base, ensure_ascii=False)}",
    ]
    sections: dict[str, list[str]] = {}
    for one in calibrated.values:
        group, key = one.name.split(".")
        unit = json.dumps(OF_TABLE[one.name].unit)
        source = json.dumps(f"calibrated {calibrated.date}, standard deviation {one.sd:.3g}")
        sections.setdefault(group, []).append(
            f"  {key}: {{value: {one.value!r}, unit: {unit}, source: {source}}}"
        )
    for group, entries in sections.items():
        lines += [f"{group}:", *entries]
    lines.append("calibration:")
    for key, value in calibrated.model_dump(mode="json").items():
        if isinstance(value, list) and value and isinstance(value[0], (dict, list)):
            lines += [f"  {key}:", *(f"    - {json.dumps(item, ensure_ascii=False)}" for item in value)]
        else:
            lines.append(f"  {key}: {json.dumps(value, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Version:
    """A file in a vehicle's chain.

    calibrated  what it says of its calibration, None if none made it
    changed     its values that are not its base's: name -> (before, value), in SI; nothing in the first file
    base_as_then  whether the file it is based on is what it was at the calibration; None: nobody knows
    """

    path: Path
    name: str
    sha256: str
    calibrated: Calibrated | None
    changed: dict[str, tuple[float, float]]
    base_as_then: bool | None


def history(path: Path) -> list[Version]:
    """The files a vehicle file is based on, itself last. Raises ConfigError for what can't be read."""
    whole = load_with_bases(path, vehicle_model())
    chain = [Path(base) for base in reversed(whole.bases)] + [Path(path)]
    found: list[Version] = []
    before: dict[str, float] = {}
    sha_before = ""
    for file in chain:
        own = load(str(file))
        sha256 = hashlib.sha256(file.read_bytes()).hexdigest()
        told: Any = own.data.get("calibration")
        calibrated = None
        if isinstance(told, dict):
            full = validate(vehicle_model(), load_with_bases(file, vehicle_model()))
            calibrated = getattr(full, "calibration", None)
        complete = file == chain[-1] or KEY in own.data or "main_frame" in own.data
        values: dict[str, float] = {}
        if complete:
            vehicle = load_vehicle(file)
            values = {f"{g}.{k}": v for g, entries in vehicle.values.items() for k, v in entries.items()}
        changed = {
            key: (before[key], value)
            for key, value in values.items()
            if key in before and not math.isclose(before[key], value, rel_tol=1e-12, abs_tol=0.0)
        }
        as_then = None if calibrated is None else calibrated.base_sha256 == sha_before
        name = str(own.data.get("name", "")).strip()
        found.append(Version(file, name, sha256, calibrated, changed, as_then))
        before, sha_before = values, sha256
    return found
