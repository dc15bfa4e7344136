"""Response times behind a plan: by hand, as without one, in worst phases, and in phases drawn at random."""

from __future__ import annotations

import itertools
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from emulator.wire.can_timing import Message, response_times
from emulator.wire.planned_responses import HandOver, Planned, planned_responses
from tests.support.can_arbitration import by_the_standard

US = 1000
REPEAT_ns = 8000 * US


def message(name: str, can_id: int, took_us: int, period_us: int = 8000, jitter_us: int = 0) -> Message:
    return Message(name, can_id, took_us * US, period_us * US, jitter_us * US, period_us * US)


def planned(name: str, can_id: int, took_us: int, *at_us: int, moves_us: int = 0) -> Planned:
    """Handed over at these times of the plan, or up to ``moves_us`` later; it is due at the first of them."""
    handed = tuple(HandOver(at * US, at * US, (at + moves_us) * US) for at in at_us)
    return Planned(message(name, can_id, took_us), handed)


# -- by hand -----------------------------------------------------------------------------------------------


def test_frames_of_a_plan_that_never_go_together_do_not_wait_for_each_other() -> None:
    a, b = planned("a", 1, 300, 0, 4000), planned("b", 2, 300, 2000)
    other = message("robot", 9, 200)
    found = planned_responses([other], [a, b], REPEAT_ns, 1)
    # each behind the robot's one, which has begun just before
    assert (found["a"], found["b"]) == (500 * US, 500 * US)
    # the robot's may come with either, not with both
    assert found["robot"] == 500 * US
    together = planned_responses([other], [a, planned("b", 2, 300, 4000)], REPEAT_ns, 1)
    assert (together["a"], together["b"], together["robot"]) == (500 * US, 800 * US, 800 * US)


def test_a_busy_time_reaches_into_the_plans_next_hand_over() -> None:
    # Blocked for 300, behind 300 of its own tick and 500 of the robot: it could begin at 1100, but at 1000
    # the more urgent one comes again.
    urgent, late = planned("urgent", 2, 300, 0, 1000), planned("late", 3, 300, 0)
    robot, behind = message("robot", 1, 500), message("behind", 9, 300)
    assert planned_responses([robot, behind], [urgent, late], REPEAT_ns, 1)["late"] == 1700 * US
    shorter = robot._replace(transmission_ns=399 * US)
    assert planned_responses([shorter, behind], [urgent, late], REPEAT_ns, 1)["late"] == 1299 * US


def test_a_frame_waits_for_those_of_its_own_before_it() -> None:
    own = planned("own", 2, 300, 0, 100)
    found = planned_responses([message("robot", 1, 1000)], [own], REPEAT_ns, 1)
    assert found["own"] == (1000 + 300 + 300 - 100) * US


def test_one_that_blocks_may_have_begun_between_two_hand_overs() -> None:
    # behind the robot's own: it begins at 2299, and is on its way when the robot's come
    late, own = planned("late", 9, 300, 2000), planned("own", 5, 200, 3000)
    robot = message("robot", 1, 650)
    found = planned_responses([robot], [late, own], REPEAT_ns, 1)
    assert found["robot"] == 950 * US
    # begun by 2649 and followed by the robot's it keeps the bus until 3599
    assert found["own"] == 850 * US


def test_a_hand_over_that_moves_meets_whom_it_can() -> None:
    moving, fixed = planned("moving", 1, 300, 0, moves_us=2000), planned("fixed", 2, 200, 2000)
    found = planned_responses([], [moving, fixed], REPEAT_ns, 1)
    assert found["fixed"] == 500 * US
    assert found["moving"] == (2000 + 300) * US  # from when it was due, it goes last
    earlier = planned_responses([], [moving, planned("fixed", 2, 200, 1999)], REPEAT_ns, 1)
    assert earlier["moving"] == (2000 + 200 + 300) * US  # behind the other, which has just begun
    missed = planned_responses([], [moving, planned("fixed", 2, 200, 2300)], REPEAT_ns, 1)
    assert missed["fixed"] == 200 * US


def test_what_does_not_fit_has_no_bound() -> None:
    full = planned("full", 1, 900, *range(0, 8000, 1000))
    found = planned_responses([message("robot", 2, 1000)], [full], REPEAT_ns, 1)
    assert found == {"full": 1900 * US, "robot": None}


# -- without a plan ----------------------------------------------------------------------------------------

OTHERS = st.lists(
    st.tuples(st.integers(100, 400), st.integers(2, 12), st.integers(0, 4)), min_size=1, max_size=4
)


@given(OTHERS)
def test_without_a_plan_it_is_the_published_bound(drawn: list[tuple[int, int, int]]) -> None:
    """Davis et al. 2007, whose example `test_can_timing` holds."""
    others = [message(f"o{i}", i, took, 500 * p, 250 * j) for i, (took, p, j) in enumerate(drawn)]
    expected = {r.message.name: r.worst_ns for r in response_times(others, 2000)}
    assert planned_responses(others, [], REPEAT_ns, 2000) == expected


# -- with one ----------------------------------------------------------------------------------------------

PLANNED = st.lists(
    st.tuples(
        st.integers(100, 400),
        st.lists(st.integers(0, 7), min_size=1, max_size=3, unique=True),
        st.integers(0, 1),
    ),
    min_size=1,
    max_size=4,
)


def system(plan: list[Any], robots: list[Any], order: list[int]) -> tuple[list[Planned], list[Message]]:
    """On ticks of a millisecond; identifiers by ``order``.."""
    frames = [
        planned(f"p{i}", order[i], took, *sorted(1000 * t for t in ticks), moves_us=1000 * moves)
        for i, (took, ticks, moves) in enumerate(plan)
    ]
    n = len(frames)
    others = [message(f"o{i}", order[n + i], took, 1000 * p) for i, (took, p, _) in enumerate(robots)]
    return frames, others


def responses(
    frames: list[Planned], moved: list[list[int]], others: list[Message], firsts: list[int]
) -> dict[str, int]:
    """Longest response by name in four repetitions: planned ones moved so far, others from ``firsts`` on."""
    offers: list[tuple[int, int, int, str, int]] = []
    for frame, moves in zip(frames, moved, strict=True):
        each = itertools.cycle(moves)
        for repetition in range(4):
            for i in frame.instances:
                at = i.first_ns + next(each) % (i.last_ns - i.first_ns + 1) + repetition * REPEAT_ns
                m = frame.message
                offers.append((at, m.can_id, m.transmission_ns, m.name, i.due_ns + repetition * REPEAT_ns))
    for m, first in zip(others, firsts, strict=True):
        offers += [
            (at, m.can_id, m.transmission_ns, m.name, at) for at in range(first, 4 * REPEAT_ns, m.period_ns)
        ]
    offers.sort()
    worst = dict.fromkeys((o[3] for o in offers), 0)
    for there, (_, _, _, name, due) in zip(by_the_standard([o[:3] for o in offers]), offers, strict=True):
        worst[name] = max(worst[name], there - due)
    return worst


@example(
    plan=[(300, [0, 1, 5], 1), (300, [0, 4], 0)],
    robots=[(400, 3, 0), (400, 7, 0)],
    order=[2, 5, 1, 9, 0, 0, 0, 0],
    moved=[[1_000_000, 0]] * 4,
    firsts=[0, 3_999_999, 0, 0],
)
@settings(max_examples=100)
@given(
    plan=PLANNED,
    robots=OTHERS,
    order=st.permutations(range(8)),
    moved=st.lists(st.lists(st.integers(0, 1_000_000), min_size=1, max_size=5), min_size=4, max_size=4),
    firsts=st.lists(st.integers(0, 9_000_000), min_size=4, max_size=4),
)
def test_it_is_never_exceeded(
    plan: list[Any], robots: list[Any], order: list[int], moved: list[list[int]], firsts: list[int]
) -> None:
    frames, others = system(plan, robots, order)
    bound = planned_responses(others, frames, REPEAT_ns, 1)
    seen = responses(frames, moved[: len(frames)], others, firsts[: len(others)])
    for name, worst in seen.items():
        limit = bound[name]
        assert limit is None or worst <= limit, (name, worst, limit)


@settings(max_examples=20)
@given(plan=PLANNED, robots=OTHERS, order=st.permutations(range(8)))
def test_in_some_phase_it_is_met(plan: list[Any], robots: list[Any], order: list[int]) -> None:
    """Light loads, nothing moves: before each of the plan's ticks the bus is idle, the others come with it.

    The one that blocks has begun a nanosecond before; it is another one's that is the least urgent of all.
    """
    frames, others = system([(took // 3, ticks, 0) for took, ticks, _ in plan], [], order)
    others = [message(f"o{i}", order[len(frames) + i], took // 3) for i, (took, _, _) in enumerate(robots)]
    others.append(message("behind", 9, 150))
    bound = planned_responses(others, frames, REPEAT_ns, 1)
    met = dict.fromkeys(bound, 0)
    for tick in range(8):
        at = REPEAT_ns + tick * 1_000_000
        for early in (0, 1):
            firsts = [*[at] * (len(others) - 1), at - early]
            seen = responses(frames, [[0]] * len(frames), others, firsts)
            met = {name: max(met[name], seen[name]) for name in met}
    for name, limit in bound.items():
        assert limit is not None
        assert limit - 1 <= met[name] <= limit, name


@pytest.mark.parametrize("name", ["a", "b"])
def test_the_order_in_which_frames_are_told_is_nothing_to_it(name: str) -> None:
    frames = [planned("a", 4, 300, 0, 1000, 2000), planned("b", 2, 200, 0, 3000, moves_us=1000)]
    others = [message("o", 1, 300, 2000), message("p", 9, 400)]
    one = planned_responses(others, frames, REPEAT_ns, 2)
    other = planned_responses(others[::-1], frames[::-1], REPEAT_ns, 2)
    assert one[name] == other[name]
