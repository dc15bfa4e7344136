"""What a description says of start-up, time-outs, odd values, shifts and trips, done to a stepped bench."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.config.rig.limits import CommandMonitor, Monitors
from emulator.core.signals import ARMED, RUNNING, STANDBY, STOPPING, TRIPPED
from emulator.core.trip_reasons import TripReason
from emulator.inspection.interface.description import Frame, Interface, Signal
from emulator.inspection.interface.riding import COUNTDOWN_s, monitors, states, trip_causes
from emulator.plant.states import STATE_NAMES
from emulator.shared_memory.status import Command
from tests.support.scripted_robot import HELD_CLUTCH, Ride, variant

NAN = float("nan")


@pytest.fixture
def ride(session: Session) -> Ride:
    return Ride(session)


def commands(**changes: Mapping[str, float]) -> dict[str, dict[str, float]]:
    """The held clutch with some frames' signals replaced."""
    return {name: {**values, **changes.get(name, {})} for name, values in HELD_CLUTCH.items()}


def signal(frame: Frame, name: str) -> Signal:
    return next(s for s in frame.signals if s.name == name)


def test_the_countdown_takes_as_long_as_told(session: Session, demo: Interface) -> None:
    least, most = demo.start_up.countdown_least_s, demo.start_up.countdown_most_s
    lengths = []
    for heard in (1, 600, 640, 699, 700, 701, 760, 900):
        ride = Ride(session)
        ride.step(heard)
        ride.start()
        lengths.append(ride.states.count(ARMED))
    assert (least, most) == pytest.approx(COUNTDOWN_s)
    assert all(1000 * least <= n <= 1000 * most for n in lengths), lengths
    assert max(lengths) - min(lengths) > 900


def test_nothing_leaves_standby_without_a_heartbeat_and_then_trips_as_told(
    session: Session, demo: Interface
) -> None:
    ride = Ride(session)
    ride.every = 0
    ride.step()
    ride.arm()
    ticks = round(1000 * demo.start_up.arming_timeout_s)
    ride.step(ticks)
    assert set(ride.states) == {STANDBY}
    ride.step(4)
    assert ride.states[-1] == TRIPPED
    assert ride.plant.run[0]["trip_reason"] == TripReason.ARMING


@pytest.mark.parametrize("left_out", ["steering", "drive", "gear"])
@pytest.mark.parametrize("while_running", [True, False])
def test_a_required_frame_that_stays_away_trips_after_its_time_in_its_states(
    ride: Ride, demo: Interface, left_out: str, while_running: bool
) -> None:
    (watch,) = demo.frame(left_out).watches
    if while_running:
        ride.start(20)
    else:
        ride.step()
        ride.arm()
        while ride.step() != ARMED:
            pass
        ride.bench.command(Command.HOLD, 0.0)
    ride.commands = {name: values for name, values in HELD_CLUTCH.items() if name != left_out}
    last = max(t for t in range(ride.count) if t % ride.every == 0)  # tick of the last whole set
    ride.step(round(watch.timeout_ms) + 20)
    tripped = ride.states.index(TRIPPED) if TRIPPED in ride.states else None
    name = STATE_NAMES[RUNNING if while_running else ARMED]
    if name not in watch.states:
        assert tripped is None
        return
    assert tripped is not None
    assert tripped - last == pytest.approx(watch.timeout_ms, abs=2)
    assert ride.plant.run[0]["trip_reason"] == watch.trip_reason


@pytest.mark.parametrize("frame", ["estimate_pose", "estimate_motion"])
def test_a_frame_that_is_not_required_may_stay_away(ride: Ride, demo: Interface, frame: str) -> None:
    assert not demo.frame(frame).required
    assert frame not in ride.commands
    ride.start(1500)
    assert ride.states[-1] == RUNNING


def test_not_available_is_no_news_where_it_is_watched_and_else_holds_the_last_value(
    ride: Ride, demo: Interface
) -> None:
    ride.commands = commands(drive={"front_brake_Pa": 4e5, "clutch": 0.8})
    ride.start(300)
    assert "the last value holds" in signal(demo.frame("drive"), "clutch").not_available
    ride.commands = commands(drive={"front_brake_Pa": NAN, "clutch": NAN})
    ride.step(1000)
    assert ride.states[-1] == RUNNING
    assert ride["actuator.clutch"] == pytest.approx(0.8, abs=1e-3)
    assert ride["actuator.front_brake_Pa"] == pytest.approx(4e5, rel=1e-3)
    told = signal(demo.frame("drive"), "throttle").not_available
    assert "after 150 ms of it the bench trips while running" in told
    ride.commands = commands(drive={"throttle": NAN})
    begun = ride.count
    ride.step(300)
    assert ride.states.index(TRIPPED) - begun == pytest.approx(150, abs=ride.every + 2)
    assert ride.plant.run[0]["trip_reason"] == TripReason.COMMAND


def test_before_the_first_value_the_actuator_stays(ride: Ride, demo: Interface) -> None:
    assert "before the first one the actuator stays" in signal(demo.frame("drive"), "clutch").not_available
    ride.commands = commands(drive={"clutch": NAN})
    ride.start(200)
    assert ride["actuator.clutch"] == 0.0


def test_a_command_beyond_its_actuator_is_held_and_told(session: Session, demo: Interface) -> None:
    for frame, name, column in (
        ("steering", "steering_torque_Nm", "actuator.steering_torque_Nm"),
        ("drive", "throttle", "actuator.throttle"),
        ("drive", "front_brake_Pa", "actuator.front_brake_Pa"),
        ("drive", "rear_brake_Pa", "actuator.rear_brake_Pa"),
        ("drive", "clutch", "actuator.clutch"),
    ):
        ride = Ride(session)
        ride.start(10)
        s = signal(demo.frame(frame), name)
        ride.commands = commands(**{frame: {name: s.maximum}})
        ride.step(700)
        assert s.acts_to is not None
        assert ride[column] == pytest.approx(s.acts_to, rel=1e-3), name
        beyond = s.maximum > s.acts_to * (1.0 + 1e-9)
        told = [text for _, _, _, _, text in ride.events if "beyond its actuator's limit" in text]
        assert bool(told) == beyond, name
        assert "recorded as an event" in s.out_of_range


def test_a_shift_begins_ends_and_is_shown_as_told(session: Session, demo: Interface) -> None:
    g = demo.gearbox
    for clutch, throttle, taken in (
        (g.clutch_above + 0.02, 0.5, True),
        (g.clutch_above - 0.02, 0.5, False),
        (0.0, g.throttle_below - 0.01, True),
        (0.0, g.throttle_below + 0.01, False),
    ):
        ride = Ride(session)
        ride.start(10)
        ride.commands = commands(drive={"clutch": clutch, "throttle": throttle})
        ride.step(500)
        ride.commands = commands(drive={"clutch": clutch, "throttle": throttle}, gear={"gear_request": 3.0})
        ride.step(700)
        shifts = [text for _, _, _, _, text in ride.events if text.startswith("gear ")]
        assert shifts == (["gear 2", "gear 3"] if taken else []), (clutch, throttle)
    _, shown = ride.value("engine", "gear")
    assert set(shown.tolist()) == {1.0}


def test_between_two_gears_the_frame_shows_neutral_for_the_time_told(ride: Ride, demo: Interface) -> None:
    ride.start(10)
    ride.commands = commands(gear={"gear_request": 2.0})
    ride.step(600)
    _, shown = ride.value("engine", "gear")
    neutral = int(np.count_nonzero(shown == 0.0))
    period_ms = demo.frame("engine").period_ms
    assert neutral * period_ms == pytest.approx(demo.gearbox.shift_time_s * 1e3, abs=period_ms)
    assert shown[-1] == 2.0


@pytest.mark.parametrize(("how", "state"), [(Command.STOP, STOPPING), (Command.TRIP, TRIPPED)])
def test_what_comes_after_the_ride_is_as_told(ride: Ride, demo: Interface, how: Command, state: int) -> None:
    ride.start(3000)
    ride.bench.command(how, float(TripReason.OPERATOR))
    ride.step()
    assert ride.states[-1] == state
    ticks = round(1000 * demo.end.ramp_to_rest_s)
    ride.step(ticks - 2)
    assert not ride.bench.finished
    ride.step(4)
    assert ride.bench.finished
    _, said = ride.value(demo.start_up.state_frame, demo.start_up.reason_signal)
    assert said[-1] == (TripReason.OPERATOR if how == Command.TRIP else TripReason.NONE)


def test_the_heartbeat_has_to_change_and_may_wrap(ride: Ride, demo: Interface) -> None:
    (watch,) = demo.frame(demo.start_up.heartbeat_frame).watches
    assert "another value than before" in watch.news
    assert demo.start_up.heartbeat_counts == 65536
    ride.start(10)
    ride.robot.heartbeat = demo.start_up.heartbeat_counts - 2
    ride.step(500)
    assert ride.states[-1] == RUNNING
    ride.step(500, then=lambda r: setattr(r.robot, "heartbeat", 7))
    assert ride.plant.run[0]["trip_reason"] == TripReason.HEARTBEAT


def test_states_and_reasons_are_all_there(demo: Interface, session: Session) -> None:
    assert [(s.number, s.name) for s in demo.states] == list(enumerate(STATE_NAMES))
    assert demo.states == states(session.rig)
    assert [t.number for t in demo.trip_reasons] == [int(r) for r in TripReason]
    can_come = {TripReason(t.number) for t in demo.trip_reasons if t.can_come}
    assert can_come == {TripReason(n) for n in range(1, 8)}


def test_monitors_are_the_rigs(session: Session) -> None:
    watching = variant(
        session, rig={"monitors": Monitors(command_rate=CommandMonitor(for_ms=80.0), command_limit=None)}
    )
    (monitor,) = monitors(watching.rig)
    assert (monitor.name, monitor.for_ms) == ("command_rate", 80.0)
    assert (monitor.within, monitor.then) == (None, "trip")
    can_come = {t.number for t in trip_causes(watching.rig) if t.can_come}
    assert TripReason.COMMAND_RATE in can_come
    assert monitors(variant(session, rig={"monitors": Monitors(command_limit=None)}).rig) == ()
