"""A block is its steps one after the other, and blocks follow each other."""

import numpy as np

from emulator.track.comparison.growth import BLOCK, SUSPECTS, growth, variants
from emulator.track.comparison.playing import N_DEVIATIONS, PLAYED, play, steps_differences
from emulator.track.comparison.short_predictions import model_of
from emulator.track.comparison.smoothed_state import measured, smoothed_state
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.state import N_U, N_X, scratch
from tests.support.planted_record import lap_start


def test_growth_is_the_steps_product_block_by_block():
    """Beside numpy's powers and products of the same steps."""
    session, run = lap_start()
    model = model_of(session)
    seen = measured(run, model.vehicle)
    begun = smoothed_state(seen, model, SteadyTurns(model.vehicle), 8000, 31)
    around = variants(model.vehicle, SUSPECTS[:3])
    inputs = np.column_stack([run.signal(name) for name, _ in PLAYED])[8000:8050]
    played = play(model.vehicle, model.course, begun.played.states[0], inputs)
    found = growth(around, played, inputs[:, 0])
    n, p = N_DEVIATIONS, 3
    start, offset, gain, parameters = np.eye(n), np.zeros(n), np.zeros(n), np.zeros((n, p))
    for k in range(5):
        step = np.empty((n, n + 1 + p))
        at = k * BLOCK + BLOCK // 2
        room = scratch(), np.empty((2, N_X)), np.empty(N_U)
        steps_differences(*around, played.states[at], played.taken[at], *room, step)
        whole = np.eye(n + 1 + p)
        whole[:n] = step
        over = np.linalg.matrix_power(whole, BLOCK)
        F, g, G = over[:n, :n], over[:n, n], over[:n, n + 1 :]
        start, offset, parameters = F @ start, F @ offset + g, F @ parameters + G
        gain = F @ gain + g * inputs[k * BLOCK : (k + 1) * BLOCK, 0].mean()
        pairs = (
            (found.blocks[k], F),
            (found.by_block[k], g),
            (found.start[k + 1], start),
            (found.offset[k + 1], offset),
            (found.gain[k + 1], gain),
            (found.parameters[k + 1], parameters),
        )
        for one, expected in pairs:
            np.testing.assert_allclose(one, expected, rtol=1e-9, atol=1e-11 * np.abs(expected).max())
