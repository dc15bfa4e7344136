"""Compile everything a run needs, step by step, so that a person sees what takes so long the first time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from emulator.ports import frame_buffer
from emulator.rig.session import Session, load_session


def _vehicle() -> None:
    from emulator.vehicle.dynamics import derivative
    from emulator.vehicle.params import TYRE_DTYPE, VEHICLE_DTYPE
    from emulator.vehicle.state import N_U, N_X, scratch

    # Zero parameters give NaN, which is all the same to the compiler.
    x, u, xdot = np.zeros(N_X), np.zeros(N_U), np.zeros(N_X)
    derivative(np.zeros(1, VEHICLE_DTYPE), np.zeros(2, TYRE_DTYPE), x, u, scratch(), xdot)


def _demo() -> Session:
    root = Path(__file__).resolve().parents[2] / "scenarios"
    return load_session(root / "rigs" / "loopback.yaml", root / "runs" / "first_lap.yaml")


def _line() -> None:
    _demo()


def _plant() -> None:
    from emulator.rig.bench import Bench

    Bench(_demo()).tick(frame_buffer(8), frame_buffer(64), 0.0, 0.0)


def _loop() -> None:
    from emulator.loop.process import warm

    warm()


def _robot() -> None:
    from emulator.rig.session import mission
    from emulator.robot.mission import ReferenceRider

    ReferenceRider(mission(_demo())).step(frame_buffer(8), frame_buffer(16))


def _virtual() -> None:
    from emulator.loop.budget import Budget
    from emulator.rig.bench import Bench
    from emulator.rig.links import output_specs
    from emulator.rig.session import mission
    from emulator.rig.virtual import run_ticks
    from emulator.robot.mission import ReferenceRider
    from emulator.signals import SIGNALS

    session = _demo()
    rows, frames, payloads = (
        np.zeros((2, len(SIGNALS))),
        np.zeros((80, 6), np.int64),
        np.zeros((80, 8), np.uint8),
    )
    rider = ReferenceRider(mission(session)).rider
    buffers = (frame_buffer(64), frame_buffer(64), frame_buffer(256))
    accounts = Budget(output_specs(session)).frame_accounts
    run_ticks(Bench(session).plant, rider, *buffers, accounts, rows, frames, payloads)


STEPS: dict[str, Callable[[], None]] = {
    "vehicle": _vehicle,
    "line and speed profile": _line,
    "plant, sensors, frames": _plant,
    "loop": _loop,
    "reference robot": _robot,
    "virtual stage": _virtual,
}
"""What is compiled, in order."""


def warm_step(name: str) -> None:
    """Compile one of STEPS (or load it from the cache)."""
    STEPS[name]()
