"""What a live page costs the loop: one ride in real time, in blocks with and without visitors, in turns.

    python -m tests.bench.viewers [--attack] [--pairs 30] [--seconds 8]

Three viewers and an operator come for every second block, or with --attack a stranger with slow requests,
long heads, a thousand connections, web sockets, megabytes and guesses at the token. The reference robot rides
lap after lap on the loopback bus with the shipped limits; the figures are the record's own lateness of every
tick. About ten minutes; the machine has to be left alone meanwhile.

Without --attack it holds if the p99 of lateness is at most 10 % greater with viewers than without: the upper
end of a one-sided 95 % interval of the median ratio over pairs of neighbouring blocks, by the order of the
ratios, which asks nothing of their distribution. A hold-up counts once, by the first tick that it makes late:
after 30 ms of it 30 ticks are late whatever they do, and three of those in a block of 8 s would be all of its
p99. How many hold-ups there were with viewers and without is told, and what p99 would be with every tick.
With --attack it holds if no tick came a whole
period late in any block of the attack but with a witness (``tests.bench.witness``), which wakes on the loop's
core above the loop: what holds both up is no process of ours and no request. What an attack did to the kernel
of that core would hold up the witness, too, so how often that was late with and without is told.

Exit status: 0 it holds, 1 it does not, 3 it could not be measured.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from emulator.assembly.session import load_session
from emulator.cli.live.page_of_run import together
from emulator.config.rig.shown.console import Console, Tokens
from emulator.console.beside import LivePage
from emulator.core.errors import EmulatorError
from emulator.core.signals import INDEX, RUNNING, TICK_NS
from emulator.record.reader import read_run
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.status import Command, Status
from emulator.stages.bench.supervisor import run_bench
from tests.bench.bench import RIG, short_scenario

ROOT = Path(__file__).parents[2]
TOKEN = "operator of the bench's visitors"
MOST_RATIO = 1.10
CONFIDENCE = 0.95
LATE_US = TICK_NS * 1e-3
"""A tick that wakes so late comes when the next one is due."""
SETTLING_S = 2.0
"""After each coming and leaving, counted in no block."""
BEGIN_S = 10.0
"""Of the ride, before the first block."""
HOLDS, DOES_NOT, NOT_MEASURED = 0, 1, 3


@dataclass(frozen=True)
class Block:
    """A stretch of the ride [ticks], and whether visitors were there."""

    visited: bool
    first: int
    last: int
    zero_ns: int = 0
    """CLOCK_MONOTONIC at scenario tick 0."""


@dataclass
class Page:
    """What was seen of the page's process: memory of its own before and after [MB], share of a core."""

    before_MB: float = 0.0
    after_MB: float = 0.0
    shares: list[float] = field(default_factory=list)
    met: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True)
class Judged:
    """Whether it holds, and the sentence that says so."""

    holds: bool
    text: str


def in_blocks(
    tick: NDArray[np.int64], late_us: NDArray[np.float64], blocks: Sequence[Block]
) -> list[NDArray[np.float64]]:
    """Lateness of every tick of each block; raises ValueError where a block has lost ticks in the record."""
    found = []
    for block in blocks:
        its = late_us[(tick >= block.first) & (tick < block.last)]
        if len(its) < block.last - block.first:
            raise ValueError(f"{block.last - block.first - len(its)} ticks of a block are not in the record")
        found.append(its)
    return found


def of_its_own(late_us: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which ticks could have been on time: all but those that were due before the one ahead of them began."""
    return np.concatenate([[True], late_us[:-1] < LATE_US])


def judge_viewers(blocks: Sequence[Block], late_us: Sequence[NDArray[np.float64]]) -> Judged:
    """Whether p99 grows by at most 10 % with viewers, with confidence; blocks in neighbouring pairs."""
    p99 = [float(np.percentile(late[of_its_own(late)], 99.0)) for late in late_us]
    pairs = list(zip(range(0, len(blocks), 2), range(1, len(blocks), 2), strict=True))
    logs = []
    for a, b in pairs:
        if blocks[a].visited == blocks[b].visited:
            raise ValueError("neighbouring blocks are no pair")
        visited, alone = (a, b) if blocks[a].visited else (b, a)
        logs.append(math.log(p99[visited] / p99[alone]))
    # the median lies below the k-th smallest unless k or more of n fall below it
    k = int(stats.binom.ppf(CONFIDENCE, len(logs), 0.5)) + 1
    ordered = sorted(logs)
    bound = math.exp(ordered[k - 1]) if k <= len(logs) else math.inf
    text = (
        f"p99 with viewers / without: {math.exp(np.median(logs)):.3f} in the median of {len(logs)} pairs "
        f"({math.exp(ordered[0]):.3f} to {math.exp(ordered[-1]):.3f}), "
        f"below {bound:.3f} with {CONFIDENCE:.0%} confidence; allowed {MOST_RATIO:.2f}"
    )
    return Judged(bound < MOST_RATIO, text)


def alone(block: Block, late_us: NDArray[np.float64], witnessed: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which ticks of a block came a period late while the witness ((n, 2) ns, rising) did not.

    Late ticks in a row are of one cause: what was held up is made up for afterwards.
    """
    late = late_us >= LATE_US
    lonely = np.zeros(len(late), bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], late, [False]]).astype(np.int8)))
    for first, end in edges.reshape(-1, 2):
        due = block.zero_ns + TICK_NS * (block.first + first)
        came = block.zero_ns + TICK_NS * (block.first + end - 1) + 1e3 * late_us[end - 1]
        overlaps = (witnessed[:, 0] <= came) & (witnessed[:, 1] >= due)
        lonely[first:end] = not overlaps.any()
    return lonely


def judge_attack(
    blocks: Sequence[Block], late_us: Sequence[NDArray[np.float64]], witnessed: NDArray[np.int64]
) -> Judged:
    """Whether no tick of an attack's block came a whole period late but with the witness, (n, 2) ns."""
    late, lonely, held_up = ({True: 0, False: 0} for _ in range(3))
    for block, its in zip(blocks, late_us, strict=True):
        late[block.visited] += int(np.count_nonzero(its >= LATE_US))
        lonely[block.visited] += int(np.count_nonzero(alone(block, its, witnessed)))
        first, last = (block.zero_ns + TICK_NS * tick for tick in (block.first, block.last))
        inside = (witnessed[:, 0] >= first) & (witnessed[:, 0] < last)
        held_up[block.visited] += int(np.count_nonzero(inside))
    text = (
        f"ticks {LATE_US / 1e3:g} ms late without the witness: {lonely[True]} under attack, allowed 0 "
        f"({lonely[False]} without it); with it {late[True] - lonely[True]} and "
        f"{late[False] - lonely[False]}; the witness itself was late {held_up[True]} and "
        f"{held_up[False]} times"
    )
    return Judged(lonely[True] == 0, text)


def how_it_ended(outcome: Mapping[str, Any]) -> str:
    """How a ride ended that should have lasted, and what was seen of robot and host: nobody is accused."""
    words = [f"{outcome.get('ended')} {outcome.get('trip_reason') or ''}".strip()]
    end_tick = outcome.get("end_tick")
    if end_tick is not None:
        words[0] += f" {end_tick * 1e-3:.1f} s into the ride"
    if stopped := outcome.get("robot_stopped"):
        words.append(f"the robot had stopped of its own accord after {stopped[1]:.1f} s: {stopped[0]}")
    waited = outcome.get("waited") or []
    if waited:
        whole = sum(end - begin for begin, end, _ in waited)
        spent = sum((end - begin) * share for begin, end, share in waited)
        words.append(f"in {100.0 * spent / whole:.0f} % of the time some process waited for a core")
    return "; ".join(words)


# --- the ride ----------------------------------------------------------------------------------------------


def cpu_s(pid: int) -> float:
    """Computing time of a process so far [s]."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_MB(pid: int) -> float:
    """Memory of its own, without the ring, which it shares."""
    pages = Path(f"/proc/{pid}/statm").read_text().split()
    return (int(pages[1]) - int(pages[2])) * os.sysconf("SC_PAGE_SIZE") / 1e6


class Turns:
    """Blocks of a ride in turns: A B, B A, A B; stops the ride when they are over."""

    def __init__(
        self,
        page: LivePage,
        who: str,
        pairs: int,
        seconds: float,
        say: Callable[[str], None],
        witness: tuple[int, int] | None,
    ) -> None:
        self._page, self._who, self._pairs, self._seconds, self._say = page, who, pairs, seconds, say
        self._witness = witness
        self.blocks: list[Block] = []
        self.page = Page()
        self.witnessed: NDArray[np.int64] = np.empty((0, 2), np.int64)
        self.failed = ""

    async def beside(self, snapshot: Snapshot) -> None:
        """Runs next to the ride."""
        try:
            await self._all(snapshot)
        except Exception as error:
            self.failed = f"{type(error).__name__}: {error}"
        snapshot.post(Command.STOP, 0.0)
        await asyncio.Event().wait()

    async def _all(self, snapshot: Snapshot) -> None:
        while self._tick(snapshot) < BEGIN_S * 1e3 or self._page._process is None:
            await asyncio.sleep(0.1)
        pid = self._page._process.pid
        witness = await self._called()
        visitors = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tests.bench.visitors", self._who, str(self._page.address.port), TOKEN),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            cwd=ROOT,
        )
        assert visitors.stdin is not None
        assert visitors.stdout is not None

        async def word(text: str) -> str:
            visitors.stdin.write(f"{text}\n".encode())  # type: ignore[union-attr]
            answer = (await visitors.stdout.readline()).decode()  # type: ignore[union-attr]
            if not answer:
                raise RuntimeError("the visitors are gone")
            return answer

        try:
            self.page.before_MB = memory_MB(pid)
            for pair in range(self._pairs):
                for visited in (False, True) if pair % 2 else (True, False):
                    if visited:
                        await word("come")
                    await asyncio.sleep(SETTLING_S)
                    first, began, used = self._tick(snapshot), time.monotonic(), cpu_s(pid)
                    await asyncio.sleep(self._seconds)
                    zero_ns = int(snapshot.status[Status.TICK_ZERO_NS])
                    self.blocks.append(Block(visited, first, self._tick(snapshot), zero_ns))
                    if visited:
                        self.page.shares.append((cpu_s(pid) - used) / (time.monotonic() - began))
                        self.page.met.update(json.loads(await word("leave")))
                self._say(f"pair {pair + 1} of {self._pairs}")
            await asyncio.sleep(SETTLING_S)
            self.page.after_MB = memory_MB(pid)
        finally:
            visitors.stdin.close()
            await visitors.wait()
            if witness is not None:
                told, _ = await witness.communicate(b"")
                self.witnessed = np.array(json.loads(told), np.int64).reshape(-1, 2)

    async def _called(self) -> asyncio.subprocess.Process | None:
        """The witness, if one is asked for: core and priority. Raises RuntimeError if it may not be one."""
        if self._witness is None:
            return None
        process = await asyncio.create_subprocess_exec(
            *(sys.executable, "-m", "tests.bench.witness", *map(str, self._witness)),
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            cwd=ROOT,
            limit=1 << 24,
        )
        assert process.stdout is not None
        answer = (await process.stdout.readline()).decode().strip()
        if answer != "ready":
            raise RuntimeError(answer or "the witness is gone")
        return process

    @staticmethod
    def _tick(snapshot: Snapshot) -> int:
        """Scenario tick of the ride, -1 before it. Raises RuntimeError once it is over."""
        latest = snapshot.latest()
        if latest is None or latest[1][INDEX["bench.state"]] < RUNNING:
            return -1
        if latest[1][INDEX["bench.state"]] > RUNNING:
            raise RuntimeError("the ride ended before its blocks were over")
        return latest[0]


def ride(
    folder: Path, who: str, pairs: int, seconds: float, say: Callable[[str], None], rig: Path = RIG
) -> tuple[list[Block], list[NDArray[np.float64]], Turns]:
    """Ride and measure: blocks, lateness of their ticks [us], and what else was seen of page and host.

    Raises EmulatorError, RuntimeError or ValueError if there is no such ride.
    """
    lasts = BEGIN_S + 2 * pairs * (seconds + SETTLING_S) + 60.0
    scenario = folder / "run.yaml"
    laps = math.ceil(lasts / 30.0)  # more than anybody rides in that time
    scenario.write_text(short_scenario(lasts, ("laps: 1", f"laps: {laps}")))
    session = load_session(rig, scenario, stage="bench")
    page = LivePage(session, folder / "run", Console(port=0), {}, Tokens(TOKEN), lambda _text: None)
    rules = session.rig.loop
    if who == "attack" and (session.loop_cpu is None or not rules.priority):
        raise RuntimeError("the rig's loop has no core and priority of its own to watch from above")
    witness = (
        (session.loop_cpu, rules.priority + 1) if who == "attack" and session.loop_cpu is not None else None
    )
    turns = Turns(page, who, pairs, seconds, say, witness)
    cores = os.sched_getaffinity(0)
    with closing(page):
        result = run_bench(
            session, (rig, scenario), folder / "run", say=lambda _text: None,
            beside=together([page.beside, turns.beside]),
        )  # fmt: skip
    os.sched_setaffinity(0, cores)  # a supervisor leaves the loop's core, for good
    if turns.failed or len(turns.blocks) < 2 * pairs:
        how = how_it_ended(result.outcome)
        raise RuntimeError(f"{turns.failed or 'the ride ended before its blocks were over'} ({how})")
    run = read_run(folder / "run")
    return turns.blocks, in_blocks(run.tick, run.signal("loop.lateness_us"), turns.blocks), turns


def told(blocks: Sequence[Block], late_us: Sequence[NDArray[np.float64]], page: Page) -> list[str]:
    """The figures, a line each."""
    lines = ["visitors     ticks   p50 us   p99 us  p99.9 us    max us  hold-ups  p99 of every tick"]
    for visited, word in ((False, "none"), (True, "there")):
        those = [late for b, late in zip(blocks, late_us, strict=True) if b.visited == visited]
        every = np.concatenate(those)
        own = np.concatenate([late[of_its_own(late)] for late in those])
        p50, p99, p999 = np.percentile(own, (50.0, 99.0, 99.9))
        lines.append(
            f"{word:8} {len(every):9d} {p50:8.2f} {p99:8.2f} {p999:9.1f} {own.max():9.1f} "
            f"{np.count_nonzero(own >= LATE_US):9d} {np.percentile(every, 99.0):18.1f}"
        )
    lines.append(
        f"hold-ups: {LATE_US / 1e3:g} ms or more; what makes up for one counts in the last column only"
    )
    shares = ", at most ".join(f"{100 * f(page.shares):.1f} %" for f in (np.mean, max))
    lines.append(f"the page's process with them: {shares} of a core")
    lines.append(
        f"its memory: {page.before_MB:.1f} MB before any came, {page.after_MB:.1f} MB after all left"
    )
    lines.append("they met: " + ", ".join(f"{what} {count}" for what, count in sorted(page.met.items())))
    return lines


def main() -> int:
    """Measure, print, judge."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--attack", action="store_true", help="a stranger instead of viewers")
    parser.add_argument("--pairs", type=int, default=30, help="blocks with and without (default 30)")
    parser.add_argument("--seconds", type=float, default=8.0, help="length of a block (default 8)")
    parser.add_argument("--rig", type=Path, default=RIG, help="rig file (default: the loopback bench)")
    options = parser.parse_args()
    if options.pairs < 5 or options.seconds < 1.0:
        parser.error("expected at least 5 pairs of blocks of at least 1 s")

    def say(text: str) -> None:
        print(text, flush=True)

    with tempfile.TemporaryDirectory(prefix="viewers-") as folder:
        try:
            blocks, late_us, seen = ride(
                *(Path(folder), "attack" if options.attack else "watch"),
                *(options.pairs, options.seconds, say, options.rig),
            )
        except (EmulatorError, RuntimeError, ValueError) as error:
            say(f"not measured: {error}")
            return NOT_MEASURED
    for line in told(blocks, late_us, seen.page):
        say(line)
    if options.attack:
        judged = judge_attack(blocks, late_us, seen.witnessed)
    else:
        judged = judge_viewers(blocks, late_us)
    say(f"{'holds' if judged.holds else 'DOES NOT HOLD'}: {judged.text}")
    return HOLDS if judged.holds else DOES_NOT


if __name__ == "__main__":
    sys.exit(main())
