"""The verdict: what passes, what never does, and the figures, places and names its sentences tell."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from emulator.core.errors import RecordError
from emulator.core.signals import SIGNALS
from emulator.core.trip_reasons import TripReason
from emulator.criteria.base import CriterionResult
from emulator.criteria.temporal import Always, Compare, Eventually
from emulator.record.reader import Frames, Run
from emulator.verdict.judge import (
    TimingTolerance,
    Verdict,
    judge,
    read_verdict,
    who_rode,
    write_verdict,
)
from tests.support.criteria_in_si import DistanceFromLine, Holds, NoFall, SpeedError

N = 6000
RELEASE = 1000  # tick at which the support lets go
CRITERIA = [NoFall(), DistanceFromLine(1.5), SpeedError(2.0)]
KEPT = {
    "rate_hz": 100,
    "kept_ppm": 3.0,
    "age_ms_p50": 5.0,
    "age_ms_p99": 5.4,
    "age_ms_max": 6.0,
    "latency_ms": 5.0,
    "late": 0,
    "lost": 0,
    "sent": 600,
}
CERTIFICATE: dict[str, Any] = {"outputs": {"wheel_speed": KEPT, "imu": KEPT}}
COMPLETE = {"ended": "complete", "trip_reason": "", "trip_tick": None, "rig_problems": []}


SILENT = {
    "watch": "steering",
    "frame": "steering",
    "id": "0x080",
    "how": "missing",
    "frames": 0,
    "silent_ms": 151.0,
    "allowed_ms": 150.0,
}


def tripped(reason: TripReason, tick: int = 4000) -> dict[str, Any]:
    """The outcome of a run that tripped: on a robot that stays silent, on a switch that somebody opened."""
    text = reason.in_words("guard closed")
    silence = {**SILENT, "since_tick": tick - 151, "until_tick": tick + 1500}
    return {
        "ended": "tripped",
        "trip_code": int(reason),
        "trip_reason": text,
        "trip_tick": tick,
        "trip_evidence": {"silences": [silence] if reason.whose == "robot" else [], "said_no": True},
        "rig_problems": [],
        "setting": {"link": "stepped", "reference": True},
    }


def ride(**columns: np.ndarray) -> Run:
    """A clean ride of 6 s at 20 m/s, released after 1 s; columns given replace their namesakes (__ for .)."""
    tick = np.arange(-100, N)
    t = np.maximum(tick, 0) / 1000
    signals = {s.name: np.zeros(len(tick)) for s in SIGNALS}
    signals["truth.speed_m_s"] = np.full(len(tick), 20.0)
    signals["line.target_speed_m_s"] = np.full(len(tick), 20.0)
    signals["line.station_m"] = 20.0 * t
    signals["truth.support"] = (tick < RELEASE).astype(float)
    signals["truth.roll_rad"] = -0.7 * np.exp(-((t - 3.0) ** 2))
    signals["bench.state"] = np.where(tick < 0, 1.0, 2.0)
    signals.update({k.replace("__", "."): v for k, v in columns.items()})
    none = np.empty(0, np.int64)
    frames = Frames(
        none,
        none,
        none,
        none.astype(np.uint8),
        none,
        none.astype(np.uint8),
        np.empty((0, 64), np.uint8),
        none,
    )
    return Run(Path("run"), {}, tick, tick * 1_000_000, signals, frames, [])


def bump(at: float, height: float, base: float = 0.0) -> np.ndarray:
    """``base`` with one sample of ``height`` at ``at`` seconds."""
    column = np.full(N + 100, base)
    column[100 + round(at * 1000)] = height
    return column


def test_a_clean_ride_passes() -> None:
    verdict = judge(ride(), CRITERIA, CERTIFICATE, COMPLETE)
    assert verdict.result == "pass"
    assert len(verdict.reasons) == 1
    assert "3 criteria met" in verdict.reasons[0]
    assert [c.margin for c in verdict.criteria] == [1.0, 1.5, 2.0]
    assert re.search(r"\b40\.1° to the left, 3\.0 s .*\bstation 60 m", verdict.criteria[0].sentence)


def test_a_ride_lasts_from_its_first_running_tick_to_its_last() -> None:
    state = np.where(np.arange(-100, N) < 0, 1.0, 2.0)
    state[100 + 4001 :] = 3.0
    run = ride(bench__state=state)
    assert judge(run, CRITERIA, CERTIFICATE, COMPLETE).ridden_s == pytest.approx(4.0)
    assert judge(ride(bench__state=np.ones(N + 100)), CRITERIA, CERTIFICATE, COMPLETE).ridden_s == 0.0


def test_margin_time_and_station_of_the_worst_instant() -> None:
    verdict = judge(ride(line__offset_m=bump(4.2, -0.62)), [DistanceFromLine(1.5)], CERTIFICATE, COMPLETE)
    (c,) = verdict.criteria
    assert c.passed
    assert c.margin == pytest.approx(0.88)
    assert (c.unit, c.worst_time_s, c.worst_station_m, c.limit) == ("m", 4.2, 84.0, 1.5)
    assert re.search(r"\b0\.62 m .*\blimit 1\.50 m\b.* 4\.2 s .*\bstation 84 m", c.sentence)


def test_leaving_the_line_fails_and_says_where_first() -> None:
    offset = bump(4.2, 2.5)
    offset[100 + 3900] = -1.6
    verdict = judge(ride(line__offset_m=offset), CRITERIA, CERTIFICATE, COMPLETE)
    assert verdict.result == "fail"
    assert verdict.criteria[1].margin == pytest.approx(-1.0)
    assert len(verdict.reasons) == 1
    worst, first = verdict.reasons[0].split(";")
    assert re.search(
        r"^distance from line: .* 2\.50 m .*\blimit 1\.50 m\b.*\bworst 4\.2 s .*\bstation 84 m", worst
    )
    assert re.search(r"\bfirst 3\.9 s .*\bstation 78 m", first)


def test_speed_error_is_two_sided_and_told_in_km_h() -> None:
    for speed in (18.5, 21.5):
        (c,) = judge(
            ride(truth__speed_m_s=bump(2.0, speed, 20.0)), [SpeedError(2.0)], CERTIFICATE, COMPLETE
        ).criteria
        assert c.margin == pytest.approx(0.5)
        assert re.search(r" 5\.4 km/h .*\blimit 7\.2 km/h", c.sentence)
        assert (
            judge(
                ride(truth__speed_m_s=bump(2.0, speed, 20.0)), [SpeedError(1.4)], CERTIFICATE, COMPLETE
            ).result
            == "fail"
        )


@given(worst=st.floats(0, 10), limit=st.floats(0.01, 10))
def test_passed_exactly_when_the_margin_is_not_negative(worst: float, limit: float) -> None:
    run = ride(line__offset_m=bump(4.0, worst))
    (c,) = judge(run, [DistanceFromLine(limit)], CERTIFICATE, COMPLETE).criteria
    assert c.margin is not None
    assert c.passed == (c.margin >= 0) == (worst <= limit)


def test_a_condition_holds_by_its_margin_and_says_what_decided() -> None:
    lean = Compare("truth.roll_rad", "at_most", 0.8, size=True)
    (found,) = judge(ride(), [Holds(Always(lean), name="lean")], CERTIFICATE, COMPLETE).criteria
    assert (found.passed, found.unit, found.limit) == (True, "rad", 0.8)
    assert found.margin == pytest.approx(0.1)
    assert found.worst_time_s == pytest.approx(3.0)
    assert found.sentence.startswith("held")
    decided = r"\bsize of truth\.roll_rad .*(?<!\S)-0\.7 rad .*\bat most 0\.8 rad\b.* 3\.0 s .*\bstation 60 m"
    assert re.search(decided, found.sentence)
    verdict = judge(ride(), [Holds(Always(replace(lean, limit=0.6)), name="lean")], CERTIFICATE, COMPLETE)
    assert verdict.result == "fail"
    assert verdict.criteria[0].margin == pytest.approx(-0.1)
    assert re.search(r"^lean: did not hold\b.*\btruth\.roll_rad\b.*\bat most 0\.6 rad", verdict.reasons[0])


def test_a_condition_is_seen_from_release_and_within_running() -> None:
    fast = Compare("truth.speed_m_s", "at_least", 15.0)
    speed = np.full(N + 100, 20.0)
    speed[: 100 + RELEASE] = 5.0  # in the support
    run = ride(truth__speed_m_s=speed)
    assert judge(run, [Holds(Always(fast))], CERTIFICATE, COMPLETE).criteria[0].passed
    speed[100 + RELEASE + 500] = 10.0
    run = ride(truth__speed_m_s=speed)
    assert not judge(run, [Holds(Always(fast))], CERTIFICATE, COMPLETE).criteria[0].passed
    assert judge(run, [Holds(Always(fast), from_s=1.6)], CERTIFICATE, COMPLETE).criteria[0].passed


@pytest.mark.parametrize(
    ("formula", "says"),
    [
        (Always(Compare("robot.estimate_x_m", "at_most", 1.0)), "robot.estimate_x_m is not a number 2.0 s"),
        (Always(Compare("truth.z_m", "at_most", 1.0)), "the record has no truth.z_m"),
    ],
)
def test_a_condition_on_what_is_not_known_is_not_met(formula: Any, says: str) -> None:
    x = np.zeros(N + 100)
    x[100 + 2000] = np.nan
    run = ride(robot__estimate_x_m=x)
    del run.signals["truth.z_m"]
    (found,) = judge(run, [Holds(formula)], CERTIFICATE, COMPLETE).criteria
    assert not found.passed
    assert found.margin is None
    assert says in found.sentence


def test_what_could_not_come_in_time_did_not_hold() -> None:
    late = Eventually(Compare("truth.speed_m_s", "at_least", 1.0), 100.0, 200.0)
    (found,) = judge(ride(), [Holds(late)], CERTIFICATE, COMPLETE).criteria
    assert (found.passed, found.margin) == (False, None)
    assert "the ride was over before" in found.sentence


def test_nothing_counts_before_release_nor_before_from_s_nor_outside_running() -> None:
    before = [DistanceFromLine(1.5), SpeedError(2.0)]
    assert judge(ride(line__offset_m=bump(0.999, 9)), before, CERTIFICATE, COMPLETE).result == "pass"
    assert judge(ride(line__offset_m=bump(1.0, 9)), before, CERTIFICATE, COMPLETE).result == "fail"
    late = [DistanceFromLine(1.5, from_s=3.0)]  # into the ride, whenever the support lets go
    assert judge(ride(line__offset_m=bump(2.999, 9)), late, CERTIFICATE, COMPLETE).result == "pass"
    assert judge(ride(line__offset_m=bump(3.0, 9)), late, CERTIFICATE, COMPLETE).result == "fail"
    state = np.where(np.arange(-100, N) < 0, 1.0, 2.0)
    state[-500:] = 3.0
    assert (
        judge(ride(line__offset_m=bump(5.8, 9), bench__state=state), before, CERTIFICATE, COMPLETE).result
        == "pass"
    )


def test_a_fall_fails_also_in_the_tick_that_ends_running() -> None:
    fallen = np.zeros(N + 100)
    fallen[100 + 5000 :] = 1
    state = np.where(np.arange(-100, N) < 0, 1.0, 2.0)
    state[100 + 5000 :] = 4.0
    outcome = tripped(TripReason.COMMAND, 5000)
    verdict = judge(ride(truth__fallen=fallen, bench__state=state), [NoFall()], CERTIFICATE, outcome)
    assert verdict.result == "fail"
    assert verdict.criteria[0].margin == -1.0
    assert re.search(r"^fell 5\.0 s .*\bstation 100 m\b.* 72 km/h", verdict.criteria[0].sentence)
    assert verdict.trip_code == TripReason.COMMAND
    assert re.search(r"\bon the robot 5\.0 s .*: robot commands stale\b", verdict.reasons[0])


@pytest.mark.parametrize(
    "name",
    [
        "truth.fallen",
        "truth.roll_rad",
        "truth.speed_m_s",
        "truth.support",
        "line.offset_m",
        "line.station_m",
        "line.target_speed_m_s",
        "bench.state",
    ],
)
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_one_number_missing_is_never_a_pass(name: str, value: float) -> None:
    run = ride()
    column = run.signals[name].copy()
    column[100 + 4000] = value
    verdict = judge(replace(run, signals=run.signals | {name: column}), CRITERIA, CERTIFICATE, COMPLETE)
    assert verdict.result != "pass"
    unjudged = [c for c in verdict.criteria if not c.passed]
    assert unjudged
    assert all(c.margin is None and "could not be judged" in c.sentence for c in unjudged)
    gone = {k: v for k, v in run.signals.items() if k != name}
    assert judge(replace(run, signals=gone), CRITERIA, CERTIFICATE, COMPLETE).result != "pass"


def test_a_ride_that_was_never_free_or_too_short_is_no_pass() -> None:
    held = ride(truth__support=np.ones(N + 100))
    verdict = judge(held, [DistanceFromLine(1.5)], CERTIFICATE, COMPLETE)
    assert verdict.result == "fail"
    assert "the support never let go" in verdict.reasons[0]
    verdict = judge(ride(), [DistanceFromLine(1.5, from_s=60)], CERTIFICATE, COMPLETE)
    assert verdict.result == "fail"
    assert re.search(r"\bended before 60 s into the ride\b", verdict.reasons[0])


def test_a_record_with_holes_is_invalid() -> None:
    run = ride()
    keep = np.ones(len(run.tick), bool)
    keep[3000:3005] = False
    holed = replace(
        run,
        tick=run.tick[keep],
        time_ns=run.time_ns[keep],
        signals={k: v[keep] for k, v in run.signals.items()},
    )
    verdict = judge(holed, CRITERIA, CERTIFICATE, COMPLETE)
    assert verdict.result == "invalid"
    assert re.search(r"\bgaps: 5 ticks .*\bfirst after tick 2899$", verdict.reasons[0])
    verdict = judge(replace(run, losses=["signals.arrow was not closed"]), CRITERIA, CERTIFICATE, COMPLETE)
    assert verdict.result == "invalid"
    empty = replace(
        run, tick=run.tick[:0], time_ns=run.time_ns[:0], signals={k: v[:0] for k, v in run.signals.items()}
    )
    assert judge(empty, CRITERIA, CERTIFICATE, COMPLETE).result == "invalid"
    outcome = tripped(TripReason.HEARTBEAT, N + 5)
    assert judge(run, CRITERIA, CERTIFICATE, outcome).result == "invalid"


def test_a_regularly_thinned_record_is_no_hole() -> None:
    run = ride()
    thin = replace(
        run,
        tick=run.tick[::10],
        time_ns=run.time_ns[::10],
        signals={k: v[::10] for k, v in run.signals.items()},
    )
    assert judge(thin, CRITERIA, CERTIFICATE, COMPLETE).result == "pass"


@pytest.mark.parametrize(
    ("ended", "reason", "result"),
    [
        ("complete", "", "pass"),
        ("stopped", "", "stopped"),
        ("time_limit", "", "fail"),
        ("tripped", "something new", "invalid"),
        ("tripped", "", "invalid"),
        ("crashed", "loop process died", "error"),
        ("bananas", "", "error"),
        (None, "", "error"),
    ],
)
def test_how_a_run_ended(ended: str | None, reason: str, result: str) -> None:
    outcome = {"ended": ended, "trip_reason": reason, "trip_tick": 4000, "rig_problems": []}
    assert judge(ride(), CRITERIA, CERTIFICATE, outcome).result == result


def test_error_beats_invalid_beats_fail_and_all_reasons_stay() -> None:
    run = ride(line__offset_m=bump(4, 9))
    outcome = COMPLETE | {"rig_problems": ["front wheel emulation board reports over-temperature"]}
    verdict = judge(run, CRITERIA, CERTIFICATE, outcome)
    assert verdict.result == "invalid"
    assert len(verdict.reasons) == 2
    verdict = judge(run, CRITERIA, CERTIFICATE, outcome | {"ended": "crashed", "trip_reason": "loop died"})
    assert verdict.result == "error"
    assert [r.split()[0] for r in verdict.reasons] == ["the", "front", "distance"]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"kept_ppm": 267.0}, "period off by 267 ppm (allowed 266.7 ppm)"),
        ({"kept_ppm": -300}, "period off by 300 ppm"),
        ({"kept_ppm": None}, "period off by ? ppm"),
        ({"age_ms_p99": 7.1}, "age at p99 7.1 ms, promised 5 ms (allowed 2 ms off)"),
        ({"age_ms_p50": 2.0}, "median age 2 ms, promised 5 ms (allowed 2 ms off)"),
        ({"age_ms_p99": None}, "age at p99 ? ms"),
        ({"age_ms_max": 25.1}, "oldest sample 25.1 ms (allowed 25 ms)"),
        ({"silence_ms_max": 30.1, "silence_end_s": 2.25}, "silent for 30.1 ms 2.2 s into the ride"),
        ({"lost": 1}, "1 frame lost"),
        ({"lost": None}, "lost"),
        ({"sent": 0}, "never sent"),
        ({"sent": None}, "never sent"),
    ],
)
def test_timing_out_of_tolerance_is_invalid(change: dict[str, Any], text: str) -> None:
    certificate = {"outputs": {"imu": KEPT, "lean": KEPT | change}}
    verdict = judge(ride(), CRITERIA, certificate, COMPLETE)
    assert verdict.result == "invalid"
    assert verdict.timing_missed
    assert len(verdict.reasons) == 1
    assert ": lean: " in verdict.reasons[0]
    assert text in verdict.reasons[0]
    wide = TimingTolerance(rate_ppm=1e3, age_p99_ms=10, hole_ms=50, lost_frames=5)
    missing = None in change.values() or change.get("sent") == 0
    assert judge(ride(), CRITERIA, certificate, COMPLETE, wide).result == ("invalid" if missing else "pass")


@pytest.mark.parametrize(
    "certificate", [None, {}, {"outputs": {}}, {"outputs": None}, {"outputs": {"imu": 3}}]
)
def test_no_certificate_is_invalid(certificate: dict[str, Any] | None) -> None:
    assert judge(ride(), CRITERIA, certificate, COMPLETE).result == "invalid"


def test_nothing_asked_is_nothing_passed() -> None:
    verdict = judge(ride(), [], CERTIFICATE, COMPLETE)
    assert verdict.result == "invalid"
    assert len(verdict.reasons) == 1
    assert "no criteria" in verdict.reasons[0]


@pytest.mark.parametrize(("limit", "start"), [(0, 0), (-1, 0), (float("nan"), 0), (float("inf"), 0), (1, -1)])
def test_criteria_without_sense_are_refused(limit: float, start: float) -> None:
    with pytest.raises(ValidationError):
        DistanceFromLine(limit, from_s=start)
    with pytest.raises(ValidationError):
        SpeedError(limit, from_s=start)


def test_each_trip_reason_is_somebodys() -> None:
    robots = {
        TripReason.HEARTBEAT,
        TripReason.COMMAND,
        TripReason.COMMAND_LIMIT,
        TripReason.COMMAND_RATE,
        TripReason.LEAN_ESTIMATE,
        TripReason.SPEED_ESTIMATE,
    }
    assert {reason for reason in TripReason if reason.whose == "robot"} == robots
    for reason in set(TripReason) - {TripReason.NONE}:
        outcome = tripped(reason)
        verdict = judge(ride(), CRITERIA, CERTIFICATE, outcome)
        by_hand = reason in (TripReason.OPERATOR, TripReason.ESTOP, TripReason.GUARD)
        assert verdict.result == ("fail" if reason in robots else "stopped" if by_hand else "invalid")
        assert verdict.trip_code == reason
        assert reason.what_to_do


@pytest.mark.parametrize("reason", set(TripReason) - {TripReason.NONE})
def test_an_outcome_from_before_there_were_numbers_is_judged_alike(reason: TripReason) -> None:
    new = tripped(reason)
    old = {key: value for key, value in new.items() if key != "trip_code"}
    assert judge(ride(), CRITERIA, CERTIFICATE, old) == judge(ride(), CRITERIA, CERTIFICATE, new)


def test_only_the_number_and_whole_old_texts_say_whose_a_trip_is() -> None:
    robots = tripped(TripReason.HEARTBEAT)
    assert judge(ride(), CRITERIA, CERTIFICATE, robots | {"trip_reason": "bus lost"}).result == "fail"
    for unknown in (
        {"trip_code": 99},
        {"trip_code": "1"},
        {"trip_code": None},
    ):
        assert judge(ride(), CRITERIA, CERTIFICATE, robots | unknown).result == "invalid"
    text_only = {"ended": "tripped", "trip_reason": "the robot's heartbeat lost", "rig_problems": []}
    assert judge(ride(), CRITERIA, CERTIFICATE, text_only).result == "invalid"


def test_verdict_round_trip(tmp_path: Path) -> None:
    run = ride(line__offset_m=bump(4.0, np.nan))
    verdict = judge(run, CRITERIA, CERTIFICATE, COMPLETE)
    assert write_verdict(tmp_path, verdict) == tmp_path / "verdict.json"
    assert read_verdict(tmp_path) == verdict
    assert isinstance(read_verdict(tmp_path), Verdict)


OLDEST = (
    '{"name": "near", "kind": "place_error", "passed": true, "margin": 1.5, "unit": "m", "worst_time_s": 3,'
    ' "worst_station_m": null, "sentence": "s"}'
)


def test_a_verdict_of_an_earlier_version_is_read(tmp_path: Path) -> None:
    (tmp_path / "verdict.json").write_text(
        f'{{"result": "pass", "reasons": ["kept"], "criteria": [{OLDEST}], "gone": 3}}'
    )
    near = CriterionResult("near", "place_error", True, 1.5, "m", 3.0, None, "s")
    assert read_verdict(tmp_path) == Verdict("pass", ["kept"], [near])


@pytest.mark.parametrize(
    ("text", "place"),
    [
        (
            '{"result": "ok", "reasons": [], "criteria": []}',
            r"result: .*'pass', 'fail', 'invalid', 'stopped' or 'error'.*'ok'",
        ),
        ('{"result": "pass", "reasons": [1], "criteria": []}', r"reasons\.0: .*\bstring\b.* 1$"),
        ('{"result": "pass", "reasons": [], "criteria": {}}', r"criteria: .*\barray\b.* \{\}$"),
        ('{"result": "pass", "reasons": [], "criteria": [3]}', r"criteria\.0: .*\bobject\b.* 3$"),
        ('{"result": "pass", "reasons": [], "criteria": [{"name": "a", "kind": 3}]}', r"criteria\.0\.kind"),
        (
            '{"result": "pass", "reasons": [], "criteria": [{"name": "a", "kind": "b"}]}',
            r"criteria\.0\.passed",
        ),
        (f'{{"result": "pass", "criteria": [{OLDEST.replace("true", "1")}]}}', r"criteria\.0\.passed"),
        (f'{{"result": "pass", "criteria": [{OLDEST.replace("1.5", "true")}]}}', r"criteria\.0\.margin"),
        ('{"result": "pass", "ridden_s": "long"}', r"ridden_s: .*\bnumber\b.*'long'$"),
        ("{}", r"result: .*\brequired\b"),
        (
            (
                '{"result": "pass", "laps": {"sector_ends_m": [900.0], "best": null, "laps": '
                '[{"number": 1, "start": "standing", "time_s": null, "sectors_s": [null, 3.0]}]}}'
            ),
            r"laps: .*2 sector times where 1 sectors end",
        ),
    ],
)
def test_a_file_that_is_no_verdict_is_refused(tmp_path: Path, text: str, place: str) -> None:
    (tmp_path / "verdict.json").write_text(text)
    with pytest.raises(RecordError, match=r"verdict\.json: " + place):
        read_verdict(tmp_path)


def test_samples_out_of_order_are_never_counted_as_kept() -> None:
    outputs = {"imu": {**KEPT, "disordered": 1}, "lean": {**KEPT, "disordered": 0}, "old": KEPT}
    verdict = judge(ride(), CRITERIA, {"outputs": outputs}, COMPLETE)
    assert verdict.result == "invalid"
    assert verdict.timing_missed
    assert len(verdict.reasons) == 1
    assert re.search(r": imu: 1 sample out of order$", verdict.reasons[0])


# --- what began it, and what followed ------------------------------------------------------------------


def lost_gnss(at_s: float) -> dict[str, Any]:
    """A certificate with GNSS epochs that nobody took, from then on."""
    gnss = KEPT | {"lost": 2, "first_lost_s": at_s}
    return {"outputs": {"imu": KEPT, "gnss": gnss}}


def test_a_robot_that_leaves_fails_and_its_unread_port_follows_from_it() -> None:
    outcome = tripped(TripReason.COMMAND, 4000)  # silent from tick 3849 on
    verdict = judge(ride(), CRITERIA, lost_gnss(3.9), outcome)
    assert verdict.result == "fail"
    assert [c.whose for c in verdict.causes] == ["robot", "bench"]
    assert verdict.reasons[0].startswith("the rig tripped on the robot 4.0 s into the ride: ")
    assert verdict.reasons[1] == "then: timing not kept: gnss: 2 frames lost (allowed 0)"


def test_what_the_bench_lost_before_the_robot_left_makes_it_invalid() -> None:
    verdict = judge(ride(), CRITERIA, lost_gnss(3.8), tripped(TripReason.COMMAND, 4000))
    assert verdict.result == "invalid"
    assert verdict.reasons[0] == "timing not kept: gnss: 2 frames lost (allowed 0)"
    assert verdict.reasons[1].startswith("then: the rig tripped on the robot")


STOPPED = COMPLETE | {"ended": "stopped", "stopped_by": "SIGINT", "end_tick": 4000}


def test_a_stop_by_hand_is_nobodys_failing() -> None:
    verdict = judge(ride(), CRITERIA, lost_gnss(4.2), STOPPED)
    assert verdict.result == "stopped"
    assert verdict.reasons == [
        "stopped by hand (SIGINT) 4.0 s into the ride",
        "then: timing not kept: gnss: 2 frames lost (allowed 0)",
    ]


def test_a_stop_before_the_ride_is_one_too() -> None:
    state = np.ones(N + 100)
    verdict = judge(ride(bench__state=state), CRITERIA, {"outputs": {}}, STOPPED | {"end_tick": None})
    assert (verdict.result, verdict.reasons) == ("stopped", ["stopped by hand (SIGINT) before the ride"])


def test_an_end_in_the_tick_that_was_to_be_the_first_came_before_the_ride() -> None:
    """No tick ran: the record lacks none, and nobody can have failed to keep time or line."""
    nothing = {"outputs": {"gnss": {**KEPT, "sent": 1, "kept_ppm": None}}}
    unridden = ride(bench__state=np.ones(N + 100))
    stopped = judge(unridden, CRITERIA, nothing, STOPPED | {"end_tick": 0})
    assert (stopped.result, stopped.reasons) == ("stopped", ["stopped by hand (SIGINT) before the ride"])
    outcome = tripped(TripReason.HEARTBEAT, 0)
    outcome["trip_evidence"]["silences"][0]["how"] = "unchanged"
    verdict = judge(unridden, CRITERIA, nothing, outcome)
    assert (verdict.result, [c.whose for c in verdict.causes]) == ("fail", ["robot"])
    assert verdict.reasons[0].startswith("the rig tripped on the robot before the ride: ")
    # one tick later it had begun, and a record without that tick has lost it
    begun = judge(unridden, CRITERIA, CERTIFICATE, STOPPED | {"end_tick": 1})
    assert (begun.result, begun.reasons[0]) == ("invalid", "the record holds no running tick")


def test_what_the_bench_did_before_a_stop_comes_first() -> None:
    verdict = judge(ride(), CRITERIA, lost_gnss(1.0), STOPPED)
    assert verdict.result == "invalid"
    assert verdict.reasons[1] == "then: stopped by hand (SIGINT) 4.0 s into the ride"


def test_what_the_robot_had_missed_before_a_stop_comes_first() -> None:
    verdict = judge(ride(line__offset_m=bump(3.0, 9)), CRITERIA, CERTIFICATE, STOPPED)
    assert verdict.result == "fail"
    assert verdict.reasons[0].startswith("distance from line: ")
    assert verdict.reasons[1] == "then: stopped by hand (SIGINT) 4.0 s into the ride"


def test_what_the_rest_of_a_ride_might_have_shown_does_not_fail_a_stopped_one() -> None:
    late = Holds(Eventually(Compare("truth.speed_m_s", "at_least", 50.0)))
    assert judge(ride(), [late], CERTIFICATE, STOPPED).result == "stopped"
    assert judge(ride(), [late], CERTIFICATE, COMPLETE).result == "fail"


def test_a_loop_that_ended_because_it_was_left_alone_was_not_stopped_by_hand() -> None:
    verdict = judge(ride(), CRITERIA, CERTIFICATE, STOPPED | {"stopped_by": "supervisor gone"})
    assert verdict.result == "invalid"
    assert "the supervisor was gone" in verdict.reasons[0]


def test_a_robot_that_tripped_the_bench_before_its_ride_fails_and_no_record_is_missed() -> None:
    state = np.ones(N + 100)
    outcome = tripped(TripReason.HEARTBEAT, -799)
    outcome["trip_evidence"]["silences"][0]["how"] = "unchanged"
    verdict = judge(ride(bench__state=state), CRITERIA, CERTIFICATE, outcome)
    assert (verdict.result, [c.whose for c in verdict.causes]) == ("fail", ["robot"])
    assert verdict.reasons[0].startswith("the rig tripped on the robot before the ride: robot heartbeat lost")
    assert "no running tick" not in " ".join(verdict.reasons)
    # a ride that had begun must be in its record
    begun = judge(ride(bench__state=state), CRITERIA, CERTIFICATE, tripped(TripReason.HEARTBEAT, 4000))
    assert "the record holds no running tick" in begun.reasons


def test_timing_of_a_ride_that_never_began_is_nobodys_failing() -> None:
    nothing = {"outputs": {"gnss": {**KEPT, "sent": 0}}}
    for reason, result in ((TripReason.HEARTBEAT, "fail"), (TripReason.BUS, "invalid")):
        verdict = judge(ride(bench__state=np.ones(N + 100)), CRITERIA, nothing, tripped(reason, -799))
        assert verdict.result == result
        assert len(verdict.causes) == 1
    judged = judge(ride(), CRITERIA, nothing, COMPLETE)
    assert judged.reasons[0] == "timing not kept: gnss: never sent"


def test_a_robot_on_the_bus_is_not_taken_for_the_one_that_its_rig_is_named_after() -> None:
    external = {"kind": "external", "name": "reference robot", "version": ""}
    assert who_rode({"robot": external}) == "an external robot (in the rig: reference robot)"
    ours = {"kind": "reference", "name": "reference robot", "version": "0.1.0"}
    assert who_rode({"robot": ours}) == "reference robot 0.1.0"


def test_times_before_the_ride_are_told_as_such() -> None:
    outcome = tripped(TripReason.BUS, -999_996_000)
    assert (
        judge(ride(), CRITERIA, CERTIFICATE, outcome).reasons[0]
        == "the rig tripped before the ride: bus lost"
    )


def test_a_trip_nobody_can_tell_whose_counts_against_the_bench() -> None:
    outcome = tripped(TripReason.COMMAND) | {"trip_evidence": {}}
    verdict = judge(ride(), CRITERIA, CERTIFICATE, outcome)
    assert verdict.result == "invalid"
    assert verdict.causes[0].whose == "unknown"


def test_what_was_seen_besides_is_told_and_decides_nothing() -> None:
    certificate = CERTIFICATE | {
        "robot_frames": {"drive": {"accepted": 1200, "damaged": 28_000, "repeated": 3, "lost": 0}}
    }
    outcome = COMPLETE | {
        "strangers": {"0x7F0": 12, "": 3},
        "processes": {
            "supervisor": {"stalls": [[2000.0, 2812.0], [3000.0, 3200.0]]},
            "recorder": {"stalls": [[-1900.0, 40.0]]},  # of which nearly all was before the ride
        },
    }
    verdict = judge(ride(), CRITERIA, certificate, outcome)
    assert verdict.result == "pass"
    assert verdict.notes == [
        "of the robot's frame 'drive' 28,000 damaged (length, check or data id wrong), "
        "3 with the alive counter of the one before; 1,200 were taken",
        "frames on the bus that no DBC of this rig knows: 0x7F0 (12) and others (3)",
        "the supervisor's process stood still for up to 812 ms",
    ]


def test_what_was_seen_again_is_counted() -> None:
    cut_off = {"kind": "cut_off", "time_s": 1.0, "participants": ["logger"], "frame": "", "identifier": ""}
    outcome = COMPLETE | {"bus_events": [cut_off, {**cut_off, "participants": ["screen"]}, cut_off]}
    told = "did not read from the virtual bus and was cut off"
    assert judge(ride(), CRITERIA, CERTIFICATE, outcome).notes == [
        f"logger {told} (2 times)",
        f"screen {told}",
    ]


def test_a_fall_on_a_host_that_let_its_robot_wait_accuses_nobody() -> None:
    busy = {"waited": [[2000, 4000, 0.95]], "setting": {"link": "loopback", "reference": False}}
    for outcome in (COMPLETE | {"ended": "fallen"}, COMPLETE):
        run = ride(line__offset_m=bump(4.0, 9))
        assert judge(run, CRITERIA, CERTIFICATE, outcome).result == "fail"
        verdict = judge(run, CRITERIA, CERTIFICATE, outcome | busy)
        assert verdict.result == "invalid"
        assert verdict.causes[0].whose == "unknown"
    assert judge(ride(), CRITERIA, CERTIFICATE, COMPLETE | busy).result == "pass"
