"""A virtual ride as a logger on the bike had it: devices' values in place of the truth, places with noise."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from emulator.record.reader import Run

STANDS_FOR = {
    "truth.roll_rad": "output.lean_rad",
    "truth.roll_rate_rad_s": "output.rate_x_rad_s",
    "truth.pitch_rate_rad_s": "output.rate_y_rad_s",
    "truth.yaw_rate_rad_s": "output.rate_z_rad_s",
    "truth.speed_m_s": "output.wheel_rear_m_s",
    "truth.steer_rad": "output.steering_angle_rad",
}
PRESSURES = ("actuator.front_brake_Pa", "actuator.rear_brake_Pa")
TORQUES = ("robot.steering_torque_Nm", "actuator.steering_torque_Nm")
_NOISE = {"actuator.front_brake_Pa": 5e3, "actuator.rear_brake_Pa": 5e3, "actuator.steering_torque_Nm": 0.2,
          "truth.fork_travel_m": 1e-4}  # fmt: skip


def device_log(run: Run, rng: np.random.Generator, more: Sequence[str] = PRESSURES) -> Run:
    """The log, stage ``track``; ``more`` that was measured besides, with noise of usual sensors.

    Noise: places 2 cm, pressures 0.05 bar, torque 0.2 N m, travel 0.1 mm; common practice, no source.
    """
    n = len(run.tick)
    kept = {name: v for name, v in run.signals.items() if name.startswith("output.")}
    kept |= {name: run.signals[device] for name, device in STANDS_FOR.items()}
    for name in more:
        kept[name] = run.signals[name] + _NOISE.get(name, 0.0) * rng.normal(size=n)
    every = np.arange(0, n, 50)
    for name in ("truth.x_m", "truth.y_m"):
        places = run.signals[name][every] + 0.02 * rng.normal(size=len(every))
        kept[name] = np.interp(run.tick, run.tick[every], places)
    manifest = {"stage": "track", "files": {"log 1": "0" * 64}}
    return Run(Path("made_up"), manifest, run.tick, run.time_ns, kept, run.frames, [])
