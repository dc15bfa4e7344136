"""What a certificate must keep: every figure beside what is allowed, chance taken off, nothing forgiven."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from emulator.verdict.notes import disturbed_outputs
from emulator.verdict.timing import TimingTolerance, kept_of, left_out, not_kept, with_allowed

GNSS: dict[str, Any] = {
    "rate_hz": 10.0,
    "latency_ms": 60.0,
    "drawn_ms": 4.0,
    "sent": 1133,
    "lost": 0,
    "kept_ppm": 8.8,
    "age_ms_p50": 63.2,
    "age_ms_p99": 71.2,
    "age_ms_max": 72.0,
    "age_max_at_s": 12.5,
    "silence_ms_max": 110.0,
    "silence_end_s": 33.0,
}


def figures(**changes: Any) -> dict[str, Any]:
    return {f.key: f for f in kept_of("gnss", GNSS | changes, TimingTolerance(500.0, 3.0, 40.0))}


def test_a_drawn_jitter_is_part_of_the_promise() -> None:
    kept = figures()
    assert kept["age_ms_p99"].promised == pytest.approx(60.0 + 2.5758 * 4.0)
    assert kept["age_ms_p50"].promised == pytest.approx(60.0 + 0.6745 * 4.0)
    # four sigma of a mean of 1133 drawings beside the tolerance
    assert kept["age_ms_p99"].allowed == pytest.approx(3.0 + 4.0 * 4.0 / 1133**0.5)
    assert not any(f.sentence for f in kept.values())


def test_one_hole_is_judged_however_good_the_rest_was() -> None:
    kept = figures(silence_ms_max=161.0, age_ms_max=115.0)
    assert kept["silence_ms_max"].allowed == 100.0 + 20.0 + 40.0
    assert kept["silence_ms_max"].sentence == (
        "gnss: silent for 161 ms 33.0 s into the ride (allowed 160 ms)"
    )
    assert kept["age_ms_max"].sentence == ""
    assert figures(age_ms_max=121.0)["age_ms_max"].at_s == 12.5
    assert figures(age_ms_max=121.0)["age_ms_max"].sentence


def short_ride(sent: int, late: int) -> dict[str, Any]:
    """An output of 500 Hz, 2 ms old but for some samples of 9 ms."""
    return {
        "rate_hz": 500.0,
        "latency_ms": 2.0,
        "drawn_ms": 0.0,
        "sent": sent,
        "age_ms_p50": 2.0,
        "age_ms_p99": 9.0 if late > 0.01 * sent else 2.0,
        "age_histogram": {"edges_ms": [1.9, 2.1, 8.9, 9.1], "counts": [sent - late, 0, late]},
    }


@pytest.mark.parametrize(
    ("sent", "late", "kept"),
    [
        # 40 ms of hole are 20 samples; one more, and a hundredth of the rest
        (400, 5, True),
        (400, 24, True),
        (400, 25, False),
        (4000, 60, True),
        (4000, 61, False),
        # from 4200 on they are half a percent and less, and the age at p99 is judged as it is
        (4200, 42, True),
        (4200, 43, False),
    ],
)
def test_one_allowed_hole_does_not_decide_by_ages_how_short_the_ride_may_be(
    sent: int, late: int, kept: bool
) -> None:
    judged = [f for key, f in figures(**short_ride(sent, late)).items() if key.startswith("age_ms_p99")]
    assert [f.sentence == "" for f in judged] == [kept]


@pytest.mark.parametrize(("rate_hz", "seconds"), [(500.0, 0.8), (100.0, 0.8), (100.0, 5.0), (10.0, 30.0)])
def test_a_hole_at_the_end_is_no_error_of_the_rate(rate_hz: float, seconds: float) -> None:
    # by counting: samples of a ride, the last ones held up by one stall of 40 ms and sent together after it
    due = np.arange(0.0, seconds + 0.5 / rate_hz, 1.0 / rate_hz)
    late = np.maximum(0.0, due - (seconds - 0.04))
    late = np.where(late > 0.0, seconds - due, 0.0) if rate_hz > 25.0 else np.where(due == due[-1], 0.04, 0.0)
    ppm = 1e6 * float(np.polyfit(due, late, 1)[0])
    output = GNSS | {"rate_hz": rate_hz, "drawn_ms": 0.0, "sent": len(due), "kept_ppm": ppm}
    kept = {f.key: f for f in kept_of("x", output, TimingTolerance(0.0, 1e3, 40.0))}["kept_ppm"]
    assert kept.sentence == ""
    # and no more than a little beyond that is allowed: twice as much is not kept
    assert ppm > 0.3 * kept.allowed


def test_a_short_ride_that_is_late_throughout_is_not_kept() -> None:
    late = short_ride(300, 290) | {"age_ms_p50": 9.0}
    judged = figures(**late)
    assert judged["age_ms_p50"].sentence
    assert judged["age_ms_p99_short"].sentence == (
        "gnss: age at p99, one hole left out, 9.1 ms, promised 2 ms (allowed 3 ms off)"
    )
    told = with_allowed({"outputs": {"gnss": GNSS | late}}, TimingTolerance(500.0, 3.0))
    assert not {key for key in told["outputs"]["gnss"]["allowed"] if "p99" in key}


def test_a_certificate_from_before_holes_were_measured_is_judged_by_what_it_has() -> None:
    old = {k: v for k, v in GNSS.items() if k not in ("silence_ms_max", "age_ms_max")}
    assert not list(not_kept({"outputs": {"gnss": old}}, TimingTolerance(500.0, 3.0)))


def test_what_is_allowed_stands_beside_what_was_kept() -> None:
    told = with_allowed(
        {"outputs": {"gnss": GNSS, "lean": {"sent": 0}}, "loop": 3}, TimingTolerance(500.0, 3.0)
    )
    allowed = told["outputs"]["gnss"]["allowed"]
    assert allowed["silence_ms_max"] == 140.0
    assert allowed["age_ms_max"] == 100.0
    low, high = allowed["age_ms_p99"]
    assert low < GNSS["age_ms_p99"] < high == pytest.approx(73.778, abs=0.001)
    assert "allowed" not in told["outputs"]["lean"]
    assert told["loop"] == 3
    assert with_allowed({}, TimingTolerance()) == {}


def test_samples_that_the_scenario_made_late_judge_nobody() -> None:
    nothing = dict.fromkeys(k for k in GNSS if k.startswith(("age", "silence", "kept")))
    behind = {"frame_fault": 0, "bus_fault": 1133, "never_arrived": 0}
    tolerance = TimingTolerance(500.0, 3.0)
    all_behind = {**GNSS, **nothing, "judged": 0, "left_out": behind}
    assert not list(not_kept({"outputs": {"gnss": all_behind}}, tolerance))
    (lost,) = not_kept({"outputs": {"gnss": all_behind | {"lost": 2, "first_lost_s": 1.0}}}, tolerance)
    assert (lost.sentence, lost.at_s) == ("timing not kept: gnss: 2 frames lost (allowed 0)", 1.0)
    # without that reason, figures that are not there are not kept
    unexplained = all_behind | {"left_out": dict.fromkeys(behind, 0)}
    assert list(not_kept({"outputs": {"gnss": unexplained}}, tolerance))
    assert left_out(all_behind) == 1133
    assert left_out(GNSS) == 0


def test_what_an_overload_did_to_the_ages_is_told_in_a_note() -> None:
    ages = {"late": 300, "age_ms_max": 117.04}
    outputs = {
        "imu_rates": {"sent": 8386, "latency_ms": 2.0, "disturbed": ages, "left_out": {"never_arrived": 12}},
        "lean": {"sent": 900, "latency_ms": 8.0, "disturbed": {"late": 0, "age_ms_max": 8.3}},
        "engine": {"sent": 900, "disturbed": None},
    }
    assert disturbed_outputs(outputs) == [
        "frames that the scenario put on the bus held outputs up: imu_rates 300 of 8,386 late, up to 117.0 "
        "ms old (promised 2), 12 never"
    ]
    assert disturbed_outputs({"lean": {"sent": 3}}) == []
