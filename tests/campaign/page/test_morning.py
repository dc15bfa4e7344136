"""What a night comes to: its status by rule, what is told together, and what is acknowledged."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest

from emulator.campaign.page.groups import by_cause, clock_times
from emulator.campaign.page.morning import Morning, morning_of
from emulator.campaign.page.night import read_night
from emulator.campaign.page.plain import EXIT_STATUS
from emulator.campaign.page.words import headline
from emulator.config.campaign.acknowledged import Entry, load_acknowledged
from emulator.core.errors import ConfigError, RecordError
from tests.support.made_up_campaign import (
    EVENING,
    Row,
    error,
    fallen,
    invalid,
    made_up_rows,
    ridden,
    row,
    write_campaign,
)

FINE = made_up_rows(seeds=2, spread=0.5)


def morning(folder: Path, rows: list[Row], not_ridden: tuple[Row, ...] = (), **about: object) -> Morning:
    entries = about.pop("entries", ())
    night = read_night(write_campaign(folder / "night", rows, not_ridden=not_ridden, **about))
    return morning_of(night, entries=entries)  # type: ignore[arg-type]


def entry(**given: object) -> Entry:
    return Entry(reason="known", name="A. Keeper", **({"until": date(2027, 3, 31)} | given))  # type: ignore[arg-type]


# -- the rule ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "status", "exit_status", "words"),
    [
        (lambda one: one, "as expected", 0, "All 32 runs count and came out as their scenarios expect."),
        (fallen, "surprises", 1, "1 of 32 runs that count came out other than expected: 1 worse, 0 better"),
        (lambda one: invalid(one, "late"), "does not count", 2, "31 runs that count; 1 does not count of 32"),
        (lambda one: error(one, "gone"), "does not count", 2, "1 could not be ridden of 32 planned"),
    ],
)
def test_one_run_decides_by_rule(
    tmp_path: Path, change: object, status: str, exit_status: int, words: str
) -> None:
    found = morning(tmp_path, [change(FINE[0]), *FINE[1:]])  # type: ignore[operator]
    assert (found.status, EXIT_STATUS[found.status]) == (status, exit_status)
    assert words in headline(found).sentence


def test_a_case_that_was_not_ridden_is_missing_evidence(tmp_path: Path) -> None:
    found = morning(tmp_path, FINE[:30], tuple(FINE[30:]))
    assert found.status == "does not count"
    assert (found.counts.planned, found.counts.counted, found.counts.not_ridden) == (32, 30, 2)
    assert [(g.scenario, g.disturbance, len(g.cases)) for g in found.missing] == [
        ("braking", "slow steering", 2)
    ]
    assert "2 were not ridden of 32 planned" in headline(found).sentence


def test_a_person_who_stopped_it_is_told_unless_there_is_worse(tmp_path: Path) -> None:
    missing = tuple(FINE[30:])
    stopped = morning(tmp_path / "a", FINE[:30], missing, state="stopped")
    assert (stopped.status, EXIT_STATUS[stopped.status]) == ("stopped", 5)
    rows = [fallen(FINE[0]), *FINE[1:30]]
    assert morning(tmp_path / "b", rows, missing, state="stopped").status == "surprises"


def test_better_than_expected_is_a_surprise_too(tmp_path: Path) -> None:
    told = {"expected": "fail", "as_expected": False, "expectation": "not as expected: fail expected"}
    found = morning(tmp_path, [FINE[0] | told, *FINE[1:]])
    assert (found.status, found.counts.worse, found.counts.better) == ("surprises", 0, 1)
    assert found.worse == ()
    assert found.better[0].example.case_id == FINE[0]["case_id"]


def test_an_invalid_run_that_is_expected_to_be_is_as_expected(tmp_path: Path) -> None:
    expected = invalid(FINE[0], "late") | {"expected": "invalid", "as_expected": True}
    found = morning(tmp_path, [expected, *FINE[1:]])
    assert (found.status, found.counts.counted, found.uncounted) == ("as expected", 32, ())


def test_worse_than_the_baseline_by_more_than_chance_is_a_surprise_without_one(tmp_path: Path) -> None:
    before = read_night(write_campaign(tmp_path / "monday", made_up_rows(spread=0.5)))
    now = read_night(write_campaign(tmp_path / "tuesday", made_up_rows(spread=0.5, shift=-5.0)))
    found = morning_of(now, baseline=before)
    assert (found.status, found.counts.surprises) == ("surprises", 0)
    assert "against monday margins or results got worse by more than chance" in headline(found).sentence
    assert morning_of(now).status == "as expected"


# -- told together -------------------------------------------------------------------------------------------


def test_causes_are_one_whatever_numbers_they_hold() -> None:
    rows = [row("slalom", None, seed, margin, seed) for seed, margin in enumerate([-1.0, -9.0, -4.0])]
    rows.append(fallen(row("braking", None, 7, 3.0, 3)))
    first, second = by_cause(ridden(rows))
    assert (len(first.rows), first.example.seed) == (3, 0)
    assert first.thinnest is not None
    assert first.thinnest.percent == -9.0
    assert (second.cause, second.thinnest) == ("fell at 5.1 s", None)


def test_clock_times_are_spans() -> None:
    minutes = (0, 4, 9, 50, 120, 121)
    began = [*(EVENING + timedelta(minutes=m) for m in minutes), None]
    assert clock_times(began) == "22:00 to 22:09 (3), 22:50, 00:00 to 00:01 (2)"
    assert clock_times(began, most=1) == "22:00 to 22:09 (3), and 3 later"
    assert clock_times([]) == ""


def test_the_name_of_a_scenario_is_that_of_its_rides_also_where_it_could_not_be_read(tmp_path: Path) -> None:
    broken = error(FINE[1], "gone") | {"scenario": "short_bend"}
    found = morning(tmp_path, [FINE[0], broken, *FINE[2:30]], tuple(FINE[30:]))
    assert found.broken[0].example.scenario == "short bend"
    assert {case.scenario for case in found.night.not_ridden} == {"braking"}
    assert found.night.not_ridden[0].requirements == ("R-braking", "R-all")


def test_a_cell_of_the_map_counts_what_failed_what_does_not_count_and_what_is_missing(tmp_path: Path) -> None:
    rows = [row("slalom", None, k, margin, k) for k, margin in enumerate([5.0, -3.0, 8.0, 1.0])]
    found = morning(tmp_path, [*rows[:2], invalid(rows[2], "late")], (rows[3],)).map
    cell = found.cells["slalom", "undisturbed"]
    assert (cell.percent, cell.counted, cell.failed, cell.surprises) == (-3.0, 2, 1, 1)
    assert (cell.not_counted, cell.not_ridden, found.empty) == (1, 1, 0)


def test_coverage_names_what_was_never_ridden(tmp_path: Path) -> None:
    found = morning(tmp_path, FINE[:30], tuple(FINE[30:])).tried
    assert (found.pairs, found.pairs_ridden) == (16, 15)
    assert found.missing_pairs == ("disturbance slow steering with scenario braking",)
    assert {f.name: (f.ridden, f.values, f.fewest) for f in found.factors} == {
        "disturbance": (4, 4, 6),
        "scenario": (4, 4, 6),
    }


def test_what_grew_thin_is_of_cases_that_count_every_night(tmp_path: Path) -> None:
    nights = []
    for k, margins in enumerate(([20.0, 9.0], [15.0, 1.0], [12.0, 30.0])):
        rows = [
            row("slalom", None, seed, margin, seed, began=EVENING + timedelta(days=k))
            for seed, margin in enumerate(margins)
        ]
        rows.append(row("braking", None, 0, 10.0 + k, 2, began=EVENING + timedelta(days=k)))
        rows[1] = invalid(rows[1], "late") if k == 1 else rows[1]
        nights.append(read_night(write_campaign(tmp_path / f"night{k}", rows)))
    found = morning_of(nights[2], earlier=[nights[1], nights[0]])
    assert found.nights == ("night0", "night1", "night2")
    (thin,) = found.thinning
    assert (thin.scenario, thin.percents, thin.cases, thin.every_night) == (
        "slalom",
        (20.0, 15.0, 12.0),
        1,
        True,
    )


def test_a_folder_that_holds_no_campaign_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="holds no campaign"):
        read_night(tmp_path)


# -- acknowledged --------------------------------------------------------------------------------------------


def test_an_acknowledged_run_is_no_surprise_until_its_day_is_over(tmp_path: Path) -> None:
    rows = [fallen(FINE[0]), *FINE[1:]]
    for k, (given, status) in enumerate(
        (
            ({"case": FINE[0]["case_id"]}, "as expected"),
            ({"scenario": "short*", "disturbance": "undisturbed"}, "as expected"),
            ({"scenario": "short bend", "until": date(2027, 3, 4)}, "as expected"),
            ({"scenario": "short bend", "until": date(2027, 3, 3)}, "surprises"),
            ({"scenario": "slalom"}, "surprises"),
        )
    ):
        found = morning(tmp_path / str(k), rows, entries=[entry(**given)])
        assert found.status == status, given
        assert found.borne[0].expired == (given.get("until") == date(2027, 3, 3))
    assert (
        "1 surprise acknowledged"
        in headline(morning(tmp_path / "x", rows, entries=[entry(scenario="*")])).sentence
    )


GOOD = (
    "kind: acknowledged\nentries:\n- {scenario: slalom, reason: known, name: A. Keeper, until: 2027-03-31}\n"
)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("2027-03-31", "2027-02-31", "3:61: entries.0.until: expected a day such as 2027-03-31"),
        ("2027-03-31", "tomorrow", "3:61: entries.0.until: expected a day such as 2027-03-31"),
        ("scenario: slalom, ", "", "3:3: entries.0: missing key 'case', or 'scenario', or 'disturbance'"),
        ("slalom", "slalom, case: 0123456789abcdef", "entries.0.scenario: expected no such key beside case"),
        ("scenario: slalom", "case: f123", "entries.0.case: expected the identity of a case, 16 hex"),
        (", name: A. Keeper", "", "missing key 'name'"),
        ("reason: known", "reason: ''", "entries.0.reason: expected some text"),
        ("reason", "raeson", "unknown key"),
        ("kind: acknowledged", "kind: rig", "expected acknowledged (a acknowledged file)"),
    ],
)
def test_a_list_that_is_wrong_is_refused_at_its_place(tmp_path: Path, old: str, new: str, told: str) -> None:
    path = tmp_path / "acknowledged.yaml"
    path.write_text(GOOD)
    assert load_acknowledged(path)[0].entries[0].until == date(2027, 3, 31)
    path.write_text(GOOD.replace(old, new))
    with pytest.raises(ConfigError) as error_:
        load_acknowledged(path)
    assert told in str(error_.value)
