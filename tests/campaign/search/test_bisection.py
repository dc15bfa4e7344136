"""The edge of what is survived, found by halving: of rides that are functions whose edge is known."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.campaign.search.bisection import Attempt, EdgeQuestion, Found, find_edges
from emulator.campaign.search.outcome import Outcome


def rides(*lost: Callable[[float], bool | None]) -> Callable[[Sequence[Attempt]], list[Outcome]]:
    """Rides of several edges: lost where its function of the size says so."""
    return lambda asked: [
        Outcome(lost[a.edge](a.size), why="" if lost[a.edge](a.size) else "-") for a in asked
    ]


def beyond(limit: float) -> Callable[[float], bool]:
    return lambda size: size > limit


def test_the_edge_lies_between_two_neighbouring_steps() -> None:
    (edge,) = find_edges([EdgeQuestion(0.0, 200.0, 1.0)], rides(beyond(83.4)))
    assert (edge.found, edge.survived, edge.lost, edge.monotone) == (Found.EDGE, 83.0, 84.0, True)


def test_what_grows_worse_downwards_has_its_edge_there() -> None:
    """A gain that is taken away: 1 is as it should be, 0 is nothing left."""
    (edge,) = find_edges([EdgeQuestion(1.0, 0.0, 0.05)], rides(lambda gain: gain < 0.62))
    assert (edge.survived, edge.lost) == (0.65, 0.6)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    limit=st.floats(0.0, 0.999),
    steps=st.floats(1.0, 3000.0),
    below=st.integers(0, 4),
    above=st.integers(0, 4),
)
def test_no_more_rides_than_halving_takes_and_the_probes(
    limit: float, steps: float, below: int, above: int
) -> None:
    question = EdgeQuestion(0.0, 10.0, 10.0 / steps, below, above)
    (edge,) = find_edges([question], rides(beyond(10.0 * limit)))
    assert edge.found is Found.EDGE
    assert edge.survived is not None
    assert edge.lost is not None
    assert edge.survived <= 10.0 * limit < edge.lost
    assert edge.lost - edge.survived <= question.resolution + 1e-10  # sizes have twelve digits
    assert len(edge.rides) <= math.ceil(math.log2(10.0 / question.resolution) - 1e-9) + 2 + below + above
    assert len(edge.rides) <= question.most_rides
    assert len({ride.size for ride in edge.rides}) == len(edge.rides)  # none twice


def test_ends_are_probes_too() -> None:
    within, always, never = find_edges(
        [EdgeQuestion(0.0, 64.0, 1.0, 2, 2)] * 3, rides(beyond(31.5), beyond(-1), beyond(99))
    )
    assert within.found is Found.EDGE
    assert (always.found, always.survived, always.lost, len(always.rides)) == (
        Found.LOST_AT_MILDEST,
        None,
        0.0,
        2,
    )
    assert (never.found, never.survived, never.lost, len(never.rides)) == (Found.ALL_SURVIVED, 64.0, None, 6)
    assert never.monotone


def test_a_patch_below_the_edge_that_is_lost_is_told_and_there_is_no_edge() -> None:
    def patchy(size: float) -> bool:
        return size > 90.0 or 10.0 < size < 60.0

    # 0 and 128, 64 survives, 96 is lost, and so on up to 90; the widest gap left below is 0 to 64
    (edge,) = find_edges([EdgeQuestion(0.0, 128.0, 1.0, 1, 0)], rides(patchy))
    assert edge.found is Found.NOT_MONOTONE
    assert edge.monotone is False
    assert edge.survived is None
    assert edge.lost is None
    assert [ride.size for ride in edge.violations] == [32.0]
    assert "32" in edge.sentence


def test_a_patch_above_the_edge_that_is_survived_is_told() -> None:
    def patchy(size: float) -> bool:
        return size > 20.0 and not 70.0 < size < 110.0

    (edge,) = find_edges([EdgeQuestion(0.0, 128.0, 1.0, 0, 1)], rides(patchy))
    assert edge.found is Found.NOT_MONOTONE
    assert [ride.size for ride in edge.violations] == [96.0]


def test_a_patch_in_what_is_all_survived_is_told() -> None:
    (edge,) = find_edges([EdgeQuestion(0.0, 128.0, 1.0, 1, 1)], rides(lambda size: 60.0 < size < 70.0))
    assert edge.found is Found.NOT_MONOTONE
    assert [ride.size for ride in edge.violations] == [64.0]


def test_without_probes_nobody_says_it_was_tested() -> None:
    (edge,) = find_edges([EdgeQuestion(0.0, 128.0, 1.0, 0, 0)], rides(beyond(50.0)))
    assert edge.found is Found.EDGE
    assert edge.monotone is None


def test_several_edges_come_out_as_each_alone_and_in_as_many_generations_as_the_longest() -> None:
    questions = [EdgeQuestion(0.0, 200.0, 1.0), EdgeQuestion(1.0, 0.0, 0.05), EdgeQuestion(0.0, 5.0, 0.5)]
    lost = (beyond(83.4), lambda gain: gain < 0.62, beyond(9.0))
    generations: list[int] = []

    def counted(asked: Sequence[Attempt]) -> list[Outcome]:
        generations.append(len(asked))
        return rides(*lost)(asked)

    together = find_edges(questions, counted)
    alone = [find_edges([q], rides(f))[0] for q, f in zip(questions, lost, strict=True)]
    assert [(e.found, e.survived, e.lost, e.rides) for e in together] == [
        (e.found, e.survived, e.lost, e.rides) for e in alone
    ]
    assert len(generations) <= 1 + math.ceil(math.log2(200)) + 1
    assert generations[0] == 6
    assert find_edges(questions, rides(*lost)) == together


def test_a_ride_that_does_not_count_ends_the_search_of_its_edge_alone() -> None:
    def unknown(size: float) -> bool | None:
        return None if 40.0 < size < 60.0 else size > 80.0

    first, second = find_edges([EdgeQuestion(0.0, 100.0, 1.0)] * 2, rides(unknown, beyond(30.0)))
    assert first.found is Found.UNKNOWN
    assert (first.survived, first.lost) == (0.0, 100.0)
    assert "50" in first.sentence
    assert second.found is Found.EDGE


def test_a_probe_that_does_not_count_tells_nothing_of_monotony() -> None:
    def unknown(size: float) -> bool | None:
        return None if size == 32.0 else size > 90.0

    (edge,) = find_edges([EdgeQuestion(0.0, 128.0, 1.0, 1, 1)], rides(unknown))
    assert (edge.found, edge.monotone) == (Found.EDGE, None)


@pytest.mark.parametrize(
    ("mildest", "harshest", "resolution", "below"),
    [
        (1.0, 1.0, 0.1, 0),
        (0.0, 1.0, 0.0, 0),
        (0.0, 1.0, -1.0, 0),
        (0.0, 1.0, 2.0, 0),
        (0.0, 1.0, 0.1, -1),
        (0.0, math.inf, 1.0, 0),
    ],
)
def test_questions_without_an_answer(mildest: float, harshest: float, resolution: float, below: int) -> None:
    with pytest.raises(ValueError, match="expected"):
        EdgeQuestion(mildest, harshest, resolution, below)


def test_the_wrong_number_of_outcomes_is_an_internal_error() -> None:
    with pytest.raises(ValueError, match="2 rides asked for, 1 outcomes"):
        find_edges([EdgeQuestion(0.0, 1.0, 0.1)], lambda asked: [Outcome(False)])
