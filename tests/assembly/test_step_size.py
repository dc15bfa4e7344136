"""The plant's step against half of it along a whole lap: from every second of the ride, one second on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.assembly.session import load_session
from emulator.core.compiled import entry, jit
from emulator.core.signals import RUNNING, SIGNALS
from emulator.events.progress import NEVER
from emulator.shared_memory.status import Command
from emulator.stages.stepped_epochs import epoch_way
from emulator.stages.stepped_loop import FRAME_COLUMNS, taken_bursts
from emulator.stages.stepped_ticks import on_the_bus
from emulator.stages.virtual import VirtualRide, compiled_ticks, run_ticks
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.state import POSITION, scratch

SCENARIOS = Path(__file__).parents[2] / "scenarios"


@jit
def replay(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    x: NDArray[np.float64],
    inputs: NDArray[np.float64],
    parts: int,
    work: NDArray[np.void],
) -> None:
    """Advance x over one tick for each row of the inputs, in so many steps a tick."""
    for k in range(inputs.shape[0]):
        for _ in range(parts):
            begin(body, tyre, x, inputs[k], work)
            finish(body, tyre, x, inputs[k], 1e-3 / parts, work)


@jit
def noted(
    run: NDArray[np.void],
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    states: NDArray[np.float64],
    inputs: NDArray[np.float64],
    ticks: tuple[object, ...],
) -> int:
    """Ride to the end tick by tick; of those of the ride itself the states before and the inputs (n,)."""
    n = 0
    while run[0].finished == 0 and n < len(states):
        for i in range(len(x)):
            states[n, i] = x[i]
        run_ticks(*ticks, 0, 0, NEVER)
        if run[0].state == RUNNING:
            for i in range(len(u)):
                inputs[n, i] = u[i]
            n += 1
    return n


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore:First-class function type")  # the library says so of functions in a tuple
def test_half_the_step_moves_a_lap_by_less_than_a_millimetre() -> None:
    """States and inputs of a lap of the reference robot; each second of it is ridden again both ways."""
    session = load_session(SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "first_lap.yaml")
    ride = VirtualRide(session)
    bench, plant = ride.bench, ride.bench.plant
    memory = (
        np.zeros((1, len(SIGNALS))),
        np.zeros((1000, FRAME_COLUMNS), np.int64),
        np.zeros((1000, 8), np.uint8),
        epoch_way(bench.receiver, ride.rider.ears, taken_bursts()),
    )
    arguments = (plant, ride.rider.rider, *on_the_bus(session), ride.timing.frame_accounts, *memory)
    go = compiled_ticks(*arguments)
    bench.command(Command.ARM, 0.0)
    x, u, work = np.zeros((200_000, len(plant.x))), np.zeros((200_000, len(plant.u))), scratch()
    told = (plant.run, plant.x, plant.u, x, u, go.args)  # type: ignore[attr-defined]
    n = entry(noted, *told)(*told)
    x, u = x[:n], u[:n]
    assert 60_000 < n < 200_000
    worst = 0.0
    for k in range(2500, len(x) - 1001, 1000):
        whole, half = x[k].copy(), x[k].copy()
        replay(plant.body, plant.tyre, whole, u[k : k + 1000], 1, work)
        replay(plant.body, plant.tyre, half, u[k : k + 1000], 2, work)
        assert np.allclose(whole, x[k + 1000], atol=1e-9)  # what is halved here is what the lap was made of
        worst = max(worst, float(np.linalg.norm((whole - half)[POSITION : POSITION + 3])))
    assert worst < 1e-3
