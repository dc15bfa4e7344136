"""What a trip on the robot's frames says: which frame, in which way it was no news, for how long."""

import pytest

from emulator.assembly.bench import EVENT_KINDS
from emulator.core.signals import RUNNING, TRIPPED
from emulator.core.trip_reasons import TripReason
from tests.support.scripted_robot import HELD_CLUTCH, Ride, variant

TIMEOUT = 150  # limits.command_timeout_ms of the demo rig; its heartbeat has 200


@pytest.fixture
def ride(session):
    return Ride(session).start(100)


def told(ride, kind):
    return [text for _, code, _, _, text in ride.events if EVENT_KINDS[code] == kind]


def spoil(ride, frame, how, ticks):
    """Ticks in which that frame of the robot comes spoilt in that way and the others as always."""
    for _ in range(ticks):
        if ride.count % ride.every == 0:
            ride.robot.heartbeat += 1
            for name, values in ride.commands.items():
                sent = (
                    {**values, "heartbeat": float(ride.robot.heartbeat)} if name == "gear" else dict(values)
                )
                if name != frame:
                    ride.robot.send(ride.rx, name, sent)
                elif how == "damaged":
                    row = ride.robot.send(ride.rx, name, sent)
                    ride.rx.data[row, 1] ^= 0x10
                elif how == "frozen":
                    ride.robot.alive[name] -= 1
                    ride.robot.send(ride.rx, name, sent)
                elif how == "not available":
                    ride.robot.send(ride.rx, name, {})
                elif how == "unchanged":
                    ride.robot.send(ride.rx, name, {**values, "heartbeat": 7.0})
        every, ride.every = ride.every, 0
        ride.step()
        ride.every = every


@pytest.mark.parametrize(
    ("frame", "how", "words"),
    [
        ("steering", "missing", "robot commands stale: no 'steering' (0x080) for 151 ms"),
        ("drive", "missing", "robot commands stale: no 'drive' (0x081) for 151 ms"),
        (
            "steering",
            "damaged",
            "robot commands stale: 'steering' (0x080) came damaged for 151 ms "
            "(15 frames: length, check or data id wrong)",
        ),
        (
            "steering",
            "frozen",
            "robot commands stale: 'steering' (0x080) came with the same alive counter for 151 ms "
            "(15 frames)",
        ),
        (
            "drive",
            "not available",
            "robot commands stale: 'drive' (0x081) said 'not available' for 151 ms (15 frames)",
        ),
        ("gear", "missing", "robot heartbeat lost: no 'gear' (0x082) for 201 ms"),
        (
            "gear",
            "unchanged",
            "robot heartbeat lost: 'gear' (0x082) came with the same heartbeat for 201 ms (20 frames)",
        ),
    ],
)
def test_a_trip_says_which_frame_and_in_which_way_it_failed(ride, frame, how, words):
    spoil(ride, frame, how, 230)
    assert ride.states[-1] == TRIPPED
    assert told(ride, "trip") == [words]
    outcome = ride.bench.outcome()
    assert outcome["trip_reason"] == words
    (silence,) = outcome["trip_evidence"]["silences"]
    assert (silence["frame"], silence["how"]) == (frame, how)
    # the last news came in the last round before, and silences are in scenario time
    assert silence["since_tick"] + silence["silent_ms"] == pytest.approx(
        next(tick for tick, code, *_ in ride.events if EVENT_KINDS[code] == "trip"), abs=0
    )


def test_a_robot_that_falls_silent_misses_both_commands(ride):
    ride.every = 0
    ride.step(200)
    assert told(ride, "trip") == [
        "robot commands stale: no 'steering' (0x080) for 151 ms; no 'drive' (0x081) for 151 ms"
    ]


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ("missing", "no 'gear' (0x082) for "),
        ("damaged", "'gear' (0x082) came damaged for "),
    ],
)
def test_a_heartbeat_that_never_came_is_told_at_the_arming_timeout(session, how, words):
    limits = session.rig.limits.model_copy(update={"arming_timeout_s": 0.4})
    ride = Ride(variant(session, rig={"limits": limits}))
    ride.arm()
    spoil(ride, "gear", how, 600)
    assert ride.states[-1] == TRIPPED
    assert ride.bench.outcome()["trip_code"] == TripReason.ARMING
    expected = f"permissives missing at the arming timeout: robot heartbeat: {words}"
    assert told(ride, "trip")[0].startswith(expected)
    (silence,) = ride.bench.outcome()["trip_evidence"]["silences"]
    assert (silence["how"], silence["since_tick"]) == (how, None)


def test_a_stray_damaged_frame_does_not_make_a_silent_robot_a_damaged_one(ride):
    row = ride.robot.send(ride.rx, "steering", HELD_CLUTCH["steering"])
    ride.rx.data[row, 1] ^= 0x10
    ride.every = 0
    ride.step(200)
    assert [s["how"] for s in ride.bench.outcome()["trip_evidence"]["silences"]] == ["missing", "missing"]


def test_the_longest_silence_of_each_frame_is_kept_with_its_end(ride):
    assert ride.bench.frame_counts()["steering"]["silence_ms_max"] == ride.every
    ride.every = 0
    ride.step(70)
    ride.every = 10
    ride.step(100)
    assert ride.states[-1] == RUNNING
    heard = ride.bench.frame_counts()
    assert 70 <= heard["steering"]["silence_ms_max"] <= 80
    assert 0.16 <= heard["steering"]["silence_end_s"] <= 0.19
    assert heard["steering"]["silence_ms_allowed"] == TIMEOUT
    assert heard["gear"]["silence_ms_allowed"] == 200.0
    assert heard["estimate_pose"]["silence_ms_allowed"] is None


def test_a_silence_that_has_not_ended_counts(ride):
    ride.every = 0
    ride.step(400)  # tripped long since: what comes after the ride is nobody's silence
    assert ride.bench.frame_counts()["steering"]["silence_ms_max"] == pytest.approx(TIMEOUT + 1, abs=1)


def test_before_the_ride_there_is_no_silence(session):
    ride = Ride(session)
    ride.step(500)
    assert ride.bench.frame_counts()["steering"]["silence_ms_max"] is None


def test_frames_that_nobody_declared_are_counted_by_identifier(ride):
    for n, can_id in enumerate([0x7F0, 0x7F0, 0x123 | 1 << 31, *range(0x300, 0x30A)]):
        row = ride.robot.send(ride.rx, "steering", HELD_CLUTCH["steering"])
        ride.rx.can_id[row] = can_id
        if n % 4 == 3:
            ride.step()
    ride.step()
    assert ride.bench.outcome()["strangers"] == {
        "0x7F0": 2,
        "0x00000123": 1,
        **{f"0x{0x300 + k:03X}": 1 for k in range(6)},
        "": 4,
    }


@pytest.mark.parametrize(
    ("frame", "signal", "value", "what"),
    [
        ("steering", "steering_torque_Nm", 300.0, "steering torque"),
        ("drive", "front_brake_Pa", 60e5, "front brake"),
        ("gear", "gear_request", 14.0, "gear"),
    ],
)
def test_a_command_beyond_its_actuator_is_told_though_nobody_asked(ride, frame, signal, value, what):
    assert ride.session.rig.limits.command_timeout_ms == TIMEOUT
    ride.commands = {**HELD_CLUTCH, frame: {**HELD_CLUTCH[frame], signal: value}}
    ride.step(100)
    assert told(ride, "monitor") == [f"{what} asked for beyond its actuator's limit for too long"]
    assert ride.states[-1] == RUNNING


@pytest.mark.parametrize(("value", "said_no"), [(0.0, True), (float("nan"), False), (None, False)])
def test_an_input_that_says_no_is_told_from_one_that_has_no_value(session, value, said_no):
    ride = Ride(variant(session, rig={"permissives": ("guard_closed",)}))

    def say(ride):
        if given is not None:
            ride.robot.send(ride.rx, "bench_inputs", {"guard_closed": given})

    given = 1.0
    ride.step(1, say)
    ride.arm()
    while ride.step(1, say) != RUNNING:
        assert ride.count < 5000
    given = value
    ride.step(300, say)
    assert ride.states[-1] == TRIPPED
    outcome = ride.bench.outcome()
    assert outcome["trip_code"] == TripReason.GUARD
    assert outcome["trip_evidence"] == {"said_no": said_no}
