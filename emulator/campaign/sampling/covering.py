"""Covering arrays: few rows in which every t factors meet in every way that is allowed.

Rows are made one after the other. Of each row many candidates grow at once, each from a tuple that is not
covered yet, factor by factor in an order of its own, always with the level that covers most new tuples and
violates no exclusion; the best is kept. Then a row is taken out and the tuples that lost their only row are
put into others by tabu search, as long as this succeeds within a stated number of steps.

Sources: Cohen, Dalal, Fredman, Patton, "The AETG system", IEEE Trans. Softw. Eng. 23(7), 1997 (one row at a
time, best of many candidates); Nurmela, "Upper bounds for covering arrays by tabu search", Discrete Appl.
Math. 138, 2004 (moves that put an uncovered tuple into a row); both from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from emulator.campaign.sampling.exclusions import UNSET, Exclusions
from emulator.campaign.sampling.orthogonal import orthogonal_array
from emulator.campaign.sampling.tuples import Tuple, TupleTable

CANDIDATES = 40
WORK = 60_000_000  # tuples looked at by the search for fewer rows: some seconds
PATIENCE = 4_000  # its steps without fewer tuples left uncovered
SCOUTS = 256  # random rows that show most tuples to be possible without a search


def covering_array(
    levels: Sequence[int],
    strength: int,
    excluded: Sequence[Mapping[int, int]] = (),
    seed: int = 0,
    *,
    work: int = WORK,
) -> NDArray[np.int64]:
    """Rows in which every possible tuple of ``strength`` occurs at least once.

    levels    (n,) number of levels of each factor
    strength  how many factors meet in every way, from 1 to n; 2 and 3 are usual
    excluded  each a mapping of factor to level: no row has all of these
    seed      the same seed gives the same rows
    work      limit of the search for fewer rows; 0 leaves it out
    Returns (rows, n) int64 levels. No row violates an exclusion; tuples that the exclusions make impossible
    are left out (:func:`impossible_tuples` lists them).
    Raises ValueError for wrong arguments, exclusions that leave no row at all, and exclusions too entangled.
    """
    table = TupleTable(levels, strength)
    exclusions = Exclusions(levels, excluded)
    rng = np.random.default_rng(seed)
    possible = _possible(table, exclusions, rng)
    rows = _greedy(table, exclusions, possible, rng)
    ready = orthogonal_array(levels, strength, len(rows)) if not len(exclusions) else None
    rows = rows if ready is None else ready
    if work > 0:
        rows = _shortened(table, exclusions, possible, rows, rng, work)
    return rows


def impossible_tuples(
    levels: Sequence[int], strength: int, excluded: Sequence[Mapping[int, int]]
) -> list[Tuple]:
    """Tuples that no row can have, because an exclusion says so or several together do.

    Arguments and errors as for :func:`covering_array`.
    """
    table = TupleTable(levels, strength)
    possible = possible_tuples(table, Exclusions(levels, excluded))
    return [table.tuple_of(number) for number in np.flatnonzero(~possible).tolist()]


def possible_tuples(table: TupleTable, exclusions: Exclusions) -> NDArray[np.bool_]:
    """(tuples,) which tuples of the table some row without a violation has."""
    return _possible(table, exclusions, np.random.default_rng(0))


def _possible(table: TupleTable, exclusions: Exclusions, rng: np.random.Generator) -> NDArray[np.bool_]:
    """:func:`possible_tuples`; the draws only decide how much has to be searched for."""
    if not len(exclusions):
        return np.ones(table.count, dtype=np.bool_)
    unset = np.full(len(table.levels), UNSET)
    if exclusions.completed(unset) is None:
        raise ValueError("the exclusions leave no combination at all")
    possible = np.ones(table.count, dtype=np.bool_)
    nothing = np.zeros(table.count, dtype=np.bool_)
    scouts = _grown(table, exclusions, nothing, np.tile(unset, (SCOUTS, 1)), rng)
    seen = table.counts(scouts) > 0
    bound = np.isin(table.groups, exclusions.bound).any(axis=1)
    for group in np.flatnonzero(bound).tolist():
        start, end = int(table.starts[group]), int(table.starts[group] + table.sizes[group])
        for number in (start + np.flatnonzero(~seen[start:end])).tolist():
            possible[number] = exclusions.completed(_row_with(table, number)) is not None
    return possible


def _row_with(table: TupleTable, number: int) -> NDArray[np.int64]:
    """(n,) a row in which only one tuple is set."""
    row = np.full(len(table.levels), UNSET)
    held = table.tuple_of(number)
    row[list(held.factors)] = held.levels
    return row


def _greedy(
    table: TupleTable, exclusions: Exclusions, possible: NDArray[np.bool_], rng: np.random.Generator
) -> NDArray[np.int64]:
    """Rows that cover all possible tuples, each the best of its candidates."""
    uncovered = possible.copy()
    rows = []
    while (waiting := np.flatnonzero(uncovered)).size:
        chosen = waiting[rng.integers(waiting.size, size=CANDIDATES)]
        seeds = np.array([_row_with(table, number) for number in chosen.tolist()])
        grown = _grown(table, exclusions, uncovered, seeds, rng)
        if not len(grown):  # every candidate ran into a dead end: search, then fill what is still free
            ready = exclusions.completed(seeds[0])
            assert ready is not None  # the tuple is possible
            grown = _grown(table, exclusions, uncovered, ready[None], rng)
        gains = np.array([np.count_nonzero(uncovered[numbers]) for numbers in table.numbers(grown)])
        best = grown[int(np.argmax(gains))]
        uncovered[table.numbers(best[None])] = False
        rows.append(best)
    return np.array(rows, dtype=np.int64)


def _grown(
    table: TupleTable,
    exclusions: Exclusions,
    uncovered: NDArray[np.bool_],
    seeds: NDArray[np.int64],
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """``seeds`` with all their factors set; those that run into a dead end are left out."""
    rows = seeds.copy()
    m, n = rows.shape
    most = int(table.levels.max())
    # what is set keeps its place in front; the others come in an order of their own in every row
    order = np.argsort(np.where(rows == UNSET, rng.random((m, n)), -1.0), axis=1, kind="stable")
    matched = exclusions.matched(rows)
    alive = np.ones(m, dtype=np.bool_)
    each = np.arange(m)
    levels = np.arange(most)
    for step in range(n):
        factor = order[:, step]
        free = rows[each, factor] == UNSET
        if not free.any():
            continue
        groups = table.within[factor]  # (m, K)
        members = table.groups[groups]  # (m, K, t)
        held = np.take_along_axis(rows, members.reshape(m, -1), axis=1).reshape(members.shape)
        own = members == factor[:, None, None]
        usable = ((held != UNSET) | own).all(axis=2)
        base = table.starts[groups] + np.where(own | (held == UNSET), 0, held * table.strides[groups]).sum(
            axis=2
        )
        stride = np.where(own, table.strides[groups], 0).sum(axis=2)
        there = levels < table.levels[factor, None]  # (m, V)
        numbers = base[..., None] + stride[..., None] * np.where(there, levels, 0)[:, None, :]
        gain = (uncovered[numbers] & usable[..., None]).sum(axis=1).astype(np.float64)
        gain += 0.5 * rng.random((m, most))  # ties by lot
        gain[~there] = -np.inf
        named = exclusions.named[factor]  # (m, E)
        row, exclusion = np.nonzero((matched == exclusions.widths - 1) & (named != UNSET) & free[:, None])
        gain[row, named[row, exclusion]] = -np.inf
        level = np.argmax(gain, axis=1)
        alive &= ~free | np.isfinite(gain[each, level])
        rows[each, factor] = np.where(free, level, rows[each, factor])
        matched += (named == level[:, None]) & free[:, None]
    return rows[alive]


def _shortened(
    table: TupleTable,
    exclusions: Exclusions,
    possible: NDArray[np.bool_],
    rows: NDArray[np.int64],
    rng: np.random.Generator,
    work: int,
) -> NDArray[np.int64]:
    """Fewer rows: one after the other is taken out and what it alone covered mended, while this works."""
    # no fewer rows than the factors with most combinations have of them
    least = int(np.add.reduceat(possible, table.starts, dtype=np.int64).max())
    while len(rows) > least:
        counts = table.counts(rows)
        alone = [int(np.count_nonzero(counts[numbers] == 1)) for numbers in table.numbers(rows)]
        fewer = np.delete(rows, int(np.argmin(alone)), axis=0)
        work, mended = _mended(table, exclusions, possible, fewer, rng, work)
        if not mended:
            break
        rows = fewer
    return rows


def _mended(
    table: TupleTable,
    exclusions: Exclusions,
    possible: NDArray[np.bool_],
    rows: NDArray[np.int64],
    rng: np.random.Generator,
    work: int,
) -> tuple[int, bool]:
    """Change ``rows`` in place until all possible tuples are covered: work left, whether it was managed."""
    counts = table.counts(rows)
    tabu_until = np.zeros(rows.shape, dtype=np.int64)
    step = 0
    fewest, since = int(np.count_nonzero((counts == 0) & possible)), 0
    while True:
        missing = np.flatnonzero((counts == 0) & possible)
        if not missing.size:
            return work, True
        if missing.size < fewest:
            fewest, since = missing.size, step
        number = int(missing[rng.integers(missing.size)])
        wanted = table.tuple_of(number)
        factors = list(wanted.factors)
        touched = np.unique(table.within[factors])
        work -= len(rows) * len(touched) + table.count // 8
        if work <= 0 or step - since > PATIENCE:
            return work, False
        changed_rows = rows.copy()
        changed_rows[:, factors] = wanted.levels
        before, after = table.numbers(rows, touched), table.numbers(changed_rows, touched)
        differs = before != after
        lost = ((counts[before] == 1) & differs).sum(axis=1)
        gained = ((counts[after] == 0) & differs).sum(axis=1)
        cost = (lost - gained).astype(np.float64) + 0.5 * rng.random(len(rows))
        cost[exclusions.violated(changed_rows)] = np.inf
        moved = changed_rows[:, factors] != rows[:, factors]
        tabu = ((tabu_until[:, factors] > step) & moved).any(axis=1)
        cost[tabu & (missing.size + lost - gained >= fewest)] += 1e6  # only if nothing else is left
        row = int(np.argmin(cost))
        step += 1
        if not np.isfinite(cost[row]):
            continue
        counts[before[row][differs[row]]] -= 1
        counts[after[row][differs[row]]] += 1
        rows[row] = changed_rows[row]
        tabu_until[row, factors] = step + 1 + int(rng.integers(10))
