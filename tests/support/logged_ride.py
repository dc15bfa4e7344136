"""A virtual ride as a logger on its bus had it: devices' frames when they were sent, a receiver's epochs when
they came, torque and pedals."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from ruamel.yaml import YAML

from emulator.core.signals import RUNNING
from emulator.record.reader import Run
from emulator.runs.from_track import TrackRecord, import_track
from emulator.track.logs.log import Wanted
from emulator.track.logs.nmea import read_nmea
from tests.support.scripted_robot import RUN

RECEIVER = ("latitude", "longitude", "course")
RATES = tuple(f"output.rate_{axis}_rad_s" for axis in "xyz")
FRAMES: dict[int, tuple[str, ...]] = {
    256: RATES,
    258: ("output.lean_rad",),
    259: ("output.steering_angle_rad",),
    260: ("output.wheel_front_m_s", "output.wheel_rear_m_s"),
    264: ("output.engine_rad_s", "output.gear"),
}
"""By identifier of the rig's DBC, what a frame carries."""
NOISE = {
    "actuator.steering_torque_Nm": 0.1,
    "actuator.front_brake_Pa": 5e3,
    "actuator.rear_brake_Pa": 5e3,
    "actuator.throttle": 1e-3,
    "actuator.clutch": 1e-3,
}
"""Of sensors at the actuators, logged every 2 ms; common practice, no source."""
LATE_ms = (
    dict.fromkeys(RATES, 3.5)  # 2, and what a filter of 150 Hz damped by 0.7 takes: 2 x 0.7 / (2 pi 150 Hz)
    | {
        "output.lean_rad": 28.0,  # 8, and its time constant of 20
        "output.steering_angle_rad": 1.0,
        "output.wheel_front_m_s": 11.3,  # 6, 0.3 of jitter, half of the 10 that edges are averaged over
        "output.wheel_rear_m_s": 11.3,
        "output.engine_rad_s": 5.0,
        "latitude": 63.0,  # 60, and the mean of a half-normal jitter of 4
        "longitude": 63.0,
        "course": 63.0,
        "actuator.steering_torque_Nm": 0.0,
    }
)
"""As the rig's file says of latencies and filters, or follows from them."""
OFF = dict.fromkeys(RATES, 1.3e-3) | {
    "output.lean_rad": 0.015,
    "output.steering_angle_rad": 1e-4,
    "output.wheel_front_m_s": 0.04,
    "output.wheel_rear_m_s": 0.04,
    "output.engine_rad_s": 0.1,
    "course": math.degrees(3e-3),
    "latitude": 3e-7,
    "longitude": 3e-7,
}
"""One standard deviation, [unit of the log]: its biases and mounting; the lean as it errs on a lap."""


def logged_ride(run: Run, folder: Path, *, told: bool, **besides: Any) -> TrackRecord:
    """The ride logged and imported.

    told     the map says how late and how far off devices are
    besides  of the map
    """
    rng = np.random.default_rng(3)
    logs, channels = [], []
    last = int(
        run.tick[run.signals["bench.state"] == RUNNING][-1]
    )  # then the bench's own hand is on the bike

    def put(name: str, ticks: np.ndarray, columns: dict[str, np.ndarray]) -> None:
        logs.append(folder / f"{name}.parquet")
        pd.DataFrame({"time_s": ticks / 1e3} | columns).to_parquet(logs[-1])

    def channel(name: str, signal: str, unit: str, **more: Any) -> None:
        known = {"late_ms": LATE_ms.get(signal), "off_sigma": OFF.get(signal)} if told else {}
        known = {key: value for key, value in known.items() if value is not None}
        channels.append({"channel": name, "signal": signal, "unit": unit, **known, **more})

    units = {"rad_s": "rad/s", "m_s": "m/s", "rad": "rad", "gear": "1"}
    for can_id, signals in FRAMES.items():
        sent = run.frames.tick[
            (run.frames.can_id == can_id) & (run.frames.tick >= 0) & (run.frames.tick < last)
        ]
        rows = np.searchsorted(run.tick, sent)
        put(f"frame_{can_id}", sent, {name: run.signals[name][rows] for name in signals})
        for name in signals:
            end = next(end for end in units if name.endswith(end))
            channel(name, name, units[end])
    rows = np.flatnonzero((run.tick >= 0) & (run.tick < last) & (run.tick % 2 == 0))
    noisy = {n: run.signals[n][rows] + s * rng.standard_normal(len(rows)) for n, s in NOISE.items()}
    put("actuators", run.tick[rows], noisy)
    for name in NOISE:
        channel(name, name, "N m" if name.endswith("Nm") else "Pa" if name.endswith("Pa") else "1")
    (folder / "gnss.nmea").write_bytes(run.gnss)
    epochs = read_nmea(folder / "gnss.nmea", [Wanted(name, None) for name in (*RECEIVER, "speed")])
    series = {wanted.channel: one for wanted, one in epochs.series.items()}
    arrived_s = series["speed"].time_s % 60.0  # the ride begins with a minute
    riding = arrived_s < last / 1e3
    arrived_s = arrived_s[riding] + 0.060 + 0.004 * np.abs(rng.standard_normal(int(riding.sum())))
    put("receiver", 1e3 * arrived_s, {name: one.values[riding] for name, one in series.items()})
    for name in RECEIVER:
        channel(name, name, "deg", **({"late_sigma_ms": 3.0} if told else {}))
    channel("speed", "output.gnss_speed_m_s", "m/s")
    asked = {
        "kind": "track_map",
        "name": "Logged",
        "scenario": str(RUN),
        "time": {"channel": "time_s"},
        "channels": channels,
        "antenna": {"position_m": [0.15, 0.0, 1.05]},
    }
    with (folder / "map.yaml").open("w", encoding="utf-8") as file:
        YAML().dump(asked | besides, file)
    return import_track(logs, folder / "map.yaml", folder / "record")
