"""A made-up ride, recorded with our own writer: shapes of the real thing, no physics."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from emulator.core.signals import INDEX, SIGNALS
from emulator.record.reader import read_run
from emulator.record.writer import LONG_BLOCK_TICKS, RunWriter, write_json
from emulator.verdict.judge import judge, write_verdict
from tests.support.criteria_in_si import DistanceFromLine, NoFall, SpeedError

RELEASE_S = 4.0


def made_up_line(step_m: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    """A closed, bean-shaped circuit of a few hundred metres, sampled about every two metres."""
    angle = np.linspace(0, 2 * np.pi, 4000)
    radius = 90 + 28 * np.cos(2 * angle) + 16 * np.sin(3 * angle)
    x, y = 1.5 * radius * np.cos(angle), radius * np.sin(angle)
    station = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    at = np.arange(0, station[-1], step_m)
    return np.interp(at, station, x), np.interp(at, station, y)


def made_up_rows(n: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray, float]:
    """Ticks (n,), rows (n, signals) and the length of the line [m]."""
    rng = np.random.default_rng(seed)
    tick = np.arange(-500, n - 500)
    t = np.maximum(tick, 0) / 1000.0
    lx, ly = made_up_line()
    closed = np.column_stack([np.append(lx, lx[0]), np.append(ly, ly[0])])
    station_of = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    length = float(station_of[-1])

    def slow(scale: float, span_s: float) -> np.ndarray:
        knots = np.arange(0, t[-1] + 2 * span_s, span_s)
        return np.interp(t, knots, rng.normal(size=len(knots)) * scale)

    target = np.clip(2.0 * t, 0, 17) + 3 * np.sin(t / 7) * (t > 9)
    speed = np.where(tick > 0, target + slow(0.35, 1.5), 0.0)
    station = np.cumsum(speed) / 1000
    offset = slow(0.3, 2.5) * (t > RELEASE_S) + 1.1 * np.exp(-(((t - 0.62 * t[-1]) / 1.2) ** 2))
    s = station % length
    px, py = np.interp(s, station_of, closed[:, 0]), np.interp(s, station_of, closed[:, 1])
    ahead = (s + 1.0) % length
    heading = np.unwrap(
        np.arctan2(
            np.interp(ahead, station_of, closed[:, 1]) - py, np.interp(ahead, station_of, closed[:, 0]) - px
        )
    )
    heading = np.convolve(heading, np.ones(401) / 401, "same")
    heading[:401], heading[-401:] = heading[401], heading[-402]
    x, y = px - offset * np.sin(heading), py + offset * np.cos(heading)
    roll = -np.arctan(speed * np.gradient(heading, 1e-3) / 9.81) * (tick > 0)
    dropout = (t > 0.3 * t[-1]) & (t < 0.3 * t[-1] + 2)
    jump = (t > 0.6 * t[-1]) & (t < 0.6 * t[-1] + 4)
    gear = np.clip(np.floor(speed / 4.2) + 1, 1, 4)
    accel = np.convolve(np.gradient(speed, 1e-3), np.ones(301) / 301, "same")
    columns: dict[str, Any] = {
        "truth.x_m": x,
        "truth.y_m": y,
        "truth.heading_rad": heading,
        "truth.roll_rad": roll,
        "truth.speed_m_s": speed,
        "truth.steer_rad": -0.05 * roll + slow(0.004, 0.3),
        "truth.engine_rad_s": np.maximum(speed / 0.31 * 14 / np.sqrt(gear), 130),
        "truth.gear": gear,
        "truth.friction_use_front": np.clip(np.abs(roll) * 0.7 + np.clip(-accel, 0, 9) * 0.05, 0, 1.1),
        "truth.friction_use_rear": np.clip(np.abs(roll) * 0.75 + np.clip(accel, 0, 9) * 0.06, 0, 1.1),
        "truth.support": (t < RELEASE_S).astype(float),
        "actuator.steering_torque_Nm": 9 * roll + slow(1.5, 0.4),
        "robot.steering_torque_Nm": 9 * roll + slow(1.5, 0.4),
        "actuator.throttle": np.clip(0.12 + accel * 0.06, 0, 1),
        "actuator.front_brake_Pa": np.clip(-accel, 0, 9) * 4e5,
        "actuator.rear_brake_Pa": np.clip(-accel, 0, 9) * 1e5,
        "robot.estimate_x_m": x + slow(0.1, 2) + 3.0 * jump,
        "robot.estimate_y_m": y + slow(0.1, 2) - 2.0 * jump,
        "robot.estimate_roll_rad": roll + slow(0.015, 0.5),
        "robot.estimate_speed_m_s": speed + slow(0.1, 0.5),
        "output.lean_rad": roll + rng.normal(size=n) * 0.006,
        "output.wheel_front_m_s": np.where(dropout, np.nan, np.round(speed + rng.normal(size=n) * 0.04, 2)),
        "output.wheel_rear_m_s": np.round(speed * 1.01 + rng.normal(size=n) * 0.04, 2),
        "output.steering_angle_rad": -0.05 * roll + rng.normal(size=n) * 5e-4,
        "line.station_m": station,
        "line.offset_m": offset,
        "line.target_speed_m_s": target,
        "bench.state": np.where(tick < 0, 1.0, 2.0),
        "bench.events_active": dropout * 1.0 + jump * 2.0,
        "loop.lateness_us": rng.lognormal(2.5, 0.5, n),
    }
    rows = np.zeros((n, len(SIGNALS)))
    for name, values in columns.items():
        rows[:, INDEX[name]] = values
    return tick, rows, length


def certificate(n: int) -> dict[str, Any]:
    rng = np.random.default_rng(9)
    lateness = rng.lognormal(2.5, 0.6, n)
    edges = np.geomspace(0.1, 1000, 81)
    outputs = {}
    for name, rate, latency in (
        ("wheel_speed", 100, 5.0),
        ("imu", 500, 2.0),
        ("lean", 100, 8.0),
        ("steering_angle", 200, 3.0),
        ("engine", 100, 10.0),
        ("emulator_state", 10, 1.0),
        ("gnss", 10, 60.0),
    ):
        outputs[name] = {
            "rate_hz": rate,
            "latency_ms": latency,
            "sent": n * rate // 1000,
            "lost": 0,
            "late": 0,
            "kept_ppm": round(float(rng.normal()), 2),
            "jitter_us_p99": 41.0,
            "age_ms_p50": latency + 0.02,
            "age_ms_p99": latency + 0.09,
            "age_ms_max": latency + 0.31,
        }
    spread = {"p50": 12.1, "p99": 44.0, "p999": 88.2, "max": 214.0}
    return {
        "outputs": outputs,
        "loop": {
            "period_us": 1000.0,
            "ticks": n,
            "lateness_us": spread,
            "compute_us": {"p50": 61.0, "p99": 90.0, "p999": 130.0, "max": 301.0},
            "overruns": 0,
            "missed_ticks": 0,
            "lateness_histogram": {"edges_us": edges, "counts": np.histogram(lateness, edges)[0]},
            "host": {"kernel": "6.1", "cpu": 1},
        },
    }


def record_ride(folder: Path, seconds: float, limit_m: float = 2.0) -> Path:
    """Record, certify and judge a made-up ride."""
    n = round(seconds * 1000)
    tick, rows, length = made_up_rows(n)
    lx, ly = made_up_line()
    manifest = {
        "scenario": {
            "name": "wet hairpin with wheel speed dropout",
            "sha256": "9c1e" * 16,
            "events": [
                {
                    "kind": "fault",
                    "name": "front wheel speed dropout",
                    "effect": "dropout",
                    "signal": "wheel_front_m_s",
                },
                {"kind": "fault", "name": "GNSS jump", "effect": "offset", "signal": "gnss_x_m"},
            ],
        },
        "rig": {"name": "desk rig", "sha256": "77ab" * 16},
        "stage": "virtual",
        "seed": 4,
        "version": "0.1.0",
        "started_utc": "2030-04-05T09:30:00Z",
        "plant": {"source_hash": "5d0c77b1a2e9f410"},
        "line": {"x_m": lx, "y_m": ly},
        "patches": [
            {"name": "wet", "from_m": 0.55 * length, "to_m": 0.55 * length + 40, "grip": 0.5},
            {"name": "paint", "from_m": 0.2 * length, "to_m": 0.2 * length + 12, "grip": 0.7},
        ],
    }
    with RunWriter(folder, manifest, block_ticks=LONG_BLOCK_TICKS) as writer:
        writer.append_signals(tick, rows)
        k = np.arange(0, n, 10)
        writer.append_frames(
            tick[k],
            tick[k] * 10**6,
            tick[k] * 10**6,
            k % 2,
            256 + k % 3,
            np.full(len(k), 8),
            np.zeros((len(k), 8)),
        )
        end = (n - 500) / 1000
        for at, kind, name, text in (
            (0.0, "state", "running", "armed -> running"),
            (RELEASE_S, "state", "released", "the support lets go"),
            (0.3 * end, "fault_on", "front wheel speed dropout", "front wheel speed: dropout"),
            (0.3 * end + 2, "fault_off", "front wheel speed dropout", "front wheel speed: dropout ends"),
            (0.6 * end, "fault_on", "GNSS jump", "position jumps by 3.6 m"),
            (0.6 * end + 4, "fault_off", "GNSS jump", "position is back"),
        ):
            writer.append_event(round(at * 1000), kind, name, text)
    write_json(folder / "certificate.json", certificate(n))
    run = read_run(folder)
    outcome = {"ended": "complete", "trip_reason": "", "trip_tick": None, "rig_problems": []}
    criteria = [NoFall(), DistanceFromLine(limit_m, from_s=2), SpeedError(2.5, from_s=2)]
    write_verdict(folder, judge(run, criteria, run.certificate, outcome))
    return folder
