"""Whole rehearsals on a drawn clock: sound robots pass, defects are found, the bench's are not theirs."""

from __future__ import annotations

import math

import pytest

from emulator.assembly.session import Session
from emulator.inspection.rehearsal.conduct import Rehearsed, conduct
from emulator.inspection.rehearsal.prompts import prompts_of
from emulator.inspection.sensors.capture import level_session
from tests.support.drawn_robot import DrawnExchange, Robot, ZERO_OFF_rad, by_hand, hand_of, with_rehearsal
from tests.support.scripted_robot import RIG

SEEDS = range(20)
TORQUE, ANGLE, FRONT = "steering_torque_Nm", "steering_angle_rad", "front_brake_Pa"


@pytest.fixture(scope="module")
def session() -> Session:
    return with_rehearsal(level_session(RIG), listen_s=0.5, answer_s=0.2, silence_s=0.25)


def rehearse(session: Session, robot: Robot, seed: int = 0, **options: object) -> Rehearsed:
    return conduct(session, DrawnExchange(session, robot, seed, **options), None)  # type: ignore[arg-type]


def kinds(rehearsed: Rehearsed, whose: str = "robot") -> set[tuple[str, str]]:
    return {(f.kind, f.about) for f in rehearsed.findings if f.whose == whose}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sound_robot_is_not_accused(session: Session, seed: int) -> None:
    rehearsed = rehearse(session, Robot(jitter=0.3 * seed / len(SEEDS)), seed)
    assert rehearsed.findings == ()
    assert rehearsed.result == "sound"


@pytest.mark.parametrize("hand", [0.6, 1.0, 1.7])
def test_a_sound_robot_moved_by_a_rough_hand_is_not_accused(session: Session, hand: float) -> None:
    manual = by_hand(session)
    exchange = DrawnExchange(manual, Robot(hand=hand, jitter=0.3), 3)
    rehearsed = conduct(manual, exchange, hand_of(exchange, prompts_of(manual)))
    assert rehearsed.findings == ()
    assert len(exchange.asked) == len(rehearsed.postures), "nothing was asked twice"


DEFECTS = {
    "swapped sign": (Robot(factors={"steering_angle_rad": -1.0}), ("sign", "steering_angle_rad")),
    "swapped sign of the torque": (Robot(factors={TORQUE: -1.0}), ("sign", TORQUE)),
    "ten times too large": (Robot(factors={"front_brake_Pa": 10.0}), ("scale", "front_brake_Pa")),
    "ten times too small": (Robot(factors={"rear_brake_Pa": 0.1}), ("scale", "rear_brake_Pa")),
    "throttle ten times too small": (Robot(factors={"throttle": 0.1}), ("scale", "throttle")),
    "throttle ten times too large": (Robot(factors={"throttle": 10.0}), ("scale", "throttle")),
    "angle ten times too large": (Robot(factors={ANGLE: 10.0}), ("scale", ANGLE)),
    "missing frame": (Robot(missing=frozenset({"drive"})), ("missing", "drive")),
    "wrong start value": (Robot(crc_start=0xFF), ("crc", "steering")),
    "stuck counter": (Robot(stuck=frozenset({"steering"})), ("counter", "steering")),
    "half rate": (Robot(rates={"drive": 0.5}), ("rate", "drive")),
    "swapped brake lines": (Robot(swapped=(FRONT, "rear_brake_Pa")), ("swapped", FRONT)),
    "zero off to the left": (Robot(zero_rad=ZERO_OFF_rad), ("zero", "steering_angle_rad")),
    "zero off to the right": (Robot(zero_rad=-ZERO_OFF_rad), ("zero", "steering_angle_rad")),
    "does not notice": (Robot(notices=frozenset()), ("silence", "imu_rates")),
    "does not come back": (Robot(comes_back=False), ("recovery", "imu_rates")),
}  # fmt: skip


@pytest.mark.parametrize("defect", DEFECTS)
def test_each_defect_is_found_and_nothing_beside_it_is_accused(session: Session, defect: str) -> None:
    check_defect(session, defect, 1)


@pytest.mark.timing
@pytest.mark.parametrize("seed", range(100, 125))
def test_the_same_over_many_draws(session: Session, seed: int) -> None:
    for k in range(8):
        assert rehearse(session, Robot(jitter=0.3 * k / 8), 10 * seed + k).findings == ()
    for defect in DEFECTS:
        check_defect(session, defect, seed)


def check_defect(session: Session, defect: str, seed: int) -> None:
    robot, about = DEFECTS[defect]
    found = rehearse(session, robot, seed)
    assert about in kinds(found)
    assert found.result == "defects"
    assert {kind for kind, _ in kinds(found)} == {about[0]}
    assert all(f.samples or f.kind == "missing" for f in found.findings if f.whose == "robot")


@pytest.mark.parametrize("factor", [-1.0, 10.0])
def test_defects_are_found_by_hand_too(session: Session, factor: float) -> None:
    manual = by_hand(session)
    exchange = DrawnExchange(manual, Robot(factors={"steering_torque_Nm": factor}, hand=1.6), 5)
    found = conduct(manual, exchange, hand_of(exchange, prompts_of(manual)))
    assert kinds(found) == {("sign" if factor < 0.0 else "scale", "steering_torque_Nm")}
    assert exchange.asked.count("steer_left") == 2, "what is not as asked is asked again"


# --- whose it is ------------------------------------------------------------------------------------


def test_a_bench_that_stalls_now_and_then_accuses_nobody(session: Session) -> None:
    stalls = tuple((t, t + 0.03) for t in (0.2, 0.9, 1.7, 3.0, 5.0, 7.1))
    assert rehearse(session, Robot(jitter=0.2), 4, stalls=stalls).findings == ()


def test_a_bench_that_never_keeps_its_timing_says_that_and_no_more(session: Session) -> None:
    stalls = tuple((0.2 * k, 0.2 * k + 0.15) for k in range(400))
    found = rehearse(session, Robot(), 4, stalls=stalls)
    assert found.result == "not judged"
    assert {f.whose for f in found.findings} == {"bench"}
    assert ("stall", "bench") in kinds(found, "bench")


def test_a_robot_of_which_nothing_is_heard_is_not_accused(session: Session) -> None:
    found = rehearse(session, Robot(silent=True))
    assert [(f.kind, f.whose) for f in found.findings] == [("silent", "nobody knows")]
    assert found.result == "not judged"


def test_frames_lost_on_the_way_are_not_the_robots(session: Session) -> None:
    found = rehearse(session, Robot(dropped=0.3), 8)
    assert kinds(found) == set()
    assert ("counter", "steering") in kinds(found, "nobody knows")
    assert found.result == "not judged"


def test_a_robot_that_follows_no_request_is_not_said_to_have_wrong_sensors(session: Session) -> None:
    found = rehearse(session, Robot(follows=False), 8)
    assert kinds(found) == set()
    assert ("unmoved", "throttle") in kinds(found, "nobody knows")


def test_what_nobody_is_there_to_do_is_left_open(session: Session) -> None:
    found = rehearse(by_hand(session), Robot())
    assert [(f.kind, f.about) for f in found.findings] == [("skipped", "prompts")]
    assert found.result == "not judged"


def test_a_skipped_posture_is_left_open(session: Session) -> None:
    manual = by_hand(session)
    exchange = DrawnExchange(manual, Robot(), 1)
    done = hand_of(exchange, prompts_of(manual))
    found = conduct(manual, exchange, lambda words: "throttle half" not in words and done(words))
    assert [(f.kind, f.about, f.whose) for f in found.findings] == [("skipped", "throttle", "nobody knows")]


def test_delays_are_those_of_the_robot(session: Session) -> None:
    delays = [
        p.reading.delay_ms
        for p in rehearse(session, Robot(delay_s=0.12, jitter=0.0)).postures
        if p.reading is not None and p.reading.delay_ms is not None
    ]
    assert len(delays) >= 8
    # one period of the frame (gear: 20 ms) and one turn of the bench later at most
    assert all(120.0 <= delay <= 141.0 + 1e-6 for delay in delays)


def test_reactions_are_told(session: Session) -> None:
    by_output = {r.output: r for r in rehearse(session, Robot(), 6).reactions}
    assert set(by_output) == {*session.rig.outputs, "gnss"}
    shown = by_output["imu_rates"]
    assert shown.shown == "the heartbeat stood still"
    assert shown.delay_ms == pytest.approx(60.0, abs=25.0)  # the last beat before it
    assert shown.recovered
    assert by_output["lean"].shown == ""
    assert math.degrees(ZERO_OFF_rad) == pytest.approx(0.3)
