"""What the measurement of the live page's visitors makes of figures; and visitors at a page, for a moment."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tests.bench.viewers import (
    DOES_NOT,
    HOLDS,
    MOST_RATIO,
    Block,
    Page,
    alone,
    how_it_ended,
    in_blocks,
    judge_attack,
    judge_viewers,
    ride,
    told,
)
from tests.bench.visitors import people, stranger, visit
from tests.support.live_page import TOKEN, served

PAIRS, TICKS = 10, 2000
BLOCKS = [
    Block(visited, (2 * pair + i) * TICKS, (2 * pair + i + 1) * TICKS)
    for pair in range(PAIRS)
    for i, visited in enumerate((False, True) if pair % 2 else (True, False))
]


def made_up(*, more: float = 0.0, drift: float = 0.0, scatter: float = 0.02) -> list[np.ndarray]:
    """Lateness of blocks [us]: ``more`` with visitors, a machine that drifts, blocks that scatter."""
    dice = np.random.default_rng(5)
    return [
        (1.0 + more * block.visited + drift * n / len(BLOCKS))
        * np.exp(scatter * dice.standard_normal())
        * dice.exponential(20.0, TICKS)
        for n, block in enumerate(BLOCKS)
    ]


@pytest.mark.parametrize(
    ("late", "holds"),
    [
        ({}, True),
        ({"drift": 2.0}, True),  # both of a pair drift
        ({"more": 0.3}, False),
        ({"more": 0.3, "drift": -0.5}, False),
        ({"scatter": 0.5}, False),  # nothing is known within 10 %
    ],
)
def test_viewers_may_cost_a_tenth_and_that_has_to_be_known(late: dict[str, float], holds: bool) -> None:
    judged = judge_viewers(BLOCKS, made_up(**late))
    assert judged.holds is holds, judged.text
    assert "10 pairs" in judged.text


def test_a_few_blocks_that_a_host_spoils_decide_nothing() -> None:
    """Stalls in one block of ten with visitors and in three without; in four with them they do."""
    late = made_up()
    visited = [n for n, block in enumerate(BLOCKS) if block.visited]
    for n in (visited[0], 1, 5, 9):
        late[n][::20] = 1e4
    assert judge_viewers(BLOCKS, late).holds is True
    for n in visited[5:8]:
        late[n][::20] = 1e4
    assert judge_viewers(BLOCKS, late).holds is False


def test_a_hold_up_counts_once_and_one_shorter_than_a_tick_each_time() -> None:
    late = made_up()
    for n, block in enumerate(BLOCKS):
        if block.visited:
            late[n][500:530] = 1e3 * np.arange(30, 0, -1)
    judged = judge_viewers(BLOCKS, late)
    assert judged.holds, judged.text
    lines = told(BLOCKS, late, Page(shares=[0.0]))
    ticks, hold_ups, own, every = (lines[2].split()[k] for k in (1, 6, 3, 7))
    assert (ticks, hold_ups) == (str(PAIRS * TICKS), str(PAIRS))
    assert float(every) > 10.0 * float(own)
    for n, block in enumerate(BLOCKS):
        if block.visited:
            late[n][500:530] = 900.0
    assert not judge_viewers(BLOCKS, late).holds


def test_the_bound_is_above_the_true_ratio_as_often_as_it_says() -> None:
    """200 made-up rides at the very ratio allowed, with heavy tails: at most 5 % of them may hold."""
    dice = np.random.default_rng(11)
    held = 0
    for _ in range(200):
        late = [
            np.full(50, (MOST_RATIO if block.visited else 1.0) * np.exp(dice.standard_t(1.5)))
            for block in BLOCKS
        ]
        held += judge_viewers(BLOCKS, late).holds
    assert held <= 17  # 95 % of what 5 % of 200 can be by chance


def test_blocks_that_are_no_pairs_are_not_judged() -> None:
    blocks = sorted(BLOCKS, key=lambda block: block.visited)
    with pytest.raises(ValueError, match="no pair"):
        judge_viewers(blocks, made_up())


NOBODY = np.empty((0, 2), np.int64)


def test_one_late_tick_under_attack_is_one_too_many_and_one_without_is_not() -> None:
    late = [np.full(TICKS, 999.0) for _ in BLOCKS]
    assert judge_attack(BLOCKS, late, NOBODY).holds
    late[1][7] = 1000.0
    assert not BLOCKS[1].visited
    assert judge_attack(BLOCKS, late, NOBODY).holds
    late[0][3] = 1000.0
    judged = judge_attack(BLOCKS, late, NOBODY)
    assert not judged.holds
    assert "1 under attack, allowed 0 (1 without it)" in judged.text


@pytest.mark.parametrize(
    ("due_ms", "came_ms", "lonely"),
    [
        (102, 105, 0),
        (105.6, 106.0, 0),  # while the last of them is made up for
        (90, 99, 4),
        (108, 110, 4),
        (0, 200, 0),
    ],
)
def test_a_late_tick_that_a_witness_above_it_shares_is_the_hosts(
    due_ms: float, came_ms: float, lonely: int
) -> None:
    """Four ticks in a row, due at 102 to 105 ms, the last one at 107."""
    block = Block(True, 100, 200, zero_ns=7_000_000)
    late = np.zeros(100)
    late[2:6] = [4000.0, 3500.0, 3000.0, 2000.0]
    witnessed = np.array([[7_000_000 + due_ms * 1e6, 7_000_000 + came_ms * 1e6]]).astype(np.int64)
    assert np.count_nonzero(alone(block, late, witnessed)) == lonely
    judged = judge_attack([block], [late], witnessed)
    assert judged.holds is (lonely == 0)
    assert f"with it {4 - lonely}" in judged.text


def test_the_witness_tells_when_it_was_late() -> None:
    """It is stopped for 30 ms: that is what it tells."""
    core = min(os.sched_getaffinity(0))
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.witness", str(core), "1"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
    ) as witness:
        assert witness.stdin is not None
        assert witness.stdout is not None
        answer = witness.stdout.readline().strip()
        if answer != "ready":
            assert answer.startswith("no witness: ")
            return
        time.sleep(0.05)
        began = time.monotonic_ns()
        os.kill(witness.pid, signal.SIGSTOP)
        time.sleep(0.03)
        ended = time.monotonic_ns()
        os.kill(witness.pid, signal.SIGCONT)
        time.sleep(0.05)
        witness.stdin.close()
        late = json.loads(witness.stdout.readline())
    assert any(due <= began + 2_000_000 and came >= ended for due, came in late), late


def test_a_block_with_ticks_that_are_not_in_the_record_is_not_counted() -> None:
    tick = np.arange(100)
    (its,) = in_blocks(tick, tick * 1.0, [Block(True, 10, 20)])
    assert its.tolist() == list(range(10, 20))
    with pytest.raises(ValueError, match="1 ticks of a block are not in the record"):
        in_blocks(np.delete(tick, 15), np.delete(tick, 15) * 1.0, [Block(True, 10, 20)])


def test_a_ride_that_did_not_last_is_told_with_what_was_seen_of_robot_and_host() -> None:
    assert how_it_ended({"ended": "tripped", "trip_reason": "overrun"}) == "tripped overrun"
    assert how_it_ended(
        {
            "ended": "fallen",
            "trip_reason": "",
            "end_tick": 73_000,
            "robot_stopped": ["GNSS elsewhere", 67.44],
            "waited": [[0.0, 1000.0, 0.5], [1000.0, 4000.0, 0.1]],
        }
    ) == (
        "fallen 73.0 s into the ride; the robot had stopped of its own accord after 67.4 s: GNSS elsewhere; "
        "in 20 % of the time some process waited for a core"
    )


def test_people_see_the_ride_and_the_page_answers_under_attack(tmp_path: Path) -> None:
    with served(tmp_path) as page:
        page.cycle()
        port = page.address.port
        for _ in range(20):  # a busy machine lets the page look seldom
            met = asyncio.run(visit(people, port, TOKEN, 1.0))
            if met["looks"] and met["operator"]:
                break
        assert met["looks"]
        assert met["operator"]
        before = list(page.told)
        met = asyncio.run(visit(stranger, port, "", 2.0))
        assert sum(met.values()) > 10, met
        taken = {what for what in met if what.endswith(": 200")}
        assert taken <= {"web socket: 200"}, met  # shown as it would be to anybody, without an upgrade
        assert [m for m in page.told[len(before) :] if "do" in m] == []
        limit = time.monotonic() + 20.0
        while page.ask("GET", "/ride")[0] != 200:
            assert time.monotonic() < limit
            time.sleep(0.1)


@pytest.mark.timing
def test_a_short_ride_is_measured(tmp_path: Path) -> None:
    for who in ("watch", "attack"):
        (tmp_path / who).mkdir()
        blocks, late_us, seen = ride(tmp_path / who, who, 2, 3.0, lambda _text: None)
        assert [block.visited for block in blocks] == [True, False, False, True]
        assert sum(seen.page.met.values()) > 10
        assert told(blocks, late_us, seen.page)
        judged = judge_attack(blocks, late_us, seen.witnessed)
        assert (DOES_NOT, HOLDS)[judged.holds] in (0, 1)  # what it comes to is this machine's business
