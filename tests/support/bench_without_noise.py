"""The demo bench with quick steering and sensors without errors, for latencies measured from outside."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from tests.support.scripted_robot import SCENARIOS

RIDE_S = 13.0
"""Towed all the way: 100 km/h are reached at 2 m/s^2 after 14 s."""
BUS_MS = 0.5
"""Both ways over the virtual bus: a round trip takes 0.39 ms at its p99 on a quiet desk (measured)."""
JUMP_m_s2 = 0.15
"""Bend of the lateral force that only a step of 100 N m makes: 0.33, all else 0.02 (on the stepped clock)."""


def bench_without_noise(folder: Path, port: int) -> tuple[Path, Path]:
    """The demo's rig and run with quick steering and sensors without errors; the robot is the test."""
    shutil.copytree(SCENARIOS, folder)
    rig, run = folder / "rigs" / "loopback.yaml", folder / "runs" / "first_lap.yaml"
    errors = "noise_density|bias|turn_on|corner|damping|correlation|random|scale|cross|per_force"
    text = re.sub(rf"(?m)^    (rate|force)_({errors})\S*:.*\n", "", rig.read_text())
    text = re.sub(r"(?ms)^    temperature:.*?^  lean:", "  lean:", text)  # and vibration behind it
    steering = "steering: {time_constant_ms: %s, limit_Nm: 220.0, rate_limit_Nm_s: %s}"
    for old, new in (
        ("kind: reference\n", "kind: external\n"),
        ("port: 0 #", f"port: {port} #"),
        (steering % ("8.0", "8000.0"), steering % ("0.1", "100000.0")),
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    rig.write_text(text)
    text = re.sub(r"release_speed_km_h: [\d.]+", "release_speed_km_h: 100.0", run.read_text())
    run.write_text(re.sub(r"duration_limit_s: [\d.]+", f"duration_limit_s: {RIDE_S}", text))
    return rig, run
