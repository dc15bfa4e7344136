"""Runs of a part whose bikes are drawn: one a seed, kept, ridden again alone, refused where none can be."""

from __future__ import annotations

import json
from pathlib import Path

import pyarrow as pa
import pytest

from emulator.assembly.session import load_session
from emulator.campaign.comparison.ridden import rows_of
from emulator.campaign.page.words import drawn_of, drawn_words
from emulator.campaign.plan.case import CaseFiles
from emulator.campaign.plan.cases import PlannedCampaign, planned
from emulator.campaign.plan.check import check_cases
from emulator.campaign.plan.written import write_case
from emulator.campaign.riding.one_case import Cases
from emulator.campaign.sampling.posterior import posterior_of
from emulator.campaign.search.questions import questions_of
from emulator.campaign.store.schema import ERROR, NO_POSSIBLE_BIKE, SCHEMA
from emulator.config.vehicle.file import load_vehicle
from emulator.core.errors import ConfigError
from emulator.record.content_hash import frames_hash, signals_hash
from emulator.record.reader import read_run
from emulator.runs.one import ride
from tests.support.calibrated_vehicle import BASE, SDS, calibrated_vehicle
from tests.support.made_up_plans import RIGS, RUNS, place, written

PLAN = f"""\
kind: campaign
name: drawn
parts:
  bends:
    scenarios: [{RUNS}/short_bend.yaml]
    rigs: [{RIGS}/loopback.yaml]
    vehicles: [calibrated.yaml]
    vehicle_drawn: true
    over:
      scenario:
        duration_limit_s: 1.0
        criteria: [{{kind: speed_error, remove: true}}]
    seeds: {{count: 3}}
    repeats: 2
"""


def made(folder: Path, text: str = PLAN, **posterior: object) -> PlannedCampaign:
    calibrated_vehicle(folder, **posterior)  # type: ignore[arg-type]
    return planned(written(folder, text))


def test_a_run_has_the_bike_of_its_seed_and_its_repeats_have_it_too(tmp_path: Path) -> None:
    campaign = made(tmp_path)
    posterior = posterior_of(tmp_path / "calibrated.yaml")
    assert [(case.seed, case.repeat) for case in campaign.cases] == [
        (seed, repeat) for seed in range(3) for repeat in range(2)
    ]
    for case in campaign.cases:
        assert case.drawn == posterior.draw(case.seed)
        assert case.scenario_overlay["vehicle"]["values"] == case.drawn
    assert len({case.id for case in campaign.cases}) == 6
    assert check_cases(campaign).problems == {}
    again = made(tmp_path)
    assert [case.id for case in again.cases] == [case.id for case in campaign.cases]


def test_the_robot_goes_by_the_file_and_the_bike_is_the_one_drawn(tmp_path: Path) -> None:
    campaign = made(tmp_path)
    session = Cases(tmp_path / "plan.yaml", None).session(campaign.cases[0])
    file = load_vehicle(BASE).values
    for name in campaign.cases[0].drawn:
        group, key = name.split(".")
        assert session.vehicle_file.values[group][key] == file[group][key]
    damping = campaign.cases[0].drawn["steering.damping"]
    assert float(session.vehicle.body[0]["steering_damping"]) == damping
    assert float(session.nominal.body[0]["steering_damping"]) == file["steering"]["damping"]


def test_the_row_keeps_the_draw_which_rides_the_same_bytes_alone(tmp_path: Path) -> None:
    campaign = made(tmp_path)
    case = campaign.cases[2]
    row = Cases(tmp_path / "plan.yaml", None).ride(case).row
    assert json.loads(row["drawn"]) == case.drawn == posterior_of(tmp_path / "calibrated.yaml").draw(1)
    alone = write_case(case, CaseFiles(tmp_path / "plan.yaml"), tmp_path / "case")
    session = load_session(alone.rig, alone.scenario, seed=case.seed)
    ride(session, (alone.rig, alone.scenario), tmp_path / "run", virtual=True)
    run = read_run(tmp_path / "run")
    assert (row["signals_sha256"], row["frames_sha256"]) == (signals_hash(run), frames_hash(run))
    other = Cases(tmp_path / "plan.yaml", None).ride(campaign.cases[0]).row
    assert other["signals_sha256"] != row["signals_sha256"]


def test_what_nothing_can_be_drawn_of_is_refused_where_the_plan_says_so(tmp_path: Path) -> None:
    key = "vehicle_drawn: "
    for text, words in (
        (PLAN.replace("    vehicles: [calibrated.yaml]\n", ""), "demo racer has no calibration"),
        (
            PLAN.replace("limit_s: 1.0", "limit_s: 1.0\n        vehicle: {values: {main_frame.mass: 170.0}}"),
            "main_frame.mass is drawn and also given",
        ),
        (
            PLAN.replace(
                "    seeds",
                "    vary:\n      m: {value: vehicle.main_frame.mass, values: [170.0]}\n    seeds",
            ),
            "main_frame.mass is drawn and also given",
        ),
    ):
        with pytest.raises(ConfigError, match=words) as refused:
            made(tmp_path, text)
        problem = refused.value.problems[0]
        assert problem.key == "parts.bends.vehicle_drawn"
        line, column = place(text, key)
        assert (problem.line, problem.column) == (line, column + len(key))


def test_a_draw_that_is_no_bike_is_told_and_counted_and_not_drawn_anew(tmp_path: Path) -> None:
    """A damper known to five times itself: two of five draws or so are below zero."""
    uncertain = {"steering.damping": 5.0 * load_vehicle(BASE).values["steering"]["damping"]}
    one = ((1.0,),)
    text = (
        PLAN.replace("count: 3", "count: 12")
        .replace("    repeats: 2\n", "")
        .replace("limit_s: 1.0", "limit_s: 0.2")
    )
    campaign = made(tmp_path, text, sds=uncertain, correlation=one)
    below = [case for case in campaign.cases if case.drawn["steering.damping"] < 0.0]
    assert 1 <= len(below) < len(campaign.cases) == 12
    checked = check_cases(campaign)
    assert checked.wrong == {case.number for case in below}
    assert {found.problem.key for found in checked.problems.values()} == {"vehicle.values.steering.damping"}
    rows = [Cases(tmp_path / "plan.yaml", None).ride(case).row for case in (*below[:2], campaign.cases[0])]
    for row, case in zip(rows[: len(below)], below, strict=False):
        assert (row["result"], row["cause_kind"]) == (ERROR, NO_POSSIBLE_BIKE)
        assert "the bike that was drawn is none" in row["cause"]
        assert json.loads(row["drawn"]) == case.drawn
    table = pa.Table.from_pylist(rows, SCHEMA)
    drawn = drawn_of(rows_of(table))
    assert drawn is not None
    bikes = {row["drawn"] for row in rows}
    none = {row["drawn"] for row in rows if row["result"] == ERROR}
    assert drawn[:3] == (len(rows), len(bikes), len(none))
    assert "no possible bike, not ridden and not drawn anew" in drawn_words(drawn)


def test_rides_of_a_question_are_drawn_by_their_seeds_too(tmp_path: Path) -> None:
    calibrated_vehicle(tmp_path)
    text = f"""\
kind: campaign
name: drawn
search:
  how likely:
    kind: probability
    scenario: {RUNS}/short_bend.yaml
    rig: {RIGS}/loopback.yaml
    vehicle: calibrated.yaml
    vehicle_drawn: true
    method: {{kind: fixed, rides: 3}}
"""
    (question,) = questions_of(planned(written(tmp_path, text)))
    posterior = posterior_of(tmp_path / "calibrated.yaml")
    for seed in (0, 7):
        case = question.ride.made(seed=seed).case
        assert case.drawn == posterior.draw(seed) == case.scenario_overlay["vehicle"]["values"]
        assert case.drawn.keys() == SDS.keys()
    with pytest.raises(ConfigError, match="has no calibration") as refused:
        questions_of(planned(written(tmp_path, text.replace("    vehicle: calibrated.yaml\n", ""))))
    assert refused.value.problems[0].key == "search.how likely.vehicle_drawn"
