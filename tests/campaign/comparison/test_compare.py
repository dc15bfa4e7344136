"""What a comparison finds in campaigns whose distributions are known, and how often it is wrong."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np
import pytest

from emulator.campaign.comparison.compare import FALSE_ALARMS, UNMOVED_POINTS, Comparison, compare
from emulator.campaign.page.night import read_night
from tests.support.made_up_campaign import (
    Row,
    fallen,
    invalid,
    made_up_rows,
    resampled,
    ridden,
    row,
    write_campaign,
)


def compared(before: list[Row], now: list[Row]) -> Comparison:
    return compare(ridden(before), ridden(now))


# -- false alarms and power ----------------------------------------------------------------------------------


def false_alarms(pairs: int, seed: int, **night: object) -> int:
    """How many of so many pairs, both drawn from one store, have a regression."""
    rng = np.random.default_rng(seed)
    store = made_up_rows(**night)  # type: ignore[arg-type]
    return sum(bool(compared(resampled(store, rng), resampled(store, rng)).regressions) for _ in range(pairs))


def test_two_nights_drawn_from_one_store_are_seldom_told_apart() -> None:
    """50 pairs of 128 runs, some of them failing; at most 5 % may have a regression, 1 % is promised."""
    store = made_up_rows(spread=25.0)
    assert 3 < sum(one["result"] == "fail" for one in store) < 60
    assert false_alarms(50, 4, spread=25.0) <= 2


@pytest.mark.timing
@pytest.mark.parametrize("seeds", [2, 8])
def test_false_alarms_stay_within_what_is_promised(seeds: int) -> None:
    """1,000 pairs: as many as 1 % and three standard deviations of that many coin tosses."""
    most = 1000 * FALSE_ALARMS + 3 * math.sqrt(1000 * FALSE_ALARMS)
    assert false_alarms(1000, 5, spread=25.0, seeds=seeds) <= most


def test_a_scenario_that_got_worse_is_found_and_named_and_no_other() -> None:
    """Margins of one scenario fall by 4 points, the same seeds spread by 2 from night to night."""
    before = made_up_rows(draw=1)
    found = compared(before, made_up_rows(draw=2, shift={"slalom": -4.0})).regressions
    assert {f.scenario for f in found} - {None} == {"slalom"}
    assert all(f.kind == "margins" for f in found)
    (slalom,) = [f for f in found if (f.scenario, f.disturbance) == ("slalom", None)]
    assert slalom.pairs == 32
    assert slalom.worse > 25
    assert slalom.shift == pytest.approx(-4.0, abs=1.0)
    assert slalom.probability < 1e-5


def test_the_same_shift_the_other_way_is_better_and_no_regression() -> None:
    found = compared(made_up_rows(draw=1), made_up_rows(draw=2, shift={"slalom": 4.0}))
    assert found.regressions == ()
    assert {f.scenario for f in found.findings} - {None} == {"slalom"}
    assert {f.direction for f in found.findings} == {"better"}


def test_results_that_change_one_way_are_found_without_any_margin() -> None:
    before = [row("braking", None, seed, None, seed) for seed in range(20)]
    now = [fallen(one) if one["seed"] < 12 else one for one in before]
    found = compared(before, now)
    assert len(found.new_failures) == 12
    assert [(f.kind, f.direction, f.worse, f.better) for f in found.findings] == [
        ("failures", "worse", 12, 0)
    ]
    assert found.findings[0].probability == pytest.approx(0.5**12)
    assert found.findings[0].shift is None


def test_falls_that_keep_no_margin_are_behind_every_number() -> None:
    before = [row("braking", None, seed, 30.0 + seed, seed) for seed in range(10)]
    found = compared(before, [fallen(one) for one in before])
    (margins,) = [f for f in found.regressions if f.kind == "margins"]
    assert margins.shift == -math.inf
    assert margins.probability == pytest.approx(0.5**10)


def test_margins_that_hardly_moved_did_not_move() -> None:
    before = made_up_rows(common=1.0)
    now = made_up_rows(common=1.0, shift=-0.9 * UNMOVED_POINTS)
    assert compared(before, now).new_failures == ()
    assert compared(before, now).findings == ()
    assert compared(before, made_up_rows(common=1.0, shift=-1.1 * UNMOVED_POINTS)).regressions


def test_one_pair_alone_proves_nothing_but_is_told() -> None:
    before = [row("braking", None, 0, 3.0, 0)]
    found = compared(before, [row("braking", None, 0, -2.0, 0)])
    assert found.findings == ()
    assert [p.now.percent for p in found.new_failures] == [-2.0]


# -- case by case --------------------------------------------------------------------------------------------


def test_what_newly_fails_what_is_fixed_and_what_no_longer_counts() -> None:
    before = [row("slalom", None, seed, margin, seed) for seed, margin in enumerate([5.0, -5.0, 8.0, 9.0])]
    now = [row("slalom", None, seed, margin, seed) for seed, margin in enumerate([-1.0, 2.0, 8.0, 9.0])]
    now[2] = invalid(now[2], "imu_rates: 12 of 1,500 samples late")
    now[3] |= {"seed": 77, "case_id": "0" * 16}
    found = compared(before, now)
    assert [p.now.seed for p in found.new_failures] == [0]
    assert [p.now.seed for p in found.fixed] == [1]
    assert [p.now.seed for p in found.no_longer_counted] == [2]
    assert [r.seed for r in found.only_before] == [3]
    assert [r.seed for r in found.only_now] == [77]
    assert found.compared == 2


def test_versions_that_changed_are_told() -> None:
    found = compared(made_up_rows(seeds=1), made_up_rows(seeds=1, robot="rider 1.1"))
    assert [(c.what, c.before, c.now) for c in found.versions] == [("robot", ("rider 1.0",), ("rider 1.1",))]


def test_drift_of_processor_time_is_that_of_a_ridden_second() -> None:
    before = [row("slalom", None, seed, 20.0, seed, cpu_ride_s=1.0, ridden_s=10.0) for seed in range(9)]
    now = [
        row("slalom", None, seed, 20.0, seed, cpu_ride_s=3.0 * (1 + 0.1 * (seed - 4)), ridden_s=20.0)
        for seed in range(9)
    ]
    drift = compared(before, now).drift
    assert drift is not None
    assert (drift.ratio, drift.low, drift.high, drift.pairs) == pytest.approx((1.5, 1.2, 1.8, 9))
    other = [one | {"processor": "another"} for one in now]
    assert compared(before, other).drift is None


# -- what it reads -------------------------------------------------------------------------------------------


def test_a_comparison_reads_no_criteria(monkeypatch: pytest.MonkeyPatch) -> None:
    """They are most of a store; pages read them where they show them."""
    read: list[object] = []
    monkeypatch.setattr("emulator.campaign.comparison.ridden._margin", read.append)
    rows = ridden(made_up_rows(seeds=2))
    compare(rows, rows)
    assert not read
    assert len(rows[0].criteria) == len(read) > 0


@pytest.mark.timing
def test_two_stores_of_10_000_runs_are_compared_within_3_s(tmp_path: Path) -> None:
    """With six criteria a run; processor time, from the files on."""
    folders = []
    for draw in (1, 2):
        rows = made_up_rows(seeds=625, draw=draw)
        for one in rows:
            one["criteria"] = [
                {**c, "name": f"{c['name']} {k}"} for c in one["criteria"][:1] for k in range(6)
            ]
        folders.append(write_campaign(tmp_path / str(draw), rows))
    began = time.process_time()
    before, now = (read_night(folder) for folder in folders)
    found = compare(before.rows, now.rows)
    assert len(found.pairs) == 10_000
    assert time.process_time() - began < 3.0
