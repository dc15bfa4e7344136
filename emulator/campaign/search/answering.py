"""A question asked to its end: rides a generation at a time, and the answers.

Nothing is decided by anything but the outcomes in the order asked, so the same question gets the same rides
from one worker or twenty, and again after it was cut off.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import numpy as np

from emulator.campaign.estimates.edge_curve import EdgeCurve, edge_curve
from emulator.campaign.page.edges import Edge as ShownEdge
from emulator.campaign.plan.written import write_case
from emulator.campaign.search.asked_ride import MadeCase, PlannedQuestion, SizedRide, ride_at
from emulator.campaign.search.bisection import Attempt, Found, find_edges
from emulator.campaign.search.bisection import Edge as FoundEdge
from emulator.campaign.search.chances import Draw, estimate_chance
from emulator.campaign.search.falsify import Span, falsify
from emulator.campaign.search.minimise import minimise
from emulator.campaign.search.outcome import Generation, Outcome
from emulator.campaign.search.rides import RowsOf
from emulator.campaign.search.smaller import disturbances_at, ride_of
from emulator.campaign.search.told import (
    chance_sentence,
    edge_sentence,
    failure_sentence,
    shown_curve,
    shown_edge,
)
from emulator.campaign.store.answers import UNKNOWN, Answer
from emulator.config.campaign.search import Edge, Failure, Margins, Probability

FOUND_FOLDER = "found"
"""Of a campaign's folder: files of every failure that was found and made smaller, in a folder each."""
FAILURE, NO_FAILURE, ESTIMATED = "failure found", "none found", "estimated"
"""What a search for a failure, and one for a probability, come to."""
SPREAD_SHARE = 0.25
"""Of what lies between the ends: how far to either side of an edge the rides of a curve are spread."""

Point = TypeVar("Point")


class Answered(NamedTuple):
    """What a question came to: its answers, and edges as pages draw them."""

    answers: tuple[Answer, ...]
    edges: tuple[ShownEdge, ...] = ()


def ask(question: PlannedQuestion, rows_of: RowsOf, folder: Path) -> Answered:
    """Ask a question to its end.

    rows_of  rides cases
    folder   of the campaign, where a failure is saved
    Raises whatever ``rows_of`` does to end it early; OSError.
    """
    asked = question.asked
    if isinstance(asked, Edge | Margins):
        return _edges(question, asked, rows_of)
    if isinstance(asked, Failure):
        return Answered((_failure(question, asked, rows_of, folder),))
    return Answered((_probability(question, asked, rows_of),))


def _ridden(
    question: PlannedQuestion, made: Callable[[Point], MadeCase], rows_of: RowsOf
) -> Generation[Point]:
    """Rides of points, as searches ask for them."""

    def ride(points: Sequence[Point]) -> list[Outcome]:
        return [question.ride.lost.outcome(row) for row in rows_of([made(point).case for point in points])]

    return ride


# ---- edges and margins -------------------------------------------------------------------------------------


def _edges(question: PlannedQuestion, asked: Edge | Margins, rows_of: RowsOf) -> Answered:
    def made(attempt: Attempt) -> MadeCase:
        return question.sized[attempt.edge].made(attempt.size, None)

    found = find_edges([one.question for one in question.sized], _ridden(question, made, rows_of))
    pairs = list(zip(question.sized, found, strict=True))
    answers = [_edge_answer(question.name, asked, sized, edge) for sized, edge in pairs]
    if isinstance(asked, Margins):
        return Answered(tuple(answers))
    ((sized, edge),) = pairs
    if (at_size := _survives(question, asked, edge, rows_of)) is not None:
        more = all(one.size != asked.must_survive for one in edge.rides)
        answers[0] = replace(
            answers[0],
            rides=answers[0].rides + more,
            not_counted=answers[0].not_counted + (more and at_size.lost is None),
            as_expected=_held(asked, edge, at_size),
        )
    shown = shown_edge(question.name, sized.quantity, sized.unit, edge)
    return _with_curve(question, asked, sized, edge, rows_of, Answered((answers[0],), (shown,)))


def _edge_answer(name: str, asked: Edge | Margins, sized: SizedRide, edge: FoundEdge) -> Answer:
    q = edge.question
    borne = None if edge.survived is None or edge.found is Found.UNKNOWN else abs(edge.survived - q.mildest)
    if edge.found is Found.LOST_AT_MILDEST:
        borne = 0.0
    tested = {True: f"{edge.probes} probes agree", False: "probes disagree", None: "not tested by probes"}
    return Answer(
        question=name,
        kind=asked.kind,
        of=sized.of,
        quantity=sized.quantity,
        unit=sized.unit,
        found=edge.found.value,
        sentence=edge_sentence(edge, sized.quantity, sized.unit),
        method=f"halving in steps of {q.resolution:g}, one seed; {tested[edge.monotone]}",
        rides=len(edge.rides),
        not_counted=sum(ride.outcome.lost is None for ride in edge.rides),
        speed_km_h=sized.speed_km_h,
        mildest=q.mildest,
        harshest=q.harshest,
        resolution=q.resolution,
        survived=edge.survived,
        lost=edge.lost,
        borne=borne,
        monotone=edge.monotone,
    )


def _survives(question: PlannedQuestion, asked: Edge, edge: FoundEdge, rows_of: RowsOf) -> Outcome | None:
    """The ride at the size that must be survived; None: there is no such size."""
    if asked.must_survive is None:
        return None
    ridden = next((one.outcome for one in edge.rides if one.size == asked.must_survive), None)
    if ridden is not None:
        return ridden
    (sized,) = question.sized

    def made(size: float) -> MadeCase:
        return sized.made(size, None)

    return _ridden(question, made, rows_of)([asked.must_survive])[0]


def _held(asked: Edge, edge: FoundEdge, at_size: Outcome) -> bool | None:
    """Whether all up to the size that must be survived is; None: its ride does not count."""
    assert asked.must_survive is not None  # its ride is there
    needed = abs(asked.must_survive - asked.mildest)
    if at_size.lost or any(r.outcome.lost and abs(r.size - asked.mildest) <= needed for r in edge.rides):
        return False
    return None if at_size.lost is None else True


def _with_curve(
    question: PlannedQuestion,
    asked: Edge,
    sized: SizedRide,
    edge: FoundEdge,
    rows_of: RowsOf,
    answered: Answered,
) -> Answered:
    """Rides about an edge, a seed each, and the curve through them: how the edge scatters over seeds."""
    if not asked.curve_rides or edge.found is not Found.EDGE:
        return answered
    assert edge.survived is not None  # of an edge
    assert edge.lost is not None
    low, high = sorted((asked.mildest, asked.harshest))
    middle, reach = 0.5 * (edge.survived + edge.lost), SPREAD_SHARE * (high - low)
    ends = max(low, middle - reach), min(high, middle + reach)
    sizes = [float(f"{size:.12g}") for size in np.linspace(*ends, asked.curve_rides)]

    def made(number: int) -> MadeCase:
        return sized.made(sizes[number], asked.seed + 1 + number)

    outcomes = _ridden(question, made, rows_of)(range(len(sizes)))
    counted = [(size, bool(o.lost)) for size, o in zip(sizes, outcomes, strict=True) if o.lost is not None]
    curve: EdgeCurve | None = None
    if len(counted) > 2:
        curve = edge_curve(np.array([size for size, _ in counted]), np.array([lost for _, lost in counted]))
    (answer,) = answered.answers
    rides = answer.rides + len(sizes)
    silent = answer.not_counted + len(sizes) - len(counted)
    if curve is None:
        told = f"{answer.sentence}; of {len(counted)} rides about it, a seed each, no curve can be drawn"
        return answered._replace(answers=(replace(answer, rides=rides, not_counted=silent, sentence=told),))
    bounds = [b if np.isfinite(b) else None for b in (curve.half_lost_in.low, curve.half_lost_in.high)]
    shown = shown_curve(question.name, sized.quantity, sized.unit, counted, curve, bounds)
    return Answered(
        (
            replace(
                answer,
                rides=rides,
                not_counted=silent,
                half_lost=curve.half_lost,
                half_low=bounds[0],
                half_high=bounds[1],
                confidence=curve.half_lost_in.confidence,
                method=f"{answer.method}; over seeds: {shown.method}",
            ),
        ),
        (*answered.edges, shown),
    )


# ---- failures and probabilities ----------------------------------------------------------------------------


def _failure(question: PlannedQuestion, asked: Failure, rows_of: RowsOf, folder: Path) -> Answer:
    spans = [Span(name, *sorted((span.mildest, span.harshest))) for name, span in asked.vary.items()]
    ride = _ridden(question, partial(ride_at, question.ride, asked), rows_of)
    found = falsify(spans, ride, budget=asked.rides, seed=asked.seed)
    silent = sum(point.outcome.lost is None for point in found.rides)
    answer = Answer(
        question=question.name,
        kind=asked.kind,
        of=", ".join(asked.vary),
        quantity="",
        unit="",
        found=NO_FAILURE if found.thinnest is not None else UNKNOWN,
        sentence="",
        method="differential evolution on the thinnest margin",
        rides=len(found.rides),
        not_counted=silent,
        percent=None if found.thinnest is None else found.thinnest.outcome.margin_percent,
        as_expected=True if asked.none_expected and found.thinnest is not None else None,
    )
    if found.failure is None:
        return replace(answer, sentence=failure_sentence(answer, None))
    given = disturbances_at(question.ride, asked, found.failure.values)
    smaller = minimise(
        given,
        _ridden(question, partial(ride_of, question.ride, asked), rows_of),
        budget=asked.rides_to_minimise,
    )
    kept = given if smaller.failure is None else smaller.failure
    case = ride_of(question.ride, asked, kept).case
    saved = Path(FOUND_FOLDER) / f"{_as_folder(question.name)}-{case.id[:8]}"
    written = write_case(case, question.ride.files, folder / saved)
    values: dict[str, Any] = {key: value for key, value in case.factors.items() if key != "question"}
    answer = replace(
        answer,
        found=FAILURE,
        rides=answer.rides + smaller.rides,
        method=f"{answer.method}; made smaller in {smaller.rides} rides"
        + (" until none were left" if smaller.exhausted else ""),
        case_id=case.id,
        percent=smaller.outcome.margin_percent,
        values=json.dumps(values, sort_keys=True, ensure_ascii=False),
        saved=saved.as_posix(),
        command=written.shown,
        as_expected=False if asked.none_expected else None,
    )
    return replace(
        answer, sentence=failure_sentence(answer, smaller.outcome.why, values, [d.name for d in kept])
    )


def _probability(question: PlannedQuestion, asked: Probability, rows_of: RowsOf) -> Answer:
    def made(draw: Draw) -> MadeCase:
        number, values = draw
        return ride_at(question.ride, asked, values, seed=asked.seed + number)

    chance = estimate_chance(asked, _ridden(question, made, rows_of))
    interval = chance.interval
    expected: bool | None = None
    if asked.at_most is not None and interval is not None:
        expected = True if interval.high <= asked.at_most else False if interval.low > asked.at_most else None
    answer = Answer(
        question=question.name,
        kind=asked.kind,
        of=", ".join(asked.vary) or "seed",
        quantity="",
        unit="",
        found=UNKNOWN if interval is None else ESTIMATED,
        sentence="",
        method=chance.method,
        rides=chance.rides,
        not_counted=chance.not_counted,
        probability=chance.estimate,
        low=None if interval is None else interval.low,
        high=None if interval is None else interval.high,
        confidence=None if interval is None else interval.confidence,
        as_expected=expected,
    )
    return replace(answer, sentence=chance_sentence(answer, asked.at_most))


def _as_folder(name: str) -> str:
    return re.sub(r"[^\w.]+", "-", name).strip("-.") or "failure"
