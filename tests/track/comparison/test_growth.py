"""A block is its steps one after the other, and blocks follow each other."""

import numpy as np
import pytest

from emulator.track.comparison.growth import BLOCK, SUSPECTS, growth, variants
from emulator.track.comparison.playing import N_DEVIATIONS, OF_STATE, PLAYED, play, steps_differences
from emulator.track.comparison.short_predictions import model_of
from emulator.track.comparison.smoothed_state import measured, smoothed_state
from emulator.vehicle.modes import SteadyTurns
from emulator.vehicle.state import BRAKE_TWIST_FRONT, BRAKE_TWIST_REAR, IDLE, N_U, N_X, scratch
from tests.support.planted_record import lap_start


@pytest.mark.parametrize("one_sided", [False, True])
def test_growth_is_the_steps_product_block_by_block(one_sided):
    """Beside numpy's powers and products of the same steps."""
    session, run = lap_start()
    model = model_of(session)
    seen = measured(run, model.vehicle)
    begun = smoothed_state(seen, model, SteadyTurns(model.vehicle), 8000, 31)
    around = variants(model.vehicle, SUSPECTS[:3])
    inputs = np.column_stack([run.signal(name) for name, _ in PLAYED])[8000:8050]
    played = play(model.vehicle, model.course, begun.played.states[0], inputs)
    found = growth(around, played, inputs[:, 0], one_sided=one_sided)
    n, p = N_DEVIATIONS, 3
    start, offset, gain, parameters = np.eye(n), np.zeros(n), np.zeros(n), np.zeros((n, p))
    for k in range(5):
        step = np.empty((n, n + 1 + p))
        at = k * BLOCK + BLOCK // 2
        room = scratch(), np.empty((2, N_X)), np.empty(N_U)
        motion = played.states[at], played.taken[at], played.states[at + 1]
        steps_differences(*around, *motion, one_sided, *room, step)
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


def test_differences_to_one_side_are_those_to_both_but_at_a_limit():
    """A step's own end stands for the other side: it is where the played motion goes on."""
    session, run = lap_start()
    model = model_of(session)
    seen = measured(run, model.vehicle)
    begun = smoothed_state(seen, model, SteadyTurns(model.vehicle), 8000, 31)
    around = variants(model.vehicle, SUSPECTS[:2])
    found = []
    for one_sided in (False, True):
        step = np.empty((N_DEVIATIONS, N_DEVIATIONS + 3))
        motion = begun.played.states[0], begun.played.taken[0], begun.played.states[1]
        room = scratch(), np.empty((2, N_X)), np.empty(N_U)
        steps_differences(*around, *motion, one_sided, *room, step)
        found.append(step)
    both, one = found
    at_a_limit = np.array([BRAKE_TWIST_FRONT, BRAKE_TWIST_REAR, IDLE]) - OF_STATE
    apart = np.abs(one - both).max(axis=0) / np.abs(both).max(axis=0)
    assert np.all(np.delete(apart[: N_DEVIATIONS + 1], at_a_limit) < 1e-4)  # half a difference's curvature
    assert np.all(apart[at_a_limit] > 0.5)  # such as of a brake that is not pulled: it holds no twist
    assert np.all(apart[N_DEVIATIONS + 1 :] == 0.0)
