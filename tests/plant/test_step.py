"""Whole ticks: what reaches the wire, when, and what never does."""

import gc
import math
import sys

import numpy as np
import pytest
from numba.core.runtime import _nrt_python, rtsys

from emulator.config.scenario.events import Trigger
from emulator.core.compiled import jit
from emulator.core.frame_buffer import frame_buffer
from emulator.core.random_streams import normal
from emulator.core.signals import ANALOGUE, INDEX, RUNNING, SIGNALS, STANDBY, STOPPING, TRIPPED
from emulator.core.trip_reasons import TripReason
from emulator.events.table import FAULT, GRIP, MARK
from emulator.plant.states import (
    EV_BEGAN,
    EV_END,
    EV_ENDED,
    EV_FALL,
    EV_LAP,
    EV_RELEASE,
    EV_REST,
    EV_STATE,
    EV_TRIP,
)
from emulator.plant.step import WHOLE, _same, tick
from emulator.shared_memory.status import Command
from emulator.vehicle.state import N_U, N_X, OMEGA, POSITION, QUATERNION, T_LOAD, VELOCITY
from tests.support.events import BusEvent, FrameEvent, GripEvent, MarkEvent, RestartEvent
from tests.support.scripted_robot import HELD_CLUTCH, Ride, fault, variant, with_events

MS = 1_000_000


@pytest.fixture(scope="module")
def clean(session):
    """Three seconds of ride without any fault."""
    return Ride(session).start(3000)


# --- timing on the wire -------------------------------------------------------------------------------


def test_every_frame_is_sent_at_its_rate_and_at_the_age_the_rig_promises(clean):
    for frame in clean.session.outputs:
        promised = clean.session.rig.outputs[frame]
        sent = [
            (tick, due, valid) for tick, name, _, due, valid in clean.frames if name == frame and valid >= 0
        ]
        tick, due, valid = np.array(sent).T
        period = round(1000 / promised.rate_hz)
        assert np.array_equal(valid, np.arange(valid.size) * period * MS), frame
        latency = round(promised.latency_ms * MS)
        if promised.jitter_ms == 0.0:
            assert (due - valid == latency).all(), frame
        else:
            assert (due - valid >= latency).all(), frame
            assert len(set(due - valid)) > valid.size // 2, frame
        assert np.array_equal(tick, -(-due // MS)), frame


def test_alive_counters_count_through(clean):
    for frame in clean.session.outputs:
        counters = [payload[1] & 0x0F for _, name, payload, _, _ in clean.frames if name == frame]
        assert counters == [n % 15 for n in range(len(counters))]


def test_the_state_frame_tells_state_time_and_that_all_of_it_is_emulated(clean):
    ticks, values = clean.sent("emulator_state")
    names = clean.session.codec.signals[clean.session.codec.frame("emulator_state")]
    of = dict(zip(names, values.T, strict=True))
    assert (of["emulated"] == 1.0).all()
    assert np.array_equal(np.diff(of["heartbeat"]), np.ones(ticks.size - 1))
    riding = ticks >= 0
    assert (of["state"][riding] == RUNNING).all()
    assert (of["trip_reason"] == 0).all()
    np.testing.assert_allclose(of["scenario_time_s"][riding], ticks[riding] * 1e-3, atol=0.005)
    assert (of["scenario_time_s"][~riding] == 0.0).all()


def test_the_row_records_what_the_receiver_of_the_last_frame_decodes(session):
    ride = Ride(session).start()
    for _ in range(40):
        ride.step(7)
        for frame in session.outputs:
            _, values = ride.sent(frame)
            for name, value in zip(
                session.codec.signals[session.codec.frame(frame)], values[-1], strict=True
            ):
                if f"output.{name}" in INDEX:
                    assert ride[f"output.{name}"] == value


def test_a_full_send_buffer_loses_frames_but_nothing_else(session):
    ride = Ride(session)
    ride.tx = frame_buffer(2)
    ride.start(500)
    assert ride.states[-1] == RUNNING
    assert max(sum(1 for f in ride.frames if f[0] == t) for t in range(0, 500, 10)) == 2


# --- same inputs, same bytes --------------------------------------------------------------------------


def wire(ride, *, without=(), since=None):
    return [f for f in ride.frames if f[1] not in without and (since is None or f[4] >= since)]


def test_the_same_seed_gives_the_same_bytes_and_rows(session, clean):
    again = Ride(session).start(3000)
    assert again.frames == clean.frames
    assert again.bursts == clean.bursts
    assert again.bench.row.tobytes() == clean.bench.row.tobytes()
    assert np.array_equal(again.plant.x, clean.plant.x)


def test_another_seed_gives_other_noise_but_the_same_ride(session, clean):
    other = Ride(variant(session, seed=8)).start(3000)
    for frame in ("imu_rates", "imu_force", "lean", "steering_angle", "wheel_speed"):
        assert [f[2] for f in other.frames if f[1] == frame] != [
            f[2] for f in clean.frames if f[1] == frame
        ], frame
    assert [f for f in other.frames if f[1] == "engine"] == [f for f in clean.frames if f[1] == "engine"]
    assert other.bursts != clean.bursts
    assert np.array_equal(other.plant.x, clean.plant.x)  # nobody in this ride listens to the sensors


@pytest.mark.parametrize("removed", ["imu_rates", "lean", "wheel_speed", "emulator_state"])
def test_a_sensor_more_or_less_changes_no_other_sensors_bytes(session, removed):
    both = Ride(session).start(2000)
    less = Ride(variant(session, outputs={removed: None})).start(2000)
    assert removed not in less.session.outputs
    assert wire(less) == wire(both, without=(removed,))
    assert less.bursts == both.bursts


@pytest.mark.parametrize("waited", [123, 777, 1500])
def test_the_ride_does_not_depend_on_how_long_the_robot_was_waited_for(session, clean, waited):
    late = Ride(session)
    late.step(waited)
    late.count -= late.count % 10  # the robot's frames fall on the same ticks of the ride
    late.arm()
    while late.step() != RUNNING:
        pass
    start = late.bench.tick_number
    late.step(1000)
    for frame in session.outputs:
        mine = [(due, valid, p[2:]) for _, n, p, due, valid in wire(late, since=0) if n == frame]
        theirs = [(due, valid, p[2:]) for _, n, p, due, valid in wire(clean, since=0) if n == frame]
        if frame != "emulator_state":  # its own heartbeat counts from power-on, as alive counters do
            assert mine == theirs[: len(mine)], frame
    assert start == 0


# --- faults -------------------------------------------------------------------------------------------

ON, LASTS = 1.0, 0.5  # [s]
CASES = [
    ("imu_rates", "rate_x_rad_s", "dropout", None, 0.0),
    ("imu_force", "force_z_m_s2", "stuck", 3.0, 0.0),
    ("imu_force", "force_x_m_s2", "gain", 2.0, 0.0),
    ("lean", "lean_rad", "offset", 0.1, 0.2),
    ("steering_angle", "steering_angle_rad", "drift", 0.4, 0.0),
    ("wheel_speed", "wheel_front_m_s", "freeze", None, 0.0),
    ("wheel_speed", "wheel_rear_m_s", "stuck", 30.0, 0.3),
    ("lean", "lean_rad", "noise", 0.05, 0.0),
]


@pytest.mark.parametrize(("frame", "signal", "effect", "value", "ramp"), CASES)
def test_a_fault_acts_on_its_signal_for_its_time_and_on_nothing_else(
    session, clean, frame, signal, effect, value, ramp
):
    ride = Ride(with_events(session, fault(signal, effect, ON, LASTS, value, ramp))).start(3000)
    assert wire(ride, without=(frame,)) == wire(clean, without=(frame,))
    assert ride.bursts == clean.bursts

    mine, theirs = wire(ride), wire(clean)
    at = [i for i, f in enumerate(theirs) if f[1] == frame]
    valid = np.array([theirs[i][4] for i in at]) * 1e-9
    during = (valid >= ON) & (valid < ON + LASTS)
    assert [mine[i] for i, on in zip(at, during, strict=True) if not on] == [
        theirs[i] for i, on in zip(at, during, strict=True) if not on
    ]  # before onset and after the end: the same bytes

    got = ride.value(frame, signal)[1][during]
    true = clean.value(frame, signal)[1][during]
    elapsed = valid[during] - ON
    strength = np.minimum(1.0, elapsed / ramp) if ramp else np.ones_like(elapsed)
    quantum = 2.0 * float(np.abs(np.diff(np.unique(clean.value(frame, signal)[1]))).min())
    if effect == "noise":
        stream = ride.plant.streams_0[ride.plant.events[0]["stream"] :][:1].copy()
        z = np.array([normal(stream, 0) for _ in true])
        expected = true + strength * value * z
    else:
        expected = {
            "dropout": lambda: np.full_like(true, np.nan),
            "freeze": lambda: np.full_like(true, true[0]),
            "stuck": lambda: true + strength * (value - true),
            "offset": lambda: true + strength * value,
            "gain": lambda: true * (1 + strength * (value - 1)),
            "drift": lambda: true + value * elapsed,
        }[effect]()
    np.testing.assert_allclose(got, expected, atol=quantum)
    assert got.size >= 0.5 * session.rig.outputs[frame].rate_hz


def test_faults_on_one_signal_act_in_the_order_of_the_file(session, clean):
    first = fault("lean_rad", "offset", ON, LASTS, 0.1)
    second = fault("lean_rad", "gain", ON, LASTS, 3.0)
    one = Ride(with_events(session, first, second)).start(1600).value("lean", "lean_rad")[1]
    other = Ride(with_events(session, second, first)).start(1600).value("lean", "lean_rad")[1]
    true = clean.value("lean", "lean_rad")[1][: one.size]
    on = np.abs(one - true) > 0.05
    np.testing.assert_allclose(one[on], 3.0 * (true[on] + 0.1), atol=3e-4)
    np.testing.assert_allclose(other[on], 3.0 * true[on] + 0.1, atol=3e-4)
    assert on.sum() == 50


def test_events_show_in_the_mask_and_in_the_record(session):
    events = (
        fault("lean_rad", "offset", 0.2, 0.3, 0.1),
        GripEvent(kind="grip", name="rain", at=Trigger(time_s=0.1), duration_s=0.2, factor=0.5, ramp_s=0.1),
        MarkEvent(kind="mark", name="here", at=Trigger(time_s=0.25), text="look"),
        fault("lean_rad", "dropout", 50.0, 1.0),
    )
    ride = Ride(with_events(session, *events)).start()
    masks, grips = [], []

    def note(r):
        masks.append(int(r["bench.events_active"]))
        grips.append((r["truth.grip_front"], r["truth.grip_rear"]))

    ride.step(700, note)  # masks[i] is that of tick i + 1
    expected = [
        (1 if 200 <= t < 500 else 0) + (2 if 100 <= t < 300 else 0) + (4 if t == 250 else 0)
        for t in range(1, 701)
    ]
    assert masks == expected
    base = session.scenario.surface.grip
    t = np.arange(1, 701)
    factor = np.where((t >= 100) & (t < 300), 1.0 - 0.5 * np.minimum(1.0, (t - 100) / 100), 1.0)
    np.testing.assert_allclose(np.array(grips), np.column_stack([base * factor, base * factor]), rtol=1e-12)
    told = [(tick, code, index) for tick, code, index, _, _ in ride.events if code >= EV_BEGAN]
    assert told == [
        (100, EV_BEGAN + GRIP, 1),
        (200, EV_BEGAN + FAULT, 0),
        (250, EV_BEGAN + MARK, 2),
        (300, EV_ENDED + GRIP, 1),
        (500, EV_ENDED + FAULT, 0),
    ]


def test_a_fault_by_station_starts_where_the_bike_passes(session):
    event = fault("lean_rad", "offset", 0.0, 1.0, 0.1).model_copy(update={"at": Trigger(station_m=3.0)})
    ride = Ride(with_events(session, event)).start()
    at = []
    ride.step(3300, lambda r: at.append((r["line.station_m"], int(r["bench.events_active"]))))
    on = [station for station, active in at if active]
    assert 3.0 <= on[0] < 3.02
    assert len(on) == 1000


@pytest.mark.parametrize(
    ("effect", "value"), [("stuck", 30.0), ("offset", 5.0), ("noise", 5.0), ("dropout", None)]
)
def test_a_fault_does_not_outlive_the_ride(session, effect, value):
    ride = Ride(with_events(session, fault("wheel_front_m_s", effect, 0.5, 1000.0, value))).start(2000)
    ride.bench.command(Command.STOP, 0.0)
    while not ride.bench.finished:
        ride.step()
    ride.step(100)
    assert (ride.value("wheel_speed", "wheel_front_m_s")[1][-8:] == 0.0).all()


# --- divergence ---------------------------------------------------------------------------------------


def assert_guarded(ride):
    """The bench trips for divergence, comes to rest, and shows nothing on the way that isn't a number."""
    before = {frame: len(ride.sent(frame)[0]) for frame in ride.session.outputs}
    outputs = [i for name, i in INDEX.items() if name.startswith(("output.", "truth.", "line."))]
    rows = []
    ride.step(1700, lambda r: rows.append(r.bench.row[outputs].copy()))
    assert ride.states[-1] == TRIPPED
    assert ride["bench.trip_reason"] == TripReason.DIVERGED
    for frame, n in before.items():
        _, values = ride.sent(frame)
        assert np.isfinite(values[n:]).all(), frame
    bad = ~np.isfinite(np.array(rows)).all(0)
    names = [name for name in INDEX if name.startswith(("output.", "truth.", "line."))]
    unsent = {f"output.{name}" for name in ANALOGUE}  # the demo rig leaves their frames out
    assert {n for n, b in zip(names, bad, strict=True) if b} == unsent
    assert np.isfinite(ride.plant.x).all()
    assert ride.bench.finished
    assert (ride.value("wheel_speed", "wheel_front_m_s")[1][-5:] == 0.0).all()
    force = ride.value("imu_force", "force_z_m_s2")[1][-5:]
    assert np.abs(force - 9.84).max() < 0.4


@pytest.mark.parametrize("index", [POSITION, QUATERNION, OMEGA + 2, VELOCITY, N_X - 1])
@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_a_state_that_is_not_a_number_never_leaves_the_plant(session, index, value):
    ride = Ride(session).start(1000)
    ride.plant.x[index] = value
    assert_guarded(ride)


@pytest.mark.parametrize(
    ("index", "value"), [(VELOCITY, 500.0), (VELOCITY + 1, 500.0), (VELOCITY + 2, -500.0), (OMEGA, 1e3)]
)
def test_an_impossible_motion_trips(session, index, value):
    ride = Ride(session).start(1000)
    ride.plant.x[index] = value
    ride.step(3)
    assert ride.states[-1] == TRIPPED
    assert ride["bench.trip_reason"] == TripReason.DIVERGED


def test_a_derivative_that_is_not_a_number_is_noticed_before_it_is_sensed(session):
    ride = Ride(session).start(1000)
    ride.plant.u[14] = math.nan  # air density: the state is sound, its derivative is not
    x = ride.plant.x.copy()
    ride.step(2)
    assert ride["bench.trip_reason"] == TripReason.DIVERGED
    assert np.array_equal(ride.plant.x, x)
    ride.plant.u[14] = 1.2
    _, force = ride.sent("imu_force")
    ride.step(1600)
    assert np.isfinite(ride.sent("imu_force")[1]).all()
    assert np.abs(ride.sent("imu_force")[1][-1] - (0.02, -0.02, 9.84)).max() < 0.4
    assert force.size


# --- the ride's events --------------------------------------------------------------------------------


def codes(ride, *wanted):
    return [(tick, code, index) for tick, code, index, _, _ in ride.events if code in wanted]


def test_stop_and_trip_by_the_operator_are_told(session):
    ride = Ride(session).start(500)
    ride.bench.command(Command.STOP, 0.0)
    ride.step(100)
    assert codes(ride, EV_STATE)[-1][2] == RUNNING
    assert ride.events[-1][1] == EV_END
    assert ride.events[-1][4] == "stopped"
    ride.bench.command(Command.TRIP, 6.0)
    ride.step(2)
    assert [e[4] for e in ride.events if e[1] == EV_STATE][-1] == "stopping -> tripped"
    assert [e[4] for e in ride.events if e[1] == EV_TRIP] == ["operator trip"]


def test_the_states_of_a_ride_are_told_in_order(session):
    ride = Ride(variant(session, scenario={"duration_limit_s": 1.0})).start()
    while not ride.bench.finished:
        ride.step()
    assert [e[4] for e in ride.events if e[1] == EV_STATE] == [
        "standby -> armed",
        "armed -> running",
        "running -> stopping",
        "stopping -> standby",
    ]
    outcome = ride.bench.outcome()
    assert (outcome["ended"], outcome["trip_code"], outcome["trip_reason"]) == ("time_limit", 0, "")
    assert 1000 <= next(e[0] for e in ride.events if e[1] == EV_END) <= 1001


def test_the_support_lets_go_at_its_speed(session):
    support = session.scenario.support.model_copy(update={"release_speed_km_h": 5.0})
    ride = Ride(variant(session, scenario={"support": support})).start(1500)
    assert len(codes(ride, EV_RELEASE)) == 1
    told = next(e for e in ride.events if e[1] == EV_RELEASE)
    assert told[3] == pytest.approx(5.0 / 3.6, abs=0.02)
    assert told[4] == "support released at 5.0 km/h"
    assert ride["truth.support"] == 0.0


def test_the_support_lets_go_at_its_time(session):
    support = session.scenario.support.model_copy(update={"release_speed_km_h": None, "release_time_s": 0.75})
    ride = Ride(variant(session, scenario={"support": support})).start(1)
    ride.step(1500)
    assert [e[0] for e in ride.events if e[1] == EV_RELEASE] == [750]


def test_a_bike_that_is_let_fall_is_down_and_the_ride_ends(session):
    support = session.scenario.support.model_copy(update={"release_speed_km_h": 5.0})
    ride = Ride(variant(session, scenario={"support": support})).start(1000)
    ride.commands = {**HELD_CLUTCH, "steering": {"steering_torque_Nm": 10.0}}
    for _ in range(8000):
        if ride.step() != RUNNING:
            break
    assert [e[4][:8] for e in ride.events if e[1] == EV_FALL] == ["fell to "]
    fell = next(e for e in ride.events if e[1] == EV_FALL)
    # steering to the left throws the bike to the right
    assert "right" in fell[4]
    assert fell[3] > 0.9
    assert ride["truth.fallen"] == 1.0
    assert ride.states[-1] == STOPPING
    rest = next(e for e in ride.events if e[1] == EV_REST)
    assert rest[4].startswith("lies still on its right side, ")
    assert ride.bench.tick_number - rest[0] in (1, 2)
    assert ride.bench.outcome()["ended"] == "fallen"


def test_a_lap_is_counted_and_the_last_one_ends_the_ride(session):
    ride = Ride(session).start(1000)
    length = session.line.length
    # carried round: the bike is put down just before the line
    ride.plant.run[0]["station"] = length - 0.5
    x, y = session.line.x[-2], session.line.y[-2]
    ride.plant.x[POSITION : POSITION + 2] = x, y
    ride.step(1000)
    assert [e[4] for e in ride.events if e[1] == EV_LAP] == ["lap 1 complete"]
    assert ride.bench.outcome()["ended"] == "complete"
    assert ride.states[-1] in (STOPPING, STANDBY)


def test_a_silent_robot_trips_the_ride_with_its_reason(session):
    ride = Ride(session).start(300)
    ride.every = 0
    ride.step(1)
    last = ride.bench.tick_number
    while ride.step() == RUNNING:
        pass
    # commands 150 ms, heartbeat 200 ms: the shorter one is the reason
    outcome = ride.bench.outcome()
    assert (outcome["ended"], outcome["trip_code"]) == ("tripped", TripReason.COMMAND)
    assert 140 <= ride.bench.tick_number - last <= 152


# --- running cost -------------------------------------------------------------------------------------


@jit
def _only_takes_its_arguments(p, rx, tx, lateness_us, compute_us, part):
    return int(p.run[0].state)


def allocated_by(function, *arguments):
    """Allocations and releases of compiled code in 200 calls."""
    before = rtsys.get_allocation_stats()
    for _ in range(200):
        function(*arguments)
    after = rtsys.get_allocation_stats()
    return after.alloc - before.alloc, after.free - before.free


def test_a_tick_allocates_nothing(session):
    ride = Ride(session).start(500)
    tick_ = ride.plant, ride.rx, ride.tx, 0.0, 0.0, WHOLE
    ride.plant.rig[0]["command_ticks"] = ride.plant.rig[0]["heartbeat_ticks"] = 1_000_000
    gc.collect()
    for _ in range(5000):  # the interpreter's own free lists fill up first
        tick(*tick_)
    before = sys.getallocatedblocks()
    for _ in range(2000):
        tick(*tick_)
    assert sys.getallocatedblocks() - before <= 2  # the loop's own variables

    was_on = _nrt_python.memsys_stats_enabled()
    _nrt_python.memsys_enable_stats()
    try:
        _only_takes_its_arguments(*tick_)
        made, freed = allocated_by(tick, *tick_)
        handed_over, _ = allocated_by(_only_takes_its_arguments, *tick_)
    finally:
        if not was_on:
            _nrt_python.memsys_disable_stats()
    assert made == freed
    assert made == handed_over  # all of them carry the arguments over from Python; the tick itself makes none
    assert ride.bench.row.shape == (len(SIGNALS),)
    assert ride.states[-1] == RUNNING


def test_frames_that_leave_before_the_bike_is_measured_are_those_that_would_leave_behind_it(session):
    """What acts on frames acts in both orders: losses, delays, a bus that is off, devices without power."""
    at = {"at": Trigger(time_s=0.2), "duration_s": 0.3}
    faulty = with_events(
        session,
        FrameEvent(kind="frame", name="loss", frame="imu_rates", effect="loss", probability=0.5, **at),
        FrameEvent(kind="frame", name="delay", frame="lean", effect="delay", delay_ms=12.0, **at),
        RestartEvent(kind="restart", name="imu", sensor="imu", at=Trigger(time_s=0.3), duration_s=0.1),
        RestartEvent(kind="restart", name="wheels", sensor="wheel_speed", **at),
        BusEvent(kind="bus", name="off", effect="bus_off", at=Trigger(time_s=0.6), duration_s=0.05),
    )
    before, behind = Ride(faulty), Ride(faulty)
    assert before.plant.rig[0]["samples_wait"] == 1
    behind.plant.rig[0]["samples_wait"] = 0
    for ride in (before, behind):
        ride.keep_rows = True
        ride.start(900)
    assert before.frames == behind.frames
    assert str(before.events) == str(behind.events)  # of which values may be no number
    assert np.array_equal(before.rows, behind.rows, equal_nan=True)
    clean = Ride(with_events(session)).start(900)
    assert len(before.frames) < len(clean.frames) - 100


def test_a_bike_that_stands_as_before_is_not_derived_anew_and_shows_the_same(session):
    """Of two that stand, one forgets each tick what it derived; grip, wind, brakes, gear and state change."""
    kept, anew = Ride(session), Ride(session)
    kept.every = anew.every = 0
    rng = np.random.default_rng(4)
    for tick_number in range(400):
        if tick_number % 20 == 0:  # and for some ticks nothing does
            which, value = rng.integers(N_U), rng.choice([0.0, -0.0, rng.uniform(0.0, 1.0)])
            place, off = rng.integers(N_X), rng.choice([-0.0, 1e-4, -1e-4])
            for ride in (kept, anew):
                ride.plant.u[which] = value
                ride.plant.x[place] = off if ride.plant.x[place] == 0.0 else ride.plant.x[place] + off
        anew.plant.run[0]["stood"] = 0
        for ride in (kept, anew):
            ride.step(1)
        for name in ("rhs", "tyre", "R"):
            assert kept.plant.work[0][name].tobytes() == anew.plant.work[0][name].tobytes(), (
                tick_number,
                name,
            )
        assert kept.bench.row.tobytes() == anew.bench.row.tobytes(), tick_number
    assert kept.frames == anew.frames
    kept.plant.work[0]["tyre"][:, T_LOAD] = 7.0
    kept.step(1)
    assert kept["truth.load_front_N"] == 7.0  # nothing changed, nothing was derived


def test_numbers_are_the_same_by_their_bits_and_none_that_is_not_one_is():
    numbers = [0.0, -0.0, 1.0, math.nextafter(1.0, 2.0), -1.0, math.inf, -math.inf, math.nan]
    for one in numbers:
        for other in numbers:
            a, b = np.array([5.0, one, 5.0]), np.array([5.0, other, 5.0])
            assert _same(a, b) == (a.tobytes() == b.tobytes() and not math.isnan(one)), (one, other)


def test_what_may_leave_in_the_tick_it_is_measured_in_waits_for_that(session):
    """And on a bus of known bit rate what is measured may go before what waits."""
    rate = session.rig.bus.model_copy(update={"bitrate": 500_000})
    for other, waits in (
        (session, 1),
        (variant(session, outputs={"lean": {"latency_ms": 0.0}}), 0),
        (variant(session, rig={"bus": rate}), 0),
    ):
        ride = Ride(other)
        assert ride.plant.rig[0]["samples_wait"] == waits
        ride.step(20)
        ride.bench.begin_tick(ride.rx, ride.tx)
        known = int(ride.tx.count[0])
        ride.bench.finish_tick(0.0, 0.0)
        assert ride.tx.count[0] > 0
        assert known == waits * ride.tx.count[0]
