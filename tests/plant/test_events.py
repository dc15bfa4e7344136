"""What events do to the rest of a ride: actuators, bus, power, GNSS, grip; and when they start."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.assembly.event_tables import triggers_of
from emulator.config.scenario.events import Intermittent, Repeat, Trigger
from emulator.core.signals import OUTPUT_VALUES
from emulator.core.trip_reasons import TripReason
from emulator.events.power_faults import DEVICES
from emulator.events.table import MARK
from emulator.plant.events import sensor_of
from emulator.plant.states import EV_BEGAN, EV_ENDED, EV_SPARED
from emulator.shared_memory.status import Command
from emulator.wire.can_timing import bits_ns
from emulator.wire.nmea_reading import Gga, parse
from tests.support.can_contents import frame_on_the_wire
from tests.support.events import (
    ActuatorEvent,
    BusEvent,
    FrameEvent,
    GnssEvent,
    GripEvent,
    MarkEvent,
    RestartEvent,
)
from tests.support.scripted_robot import HELD_CLUTCH, Ride, variant, with_events

ON, OFF = 300, 700


def event(model, **values):
    return model.model_validate(
        {"name": "e", "at": Trigger(time_s=ON / 1000), "duration_s": (OFF - ON) / 1000} | values
    )


def actuator(channel, effect, **values):
    return event(ActuatorEvent, kind="actuator", channel=channel, effect=effect, **values)


def commanded(session, *events, throttle=0.0, front_brake=0.0, torque=0.0):
    ride = Ride(with_events(session, *events))
    ride.commands = {
        **HELD_CLUTCH,
        "steering": {"steering_torque_Nm": torque, "steering_angle_rad": 0.0},
        "drive": {**HELD_CLUTCH["drive"], "throttle": throttle, "front_brake_Pa": front_brake},
    }
    return ride.start()


def log(ride, signal, ticks):
    out = []
    ride.step(ticks, lambda r: out.append(r[signal]))
    return np.array(out)


# ---- actuators -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("channel", "signal", "given", "asked"),
    [
        ("throttle", "actuator.throttle", {"throttle": 0.5}, 0.5),
        ("front_brake", "actuator.front_brake_Pa", {"front_brake": 8e5}, 8e5),
        ("steering", "actuator.steering_torque_Nm", {"torque": 12.0}, 12.0),
    ],
)
def test_a_weak_actuator_delivers_its_share_while_it_is_weak(session, channel, signal, given, asked):
    ride = commanded(session, actuator(channel, "weak", factor=0.5), **given)
    got = log(ride, signal, 900)
    assert got[ON - 2] == pytest.approx(asked, rel=1e-2)
    np.testing.assert_allclose(got[ON - 1 : OFF - 1], 0.5 * asked, rtol=1e-2)
    np.testing.assert_allclose(got[OFF - 1 :], asked, rtol=1e-2)


def test_brake_fade_leaves_the_pressure_and_takes_the_torque(session):
    ride = commanded(session, actuator("front_brake", "brake_fade", factor=0.4), front_brake=8e5)
    ride.step(ON + 50)
    pressure, acting = ride["actuator.front_brake_Pa"], float(ride.plant.u[2])
    assert pressure == pytest.approx(8e5, rel=1e-2)
    assert acting == pytest.approx(0.4 * pressure, rel=1e-12)


@pytest.mark.parametrize("effect", ["no_response", "stuck"])
def test_a_gear_lever_that_does_not_move_changes_no_gear(session, effect):
    ride = commanded(session, actuator("gear", effect))
    ride.step(ON - 50)
    ride.commands = {**ride.commands, "gear": {"gear_request": 2.0}}
    sound = ride["truth.gear"]
    ride.step(45)
    ride.commands = {**ride.commands, "gear": {"gear_request": 3.0}}
    ride.step(200)
    assert (sound, ride["truth.gear"]) == (1.0, 2.0)
    ride.step(500)
    assert ride["truth.gear"] == 3.0


def test_an_intermittent_fault_leaves_the_actuator_alone_in_its_pauses(session):
    weak = actuator("throttle", "weak", factor=0.5, intermittent=Intermittent(on_s=0.02, off_s=0.03))
    ride = commanded(session, weak, throttle=0.6)
    got = log(ride, "actuator.throttle", OFF + 50)
    tick = np.arange(1, OFF + 51)
    on = (tick >= ON) & (tick < OFF) & ((tick - ON) % 50 < 20)
    np.testing.assert_allclose(got[tick > ON - 10], np.where(on, 0.3, 0.6)[tick > ON - 10], rtol=1e-2)


def test_actuators_are_sound_again_when_the_ride_ends(session):
    ride = commanded(session, actuator("throttle", "stuck", value=0.8, duration_s=1e4), throttle=0.1)
    ride.step(ON + 100)
    assert ride["actuator.throttle"] == 0.8
    ride.bench.command(Command.STOP, 0.0)
    ride.step(400)
    assert ride["actuator.throttle"] == pytest.approx(0.1, rel=1e-3)


# ---- bus and power ---------------------------------------------------------------------------------------


def test_off_the_bus_nothing_is_sent_and_nothing_heard(session):
    ride = Ride(with_events(session, event(BusEvent, kind="bus", effect="bus_off", duration_s=0.1)))
    ride.start(ON - 10)
    accepted = ride.bench.frame_counts()["drive"]["accepted"]
    ride.step(9)
    before = len(ride.frames)
    ride.step(100)
    heard = ride.bench.frame_counts()["drive"]["accepted"] - accepted
    assert len(ride.frames) == before
    assert heard <= 2
    ride.step(50)
    assert len(ride.frames) > before + 50


def test_off_the_bus_for_longer_than_the_robot_may_be_silent_trips(session):
    ride = Ride(with_events(session, event(BusEvent, kind="bus", effect="bus_off")))
    ride.start(ON + 300)
    assert ride.bench.outcome()["trip_code"] == TripReason.COMMAND


def test_an_overload_takes_its_share_of_the_bus(session):
    bus = session.rig.bus.model_copy(update={"bitrate": 500_000})
    overload = event(BusEvent, kind="bus", effect="overload", load=0.6, identifier=5)
    ride = Ride(variant(session, rig={"bus": bus}, scenario={"events": (overload,)}))
    ids = []
    ride.start(ON - 1)
    for _ in range(OFF - ON):
        ride.bench.tick(ride.rx, ride.tx, 0.0, 0.0)
        ride.rx.count[0] = 0
        n = int(ride.tx.count[0])
        row = ride.tx.can_id[:n].tolist()
        assert row[: row.count(5)] == [5] * row.count(5), "the most urgent go first"
        ids += row
        if ride.count % 10 == 0:
            ride.robot.send_all(ride.rx, ride.commands)
        ride.count += 1
    # 8 bytes of zeros
    bits = frame_on_the_wire(5, False, bytes(8)).nominal
    taken = ids.count(5) * bits_ns(bits, 500_000) / ((OFF - ON) * 1e6)
    assert taken == pytest.approx(0.6, abs=2e-3)


def test_a_bus_that_is_no_longer_overloaded_is_free_again(session):
    bus = session.rig.bus.model_copy(update={"bitrate": 500_000})
    overload = event(BusEvent, kind="bus", effect="overload", load=0.6)
    ride = Ride(variant(session, rig={"bus": bus}, scenario={"events": (overload,)}))
    ride.start(ON - 1)
    taken, zeros_ns = [], bits_ns(frame_on_the_wire(0, False, bytes(8)).nominal, 500_000)
    for _ in range(OFF - ON + 20):
        ride.bench.tick(ride.rx, ride.tx, 0.0, 0.0)
        ride.rx.count[0] = 0
        if ride.count % 10 == 0:
            ride.robot.send_all(ride.rx, ride.commands)
        ride.count += 1
        taken.append(zeros_ns * ride.tx.can_id[: ride.tx.count[0]].tolist().count(0))
    assert sum(taken[: OFF - ON]) == pytest.approx(0.6e6 * (OFF - ON), rel=3e-3)
    assert set(taken[OFF - ON :]) == {0}


@pytest.mark.parametrize(
    ("sensor", "frames"),
    [
        ("imu", {"imu_rates", "imu_force"}),
        ("lean", {"lean"}),
        ("wheel_speed", {"wheel_speed"}),
        ("engine", {"engine"}),
    ],
)
def test_without_power_a_sensor_is_silent_and_begins_with_counter_0(session, sensor, frames):
    ride = Ride(with_events(session, event(RestartEvent, kind="restart", sensor=sensor)))
    ride.start(1000)
    usual = Ride(with_events(session)).start(1000)
    names = {name for _, name, _, _, _ in ride.frames}
    assert frames < names
    for name in names:
        got = [(t, p) for t, n, p, _, _ in ride.frames if n == name]
        without = [(t, p) for t, n, p, _, _ in usual.frames if n == name]
        if name not in frames:
            assert got == without
            continue
        latency = 1 + round(ride.session.rig.outputs[name].latency_ms)
        assert not [t for t, _ in got if ON <= t < OFF]
        assert [f for f in got if f[0] < ON] == [f for f in without if f[0] < ON]
        back = [f for f in got if f[0] >= OFF]
        assert OFF <= back[0][0] <= OFF + latency + 10
        assert [p[1] & 15 for _, p in back[:20]] == [k % 15 for k in range(len(back[:20]))]


def test_a_sensor_that_has_its_power_again_in_the_last_tick_of_a_ride_counts_on(session):
    ride = Ride(with_events(session, event(RestartEvent, kind="restart", sensor="lean")))
    ride.start(OFF)
    assert ride.events[-1][0] == ride.bench.tick_number == OFF
    ride.bench.command(Command.STOP, 0.0)
    ride.step(300)
    counters = [p[1] & 15 for t, name, p, _, _ in ride.frames if name == "lean" and t > OFF]
    assert len(counters) > 20
    assert counters == [k % 15 for k in range(len(counters))]


def test_every_output_value_comes_from_a_device_or_from_the_bench_itself():
    own = {"heartbeat", "state", "trip_reason", "emulated", "scenario_time_s"}
    own |= {
        "reaction_torque_Nm",
        "fork_angle_rad",
    }  # of an angle that is imposed
    assert {name for v, name in enumerate(OUTPUT_VALUES) if sensor_of(v) == 0} == own
    of = {
        name: DEVICES[sensor_of(v).bit_length() - 1]
        for v, name in enumerate(OUTPUT_VALUES)
        if name not in own
    }
    assert of["rate_z_rad_s"] == of["force_x_m_s2"] == "imu"
    assert of["steering_rate_rad_s"] == "steering_angle"
    assert of["gear"] == of["throttle"] == "engine"
    assert of["gnss_satellites"] == "gnss"
    assert of["wheel_rear_edges"] == "wheel_pulses"
    assert of["chain_torque_Nm"] == "analogue"
    assert set(of.values()) == set(DEVICES)


# ---- GNSS ------------------------------------------------------------------------------------------------


def fixes(ride):
    """(tick, GGA) of every burst."""
    out = []
    for tick, burst, _, _ in ride.bursts:
        for line in burst.decode().splitlines():
            said = parse(line.encode()) if line[3:6] == "GGA" else None
            if isinstance(said, Gga):
                out.append((tick, said))
    return out


def gnss_ride(session, *events, ticks=1500):
    return Ride(with_events(session, *events)).start(ticks)


def test_a_time_jump_moves_the_clock_and_nothing_else(session):
    jump = event(GnssEvent, kind="gnss", effect="time_jump", time_s=-7.25)
    got, usual = fixes(gnss_ride(session, jump)), fixes(gnss_ride(session))
    assert len(got) == len(usual) > 10
    for (tick, one), (_, other) in zip(got, usual, strict=True):
        moved = -7.25 if ON <= tick < OFF else 0.0
        assert one.time_of_day_ns - other.time_of_day_ns == round(moved * 1e9)
        assert (one.latitude_rad, one.longitude_rad) == (other.latitude_rad, other.longitude_rad)


def test_a_stale_receiver_says_its_last_epoch_again(session):
    stale = event(GnssEvent, kind="gnss", effect="stale")
    ride, usual = gnss_ride(session, stale), gnss_ride(session)
    got, without = [(t, b) for t, b, _, _ in ride.bursts], [(t, b) for t, b, _, _ in usual.bursts]
    last = [b for t, b in without if t < ON][-1]
    assert got == [(t, last if ON <= t < OFF else b) for t, b in without]


def test_a_stale_receiver_does_not_keep_the_speed_of_a_ride_that_is_over(session):
    stale = event(GnssEvent, kind="gnss", effect="stale", at=Trigger(time_s=1.2), duration_s=None)
    ride = gnss_ride(session, stale, ticks=1500)
    assert ride["output.gnss_speed_m_s"] > 1.5
    ride.bench.command(Command.STOP, 0.0)
    while not ride.bench.finished:
        ride.step()
    ride.step(300)
    assert ride["output.gnss_speed_m_s"] < 0.2


def test_a_jump_is_its_bias_towards_its_direction(session):
    jump = event(GnssEvent, kind="gnss", effect="jump", bias_m=30.0, towards_deg=90.0)
    a, b = gnss_ride(session, jump), gnss_ride(session)
    delay = round(session.rig.sensors.gnss.latency_ms)
    for (tick, one), (_, other) in zip(fixes(a), fixes(b), strict=True):
        sampled = tick - delay
        if abs(sampled - ON) < 20 or abs(sampled - OFF) < 20:
            continue
        east = (one.longitude_rad - other.longitude_rad) * 6_378_137.0 * np.cos(other.latitude_rad)
        # radius of curvature in the prime vertical is up to 0.34 % above the equatorial radius (WGS 84)
        assert east == pytest.approx(30.0 if ON <= sampled < OFF else 0.0, abs=0.15)
        assert (one.latitude_rad - other.latitude_rad) * 6.37e6 == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize(
    ("effect", "keys"),
    [("loss", {}), ("repetition", {"copies": 2}), ("delay", {"delay_ms": 130}), ("corruption", {"flips": 3})],
)
def test_faults_of_the_sentences_as_a_whole(session, effect, keys):
    faulty = event(FrameEvent, kind="frame", frame="gnss", effect=effect, **keys)
    got = [(t, b) for t, b, _, _ in gnss_ride(session, faulty).bursts]
    usual = [(t, b) for t, b, _, _ in gnss_ride(session).bursts]
    on = [ON <= t < OFF for t, _ in usual]
    if effect == "loss":
        assert got == [f for f, h in zip(usual, on, strict=True) if not h]
    elif effect == "repetition":
        assert [b for _, b in got] == [
            b for (_, b), h in zip(usual, on, strict=True) for _ in range(3 if h else 1)
        ]
    elif effect == "delay":
        assert [b for _, b in got] == [b for _, b in usual][: len(got)]
        late = [g[0] - u[0] for g, u, h in zip(got, usual, on, strict=False) if h]
        assert set(late) == {130}
    else:
        flipped = [
            int(np.unpackbits(np.frombuffer(g[1], np.uint8) ^ np.frombuffer(u[1], np.uint8)).sum())
            for g, u in zip(got, usual, strict=True)
        ]
        assert flipped == [3 if h else 0 for h in on]


# ---- grip ------------------------------------------------------------------------------------------------


def test_a_grip_event_with_an_area_acts_there_and_nowhere_else(session):
    rain = event(GripEvent, kind="grip", factor=0.5, from_m=2.0, to_m=4.0, edge_m=0.05, duration_s=1e4)
    ride = Ride(with_events(session, rain)).start()
    seen = []
    ride.step(4000, lambda r: seen.append((r["line.station_m"], r["truth.grip_rear"])))
    base = session.scenario.surface.grip
    inside = [g for s, g in seen if 2.1 < s < 3.9]
    outside = [g for s, g in seen if s < 1.9 or s > 4.1]
    assert len(inside) > 100
    assert set(inside) == {0.5 * base}
    assert set(outside) == {base}


# ---- when ------------------------------------------------------------------------------------------------


def mark(name, **at):
    return MarkEvent(kind="mark", name=name, text="here", at=Trigger(**at))


def began(ride):
    return {e[4].split(":")[0]: e[0] for e in ride.events if e[1] == EV_BEGAN + MARK}


def test_triggers_act_at_their_tick_and_are_logged_there(session):
    marks = (
        mark("time", time_s=0.25),
        mark("crossing", signal="truth.speed_m_s", rises_above=1.0),
        mark("later", signal="truth.speed_m_s", rises_above=1.0, delay_s=0.1),
        mark("robot", signal="robot.throttle", rises_above=0.3, hysteresis=0.05),
        mark("after", started="time"),
        mark("first", first_of=(Trigger(station_m=1000.0), Trigger(time_s=0.5))),
        mark("all", all_of=(Trigger(ended="crossing"), Trigger(time_s=0.1))),
    )
    ride = Ride(with_events(session, *marks)).start()
    speeds = {}

    def note(r):
        speeds[r.bench.tick_number] = r["truth.speed_m_s"]
        if r.bench.tick_number == 400:
            r.commands = {**r.commands, "drive": {**r.commands["drive"], "throttle": 0.5}}

    ride.step(2000, note)
    told = began(ride)
    crossed = min(t for t, v in speeds.items() if v >= 1.0)
    assert told["time"] == 250
    assert told["crossing"] == crossed + 1  # signals are those of the tick before
    assert told["later"] == crossed + 101
    heard = min(t for t in range(400, 430) if t >= 401)
    assert heard + 1 <= told["robot"] <= heard + 11
    assert told["after"] == 251
    assert told["first"] == 500
    assert told["all"] == crossed + 3  # a mark has ended in the tick after its own


def test_an_asked_event_waits_to_be_asked_and_can_be_ended(session):
    asked = event(GripEvent, kind="grip", factor=0.5, at=Trigger(on_request=True), duration_s=None)
    ride = Ride(with_events(session, asked)).start(100)
    assert ride["truth.grip_front"] == session.scenario.surface.grip
    ride.bench.command(Command.START_EVENT, 0.0)
    ride.step(50)
    assert ride["truth.grip_front"] == 0.5 * session.scenario.surface.grip
    ride.bench.command(Command.END_EVENT, 0.0)
    ride.step()
    assert ride["truth.grip_front"] == session.scenario.surface.grip
    assert [code // 100 * 100 for _, code, *_ in ride.events if code >= EV_BEGAN] == [EV_BEGAN, EV_ENDED]


def test_an_event_that_is_not_to_be_asked_for_does_as_its_trigger_says(session):
    later = event(GripEvent, kind="grip", factor=0.5, at=Trigger(time_s=0.1))
    ride = Ride(with_events(session, later)).start(10)
    for number in (0.0, 7.0, -1.0):
        ride.bench.command(Command.START_EVENT, number)
    ride.step(20)
    assert ride["bench.events_active"] == 0
    ride.step(100)
    ride.bench.command(Command.END_EVENT, 0.0)
    ride.step(20)
    assert ride["bench.events_active"] == 1


def test_a_spared_event_is_told_and_does_nothing(session):
    events = tuple(
        event(GripEvent, kind="grip", name=f"g{k}", factor=0.5, probability=0.5, duration_s=0.1)
        for k in range(20)
    )
    ride = Ride(with_events(session, *events)).start(600)
    codes = [code // 100 * 100 for _, code, *_ in ride.events if code >= EV_BEGAN]
    spared, started = codes.count(EV_SPARED), codes.count(EV_BEGAN)
    assert spared + started == 20
    assert 2 < spared < 18  # beyond: 1 in 2,500
    assert sum("skipped by its probability" in text for *_, text in ride.events) == spared
    again = Ride(with_events(session, *events)).start(600)
    assert [e for e in again.events if e[1] >= EV_BEGAN] == [e for e in ride.events if e[1] >= EV_BEGAN]


def test_a_time_drawn_in_a_window_is_the_seeds_and_within_it(session):
    def tick(seed, own=None):
        marks = (mark("m", between_s=(0.2, 0.6)).model_copy(update={"seed": own}),)
        return int(triggers_of(variant(session, scenario={"events": marks}, seed=seed))[0]["tick"])

    drawn = [tick(seed) for seed in range(200)]
    assert 200 <= min(drawn) < 220
    assert 580 < max(drawn) <= 600
    assert tick(3) == tick(3)
    assert tick(3, own=9) == tick(4, own=9) != tick(3)


def test_a_repeated_event_comes_again(session):
    pulse = event(GripEvent, kind="grip", factor=0.5, duration_s=0.05, repeat=Repeat(times=2, every_s=0.1))
    ride = Ride(with_events(session, pulse)).start(900)
    assert [t for t, code, *_ in ride.events if EV_BEGAN <= code < EV_ENDED] == [300, 400, 500]
    assert [t for t, code, *_ in ride.events if EV_ENDED <= code < EV_SPARED] == [350, 450, 550]
