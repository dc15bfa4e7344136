"""Virtual rides over planted bumps, as a log of the track would have them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from ruamel.yaml import YAML

from emulator.assembly.session import load_session
from emulator.record.reader import Run
from emulator.runs.in_memory import ride_in_memory
from tests.guide.markdown import ROOT

RIG = ROOT / "scenarios" / "rigs" / "loopback.yaml"
UNIT = (0.60, 0.0, 0.70)
"""Where the demo rig's inertial unit sits."""


def bumpy_scenario(folder: Path, bumps: list[dict[str, object]], speed_km_h: float, length_m: float) -> Path:
    path = folder / "bumpy.yaml"
    straight = str(ROOT / "scenarios" / "runs" / "short_straight.yaml")
    with path.open("w") as file:
        YAML().dump(
            {
                "based_on": straight,
                "name": "bumpy",
                "manoeuvre": {"kind": "straight", "length_m": length_m},
                "speed": {"top_speed_km_h": speed_km_h},
                "surface": {"bumps": bumps},
            },
            file,
        )
    return path


def ridden(scenario: Path) -> Run:
    return ride_in_memory(load_session(RIG, scenario)).run


def as_log(run: Run, rng: np.random.Generator) -> Run:
    """The ride as a logger had it: travel with 0.1 mm of noise, what devices sent, places with 2 cm."""
    signals = dict(run.signals)
    n = len(run.tick)
    kept = {name: v for name, v in signals.items() if name.startswith("output.force")}
    kept |= {
        "truth.fork_travel_m": signals["truth.fork_travel_m"] + 1e-4 * rng.normal(size=n),
        "truth.roll_rate_rad_s": signals["output.rate_x_rad_s"],
        "truth.pitch_rate_rad_s": signals["output.rate_y_rad_s"],
        "truth.yaw_rate_rad_s": signals["output.rate_z_rad_s"],
        "truth.roll_rad": signals["output.lean_rad"],
        "truth.speed_m_s": signals["output.wheel_rear_m_s"],
    }
    every = np.arange(0, n, 50)
    for name in ("x", "y"):
        seen = signals[f"truth.{name}_m"][every] + 0.02 * rng.normal(size=len(every))
        kept[f"truth.{name}_m"] = np.interp(run.tick, run.tick[every], seen)
        kept[f"output.gnss_{name}_m"] = np.repeat(seen, 50)[:n]
    manifest = {
        "stage": "track",
        "files": {"log 1": "0" * 64},
        "track": {"inertial_unit": {"position_m": list(UNIT)}, "antenna": {"position_m": [0.0, 0.0, 1.0]}},
    }
    return Run(Path("made_up"), manifest, run.tick, run.time_ns, kept, run.frames, [])
