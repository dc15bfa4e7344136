"""Questions of a plan as rides: where values go, what margins are ridden in, how many rides it may take."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.assembly.session import load_session
from emulator.campaign.plan.cases import planned
from emulator.campaign.plan.check import check_cases
from emulator.campaign.search.asked_ride import PlannedQuestion
from emulator.campaign.search.margin_rides import FRAME_OF, READY, straight
from emulator.campaign.search.questions import questions_hash, questions_of
from emulator.campaign.search.smaller import disturbances_at, ride_of
from emulator.config.campaign.search import Failure, Margins
from emulator.core.errors import ConfigError
from tests.support.made_up_plans import ROOT, place
from tests.support.made_up_questions import GAP, PLAN, asked, event, margins, question

VARY = """
vary:
  speed: {value: scenario.events.gust.speed_m_s, mildest: 1.0, harshest: 12.0, resolution: 0.5}
  when: {value: scenario.events.gust.at.time_s, mildest: 10.0, harshest: 7.0, resolution: 0.5}
  long: {value: scenario.events.gap.duration_s, mildest: 0.01, harshest: 0.2, resolution: 0.01}
  grip: {value: scenario.surface.grip, mildest: 1.0, harshest: 0.5, resolution: 0.05}
"""


def test_an_edge_puts_its_size_where_the_path_leads(tmp_path: Path) -> None:
    (one,) = asked(tmp_path, question("edge", GAP + "curve_rides: 10\nprobes_above: 0\n"))
    (sized,) = one.sized
    assert one.most_rides == 6 + 2 + 2 + 0 + 10  # 49 steps are halved in 6
    made = sized.made(0.13, None)
    assert event(made.case, "gap") is not None
    assert event(made.case, "gap")["duration_s"] == 0.13  # type: ignore[index]
    assert event(made.case, "gust")["speed_m_s"] == 4.0  # type: ignore[index]
    assert (made.case.seed, sized.made(0.13, 5).case.seed) == (0, 5)
    assert made.case.factors == {"question": "asked", "duration_s": 0.13}
    assert (sized.quantity, sized.unit) == ("duration_s", "s")
    assert made.case.id == sized.made(0.13, None).case.id != sized.made(0.14, None).case.id
    assert not made.case.expectation_counts


def test_ends_of_what_is_asked_are_checked_as_rides(tmp_path: Path) -> None:
    (tmp_path / "plan.yaml").write_text(
        text := PLAN
        + question("edge", GAP.replace("0.5", "9e4").replace("resolution: 0.01", "resolution: 10.0"))
    )
    campaign = planned(tmp_path / "plan.yaml")
    (one,) = questions_of(campaign)
    found = check_cases(campaign, further=one.ends()).problems
    assert [(p.line, p.column) for p in found] == [place(text, "kind: edge")]
    assert "86400" in str(next(iter(found)))


def test_a_value_without_a_place_is_told(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="nothing in events goes by 'gab', did you mean 'gap'"):
        asked(tmp_path, question("edge", GAP.replace("events.gap", "events.gab")))
    with pytest.raises(ConfigError, match="no such file"):
        asked(tmp_path, question("edge", GAP).replace("loopback.yaml", "gone.yaml"))


def test_margins_are_asked_of_each_channel_and_sensor_at_each_speed(tmp_path: Path) -> None:
    (one,) = asked(tmp_path, margins("gain_step: 0.1"))
    of = [(s.quantity, s.of, s.speed_km_h) for s in one.sized]
    assert of[::2] == [
        ("delay", "frame steering", 60.0),
        ("delay", "frame gear", 60.0),
        ("gain up", "steering", 60.0),
        ("gain down", "steering", 60.0),
        ("delay", "lean_rad", 60.0),
        ("gain up", "lean_rad", 60.0),
        ("gain down", "lean_rad", 60.0),
    ]
    assert [s.speed_km_h for s in one.sized[:2]] == [60.0, 120.0]
    late, *_ = one.sized
    undisturbed = [s.made(s.question.mildest, None).case.id for s in one.sized if s.speed_km_h == 60.0]
    assert len(set(undisturbed)) == 1  # ridden once for all
    at = event(late.made(12.0, None).case, "what is looked at")
    assert at is not None
    assert (at["kind"], at["frame"], at["delay_ms"], at["at"]) == (
        "frame",
        "steering",
        12.0,
        {"started": "gust"},
    )
    strong = event(one.sized[4].made(1.4, None).case, "what is looked at")
    assert strong is not None
    assert (strong["effect"], strong["factor"]) == ("strong", 1.4)


def test_every_margin_can_be_ridden(tmp_path: Path) -> None:
    """Both ends of every margin, on the shipped rig, pass the same checks as any run."""
    (tmp_path / "plan.yaml").write_text(PLAN + margins())
    campaign = planned(tmp_path / "plan.yaml")
    (one,) = questions_of(campaign)
    assert check_cases(campaign, further=one.ends()).problems == {}


def test_channels_come_in_the_frames_that_the_bench_takes() -> None:
    session = load_session(
        ROOT / "scenarios/rigs/loopback.yaml", READY, parameters={"speed": 60.0, "nearly": 16.0}
    )
    codec = session.codec
    carried = {"steering": "steering_torque", "throttle": "throttle", "gear": "gear", "clutch": "clutch"}
    for channel, frame in FRAME_OF.items():
        named = carried.get(channel, channel)
        assert any(s.startswith(named) for s in codec.signals[codec.frame(frame)]), channel


def test_the_straight_is_long_enough_to_be_watched() -> None:
    asked = Margins(kind="margins", rig="r", speeds_km_h=(180.0,), actuators=("steering",), watched_s=20.0)
    values = straight(180.0, asked)
    assert values["length"] > 50.0 * (50.0 / (2 * 4.0) + 5.0 + 20.0)  # at 4 m/s^2, the scenario's limit


def failure(tmp_path: Path, more: str = VARY) -> tuple[PlannedQuestion, Failure]:
    (one,) = asked(tmp_path, question("failure", more))
    assert isinstance(one.asked, Failure)
    return one, one.asked


def test_a_failure_is_disturbances_and_back(tmp_path: Path) -> None:
    one, said = failure(tmp_path)
    found = disturbances_at(one.ride, said, [9.0, 7.5, 0.11, 0.6])
    assert [(d.name, d.size, d.duration_s, d.onset_s) for d in found] == [
        ("gust", 9.0, None, 7.5),
        ("gap", None, 0.11, None),
        ("grip", 0.6, None, None),
    ]
    whole = ride_of(one.ride, said, found).case
    assert event(whole, "gust")["at"] == {"time_s": 7.5}  # type: ignore[index]
    assert whole.scenario_overlay["surface"] == {"grip": 0.6}
    less = ride_of(one.ride, said, found[1:2]).case
    assert event(less, "gust") is None
    assert "surface" not in less.scenario_overlay
    assert less.factors == {"question": "asked", "long": 0.11}


def test_an_event_of_the_scenario_itself_is_taken_away_too(tmp_path: Path) -> None:
    base = tmp_path / "base.yaml"
    base.write_text(
        f"based_on: {ROOT}/scenarios/runs/short_bend.yaml\nevents:\n"
        "  - {kind: gust, name: its own, speed_m_s: 3.0, from_deg: 0.0, at: {time_s: 8.0}, duration_s: 1.0}\n"
    )
    more = (
        "vary:\n  a: {value: scenario.events.its own.speed_m_s, mildest: 1.0, harshest: 9.0, resolution: 0.5}"
    )
    text = question("failure", more).replace(f"{ROOT}/scenarios/runs/short_bend.yaml", str(base))
    (one,) = asked(tmp_path, text)
    assert isinstance(one.asked, Failure)
    case = ride_of(one.ride, one.asked, ()).case
    events = one.ride.files.scenario(case).data["events"]
    assert events == []


def test_an_event_with_two_sizes_is_told(tmp_path: Path) -> None:
    more = (
        VARY
        + "  from: {value: scenario.events.gust.from_deg, mildest: 0.0, harshest: 90.0, resolution: 5.0}\n"
    )
    with pytest.raises(ConfigError, match="two values of 'gust' are its size: one of them can vary"):
        failure(tmp_path, more)


def test_questions_are_told_apart_by_what_they_ask_and_what_their_files_hold(tmp_path: Path) -> None:
    one = asked(tmp_path, question("edge", GAP))
    same = asked(tmp_path, question("edge", GAP))
    finer = asked(tmp_path, question("edge", GAP.replace("resolution: 0.01", "resolution: 0.02")))
    windy = asked(tmp_path, question("edge", GAP).replace("speed_m_s: 4.0", "speed_m_s: 5.0"))
    hashes = [questions_hash(questions) for questions in (one, same, finer, windy)]
    assert hashes[0] == hashes[1]
    assert len(set(hashes)) == 3
    assert questions_hash(()) is None
