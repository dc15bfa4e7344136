from __future__ import annotations

import math

from emulator.campaign.comparison.pairs import pair
from emulator.campaign.comparison.repeats import repeats_of
from tests.support.made_up_campaign import fallen, invalid, made_up_rows, ridden, row


def test_cases_are_paired_by_what_they_are_wherever_they_stand() -> None:
    before = made_up_rows(seeds=2)
    now = [one | {"number": len(before) - one["number"]} for one in before[::-1]]
    found = pair(ridden(before), ridden(now))
    assert [p.before.case_id for p in found.pairs] == [one["case_id"] for one in now]
    assert all(p.changed == () for p in found.pairs)
    assert (found.only_before, found.only_now) == ((), ())


def test_a_case_whose_contents_changed_is_found_by_its_place_and_told() -> None:
    before = made_up_rows(seeds=2)
    now = [dict(one) for one in before]
    now[3] |= {"case_id": "f" * 16, "scenario_sha256": "d" * 64, "vehicle_sha256": "e" * 64}
    now[4] |= {"case_id": "e" * 16}
    found = pair(ridden(before), ridden(now))
    assert {p.now.number: p.changed for p in found.pairs if p.changed} == {
        3: ("scenario", "vehicle"),
        4: ("values",),
    }
    assert len(found.pairs) == len(before)
    assert found.only_before == ()


def test_a_case_that_is_there_by_identity_is_nobody_elses_partner() -> None:
    """A plan that renamed a factor: the old place of a case may be free while the case itself is paired."""
    before = [row("slalom", None, 0, 5.0, 0), row("slalom", None, 1, 5.0, 1)]
    moved = before[0] | {"factors": before[1]["factors"], "seed": 1, "number": 0}
    new = row("slalom", None, 2, 5.0, 1, case_id="a" * 16)
    found = pair(ridden(before), ridden([moved, new]))
    assert [p.before.number for p in found.pairs] == [0]
    assert [r.number for r in found.only_before] == [1]
    assert [r.case_id for r in found.only_now] == ["a" * 16]


def test_changes_of_margin() -> None:
    plain, lost = row("slalom", None, 0, 12.0, 0), fallen(row("slalom", None, 0, 1.0, 0))
    none, out = row("slalom", None, 0, None, 0), invalid(row("slalom", None, 0, 1.0, 0), "late")

    def change(before: dict, now: dict) -> float | None:  # type: ignore[type-arg]
        return pair(ridden([before]), ridden([now])).pairs[0].change

    assert change(plain, plain | {"thinnest_percent": 7.5}) == -4.5
    assert change(plain, lost) == -math.inf
    assert change(lost, plain) == math.inf
    assert change(lost, lost) == 0.0
    assert change(plain, none) is None
    assert change(plain, out) is None


# -- repeats -------------------------------------------------------------------------------------------------


def test_repeats_that_differ_are_flaky_and_on_the_stepped_clock_a_defect() -> None:
    rows = [row("slalom", None, 0, 5.0, 0), row("slalom", None, 0, 5.0, 1, repeat=1)]
    rows[1]["signals_sha256"] = rows[0]["signals_sha256"]
    rows += [
        row("braking", None, 0, margin, 2 + k, repeat=k, stage="bench")
        for k, margin in enumerate([4.0, -4.0, 3.0])
    ]
    rows += [row("lane change", None, 0, 4.0 + k, 5 + k, repeat=k) for k in range(2)]
    found = repeats_of(ridden(rows))
    assert found.rides == 3
    assert [(f.rows[0].scenario, f.failed, len(f.rows)) for f in found.flaky] == [("braking", 1, 3)]
    assert [r.scenario for r in found.not_reproducible] == ["lane change"]


def test_repeats_that_do_not_count_say_nothing() -> None:
    rows = [row("slalom", None, 0, 5.0, 0, stage="bench"), row("slalom", None, 0, -5.0, 1, repeat=1)]
    assert repeats_of(ridden(rows)).rides == 0  # another stage is another ride
    rows[1] = invalid(rows[1] | {"stage": "bench"}, "late")
    assert repeats_of(ridden(rows)).rides == 0
