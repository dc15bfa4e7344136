"""Records of which the truth is known: the start of the first lap, and noise put on what a bike measures."""

import dataclasses
import functools
import pickle

import numpy as np

from emulator.assembly.session import load_session
from emulator.inspection.comparison.conduct import Compared
from emulator.report.beside import beside
from emulator.runs.in_memory import ride_in_memory
from emulator.track.comparison.actuation import following
from emulator.track.comparison.device_doubts import Doubt
from emulator.track.comparison.equal_stations import equal_stations
from emulator.track.comparison.growth import SUSPECTS, with_more
from emulator.track.comparison.misfit import misfit
from emulator.track.comparison.readings import readings_of
from emulator.track.comparison.short_predictions import model_of, predictions
from emulator.track.comparison.steady_figures import steady_turns
from tests.support.made_once import made_once
from tests.support.scripted_robot import RIG, RUN, variant

SIGMA = {
    "truth.roll_rad": 2e-3,
    "truth.roll_rate_rad_s": 5e-3,
    "truth.pitch_rate_rad_s": 5e-3,
    "truth.yaw_rate_rad_s": 5e-3,
    "truth.steer_rad": 1e-3,
    "truth.speed_m_s": 0.05,
    "truth.heading_rad": 5e-3,
    "truth.x_m": 0.05,
    "truth.y_m": 0.05,
    "truth.fork_travel_m": 1e-3,
    "truth.engine_rad_s": 2.0,
    "truth.wheel_front_rad_s": 0.3,
    "truth.wheel_rear_rad_s": 0.3,
    "actuator.steering_torque_Nm": 0.1,
}
"""White noise of a sample a millisecond; common practice, no source."""
NEVER_MEASURED = ("truth.z_m", "truth.tread_front_K", "truth.tread_rear_K")


@functools.cache
def lap_start():
    """The first 30 s of the first lap ridden by the reference robot: straight, brakes, 41 degrees of lean."""
    session = variant(load_session(RIG, RUN, seed=5), scenario={"duration_limit_s": 30.0})
    return session, ride_in_memory(session).run


def measured_by_a_bike(run, seed):
    """The record with noise on what a bike measures, and without what none does."""
    draws = np.random.default_rng(seed)
    columns = {name: values for name, values in run.signals.items() if name not in NEVER_MEASURED}
    for name, sigma in SIGMA.items():
        columns[name] = columns[name] + sigma * draws.standard_normal(len(run.tick))
    return dataclasses.replace(run, signals=columns)


def with_torque_read_less(run, by):
    """The record with a torque that was read by so many newton metres too low."""
    torque = run.signals["actuator.steering_torque_Nm"] - by
    return dataclasses.replace(run, signals={**run.signals, "actuator.steering_torque_Nm": torque})


@functools.cache
def laid_beside():
    """That record beside a bike with 2 mm less trail, and beside the ride without noise."""
    session, ridden = lap_start()
    axis = next(suspect for suspect in SUSPECTS if suspect.name == "steering.axis_x")
    bike = with_more(session.vehicle, axis, -2e-3)
    run = measured_by_a_bike(ridden, seed=11)

    def kept(folder):
        found = predictions(run, model_of(session, bike), 6.5)
        plain = found._replace(measured=found.measured._replace(readings=()))  # functions are not kept
        (folder / "predictions").write_bytes(pickle.dumps(plain))

    found = pickle.loads((made_once("laid_beside", kept) / "predictions").read_bytes())
    found = found._replace(measured=found.measured._replace(readings=readings_of(run, bike)))
    return Compared(
        run,
        "made <up>",
        "virtual ride",
        session.vehicle_file.name,
        found,
        misfit(found),
        equal_stations(run, ridden),
        tuple(beside(run, ridden)),
        (following(run), following(ridden)),
        steady_turns(run, session.vehicle),
        ("a remark",),
    )


@functools.cache
def laid_beside_as_a_log():
    """The same, as if devices had measured it that may be off and late, of which the map told nothing."""
    compared = laid_beside()
    seen = compared.found.measured
    doubts = tuple(Doubt(0.01, 0.01, 0.0, (False, False)) for _ in seen.readings)
    found = compared.found._replace(
        measured=seen._replace(doubts=doubts, torque_doubt=Doubt(0.0, 0.01, 0.0, (False, True)))
    )
    return compared._replace(found=found, said=misfit(found))
