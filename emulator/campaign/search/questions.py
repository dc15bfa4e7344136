"""The questions of a plan, each with the ride it is asked of and how many rides it may take."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from emulator.campaign.estimates.rare import KEPT, MOST_LEVELS
from emulator.campaign.plan.case import Case, digest
from emulator.campaign.plan.cases import PlannedCampaign
from emulator.campaign.plan.matching import file_at, robot_at
from emulator.campaign.plan.overlays import NoSuchPlaceError
from emulator.campaign.sampling.posterior import NoPosterior
from emulator.campaign.search.asked_ride import (
    AskedRide,
    MadeCase,
    PlannedQuestion,
    Put,
    SizedRide,
    ride_at,
)
from emulator.campaign.search.bisection import EdgeQuestion
from emulator.campaign.search.chances import marginal_of
from emulator.campaign.search.margin_rides import READY, margins_question
from emulator.campaign.search.rides import Lost
from emulator.campaign.search.smaller import disturbances_at
from emulator.config.campaign.search import Edge, Failure, LostIf, OneRide, Probability
from emulator.config.validation import did_you_mean, unit_of
from emulator.config.yaml_source import Loc
from emulator.core.errors import ConfigError, Problem


def questions_hash(questions: Sequence[PlannedQuestion]) -> str | None:
    """SHA-256 of all that is asked, in the plan's order; None where nothing is."""
    return digest("\n".join(one.identity for one in questions)) if questions else None


def questions_of(campaign: PlannedCampaign) -> tuple[PlannedQuestion, ...]:
    """The questions of a plan. Raises ConfigError with what is wrong in the plan itself."""
    source, files = campaign.source, campaign.files
    problems: list[Problem] = []
    made: list[PlannedQuestion] = []
    for name, asked in campaign.plan.search.items():
        at: Loc = ("search", name)
        before = len(problems)
        scenario, vehicle = READY, None
        if isinstance(asked, OneRide):
            scenario = file_at((*at, "scenario"), asked.scenario, source, problems)
        if asked.vehicle is not None:
            vehicle = file_at((*at, "vehicle"), asked.vehicle, source, problems)
        rig = file_at((*at, "rig"), asked.rig, source, problems)
        robot = robot_at((*at, "robot"), asked.robot, source, problems)
        if len(problems) > before:
            continue
        lost = _lost(asked.lost) if isinstance(asked, OneRide) else Lost(criteria=())
        ride = AskedRide(name, asked, lost, scenario, rig, vehicle, robot, source, at, files)
        try:
            if isinstance(asked, Edge):
                made.append(_edge(ride, asked))
            elif isinstance(asked, Failure):
                made.append(_failure(ride, asked))
            elif isinstance(asked, Probability):
                made.append(_probability(ride, asked))
            else:
                made.append(margins_question(ride, asked))
            ends = [end.case for end in made[-1].ends()]  # whatever has no place is told now
            if isinstance(asked, OneRide):
                _watch_what_is_there(ride, asked.lost, ends[0], problems)
        except NoSuchPlaceError as error:
            problems.append(source.problem(at, f"{error}, in {scenario.name} on {rig.name}"))
        except NoPosterior as why:
            problems.append(source.problem((*at, "vehicle_drawn"), str(why)))
    if problems:
        raise ConfigError(problems)
    return tuple(made)


def _watch_what_is_there(ride: AskedRide, lost: LostIf, case: Case, problems: list[Problem]) -> None:
    """Tell criteria that the scenario does not have; of a scenario that can't be read others tell."""
    try:
        there = ride.files.scenario(case).data.get("criteria") or ()
    except ConfigError:
        return
    known = {
        str(one[key]) for one in there if isinstance(one, dict) for key in ("name", "kind") if key in one
    }
    for i, name in enumerate(lost.criteria or ()):
        if name not in known:
            text = f"expected a criterion of the scenario ({', '.join(sorted(known))}), got {name!r}"
            loc = (*ride.loc, "lost", "criteria", i)
            problems.append(ride.plan.problem(loc, text + did_you_mean(name, known)))


def _lost(said: LostIf) -> Lost:
    return Lost(said.fall, said.criteria, said.swing_after or "", said.watched_s)


def _edge(ride: AskedRide, asked: Edge) -> PlannedQuestion:
    quantity = asked.target.rpartition(".")[2]

    def made(size: float, seed: int | None) -> MadeCase:
        return ride.made([Put(asked, size, ride.loc)], seed=seed, told={quantity: size})

    question = EdgeQuestion(
        asked.mildest, asked.harshest, asked.resolution, asked.probes_below, asked.probes_above
    )
    sized = SizedRide(asked.target, quantity, unit_of(quantity), question, made)
    return PlannedQuestion(
        ride.name,
        asked,
        ride,
        question.most_rides + asked.curve_rides + (asked.must_survive is not None),
        (sized,),
        lambda: (made(size, None) for size in (asked.mildest, asked.harshest)),
    )


def _failure(ride: AskedRide, asked: Failure) -> PlannedQuestion:
    disturbances_at(ride, asked, [span.harshest for span in asked.vary.values()])  # its rules
    return PlannedQuestion(
        ride.name,
        asked,
        ride,
        asked.rides + asked.rides_to_minimise,
        ends=lambda: (
            ride_at(ride, asked, [getattr(span, end) for span in asked.vary.values()])
            for end in ("mildest", "harshest")
        ),
    )


def _probability(ride: AskedRide, asked: Probability) -> PlannedQuestion:
    method = asked.method
    if method.kind == "rare":
        levels = MOST_LEVELS * (round(1 / KEPT) - 1) * round(KEPT * method.population)
        most = 2 * method.population + method.final + levels
    else:
        most = method.rides if method.kind == "fixed" else method.most
    middles = [float(marginal_of(drawn.drawn).ppf(np.array(0.5))) for drawn in asked.vary.values()]
    return PlannedQuestion(
        ride.name,
        asked,
        ride,
        most,
        ends=lambda: iter([ride_at(ride, asked, middles)]),
    )
