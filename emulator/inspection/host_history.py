"""What the wake-up tests of a machine have shown so far, and the promise that follows from all of them.

A test of a quarter minute sees a few rare events or none; judged alone, it would say one thing now and
another a minute later. So each test is kept, and the promise is made from all tests of the same machine in
the same setting, in the order they were made. It changes only when what was promised is refuted.

    lateness     the least step of LATENESS_us that a ride of a quarter minute keeps: at most 1 % of its
                 ticks later. Wake-ups of one second depend on each other, seconds less so: from mean and
                 spread over seconds (Student's t, 99 %) follows what fifteen further ones stay below; half of
                 the 1 % is asked of that, since a test sees one mood of a machine. A promise once made is
                 raised when tests prove that more than one ride in twenty breaks it, and lowered when they
                 prove that fewer would break a smaller step (binomial, exact bounds by C. J. Clopper and E.
                 S. Pearson, Biometrika 26 (1934) 404-413, from memory; 95 %).
    standstills  wake-ups a hole or more late, each once, counted against the time (a Poisson process; exact
                 bounds by F. Garwood, Biometrika 28 (1936) 437-442, from memory). The machine is told unfit
                 for rides when at least three were seen and the lower bound of their rate lies above one in
                 ten minutes; fit again when the upper bound lies below.

The steps, the percentages and the rate are our own choice, no source. A hole is the silence that a rig
allows once in a run (timing.hole_ms, 20 ms unless a rig says otherwise): one longer makes a run invalid.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from scipy.special import betaincinv, gammaincinv, stdtrit

LATENESS_us = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0)
"""Steps of what is promised [us]."""
HOLE_us = 20_000.0
"""A standstill that makes a run invalid under a rig's default."""
WAKES_A_SECOND = 1000

RIDE_S = 15
"""Length of the ride that is promised something [s]."""
BROKEN_RIDES = 0.05
"""So many rides may break the promise."""

_LATE_SHARE, _EXPECTED_SHARE = 0.01, 0.005
_CONFIDENCE, _PREDICTION = 0.95, 0.99
_LEAST_TEST_S = 10
_UNFIT_COUNT, _UNFIT_PER_S = 3, 1.0 / 600.0
_KEPT_TESTS = 500
_MOST_BYTES = 4 << 20


class HostTest(BaseModel):
    """One test, as a line of the file.

    made         when it ended, local time
    machine      what it is about: tests of another machine or setting don't count
    seconds      whole seconds of wake-ups
    late         for each of LATENESS_us, the sum over the seconds of the share of wake-ups later than that
    late_square  the sum of that share's square
    standstills  wake-ups a hole or more late
    """

    model_config = ConfigDict(extra="ignore", frozen=True)

    made: datetime
    machine: str = Field(max_length=4000)
    seconds: int = Field(ge=1, le=100_000)
    late: tuple[float, ...] = Field(min_length=len(LATENESS_us), max_length=len(LATENESS_us))
    late_square: tuple[float, ...] = Field(min_length=len(LATENESS_us), max_length=len(LATENESS_us))
    standstills: int = Field(ge=0)

    @model_validator(mode="after")
    def _possible(self) -> HostTest:
        for late, square in zip(self.late, self.late_square, strict=True):
            if not (0.0 <= square <= late + 1e-9 <= self.seconds + 2e-9):
                raise ValueError("shares of seconds that can't be")
        return self


class HostPromise(NamedTuple):
    """What the machine can promise.

    lateness_us  in 95 % of rides of a quarter minute 99 % of ticks come no later; infinite if not even the
                 last step holds
    fit          no proof that standstills spoil rides
    """

    lateness_us: float
    fit: bool


class Standstills(NamedTuple):
    """How many were seen, in how long [s], and between which rates [1/s] the true one lies, 95 % each."""

    seen: int
    seconds: int
    least: float
    most: float


def host_test(late_us: NDArray[np.float64], machine: str, made: datetime) -> HostTest:
    """A test's line; late_us (n,) [us] of wake-ups a millisecond apart. Less than a second counts as one."""
    seconds = max(1, len(late_us) // WAKES_A_SECOND)
    parts = np.array_split(late_us, seconds)
    shares = np.array([[np.mean(part > limit) for limit in LATENESS_us] for part in parts])
    return HostTest(
        made=made,
        machine=machine,
        seconds=seconds,
        late=tuple(float(v) for v in shares.sum(axis=0)),
        late_square=tuple(float(v) for v in (shares**2).sum(axis=0)),
        standstills=int(np.sum(late_us >= HOLE_us)),
    )


def promise_of(tests: Sequence[HostTest]) -> HostPromise:
    """What follows from tests of one machine, oldest first; at least one."""
    seconds, late, square, count = 0, np.zeros(len(LATENESS_us)), np.zeros(len(LATENESS_us)), 0
    like_rides, broken = 0, np.zeros(len(LATENESS_us))
    lateness, fit = math.nan, True
    for test in tests:
        seconds += test.seconds
        late += test.late
        square += test.late_square
        count += test.standstills
        if test.seconds >= _LEAST_TEST_S:
            like_rides += 1
            broken += np.divide(test.late, test.seconds) > _LATE_SHARE
        expected = _predicted(seconds, late, square) <= _EXPECTED_SHARE
        lateness = _lateness(lateness, expected, broken, like_rides)
        seen = _rate(count, seconds)
        proven = count >= _UNFIT_COUNT and seen.least > _UNFIT_PER_S
        fit = not proven if fit else seen.most < _UNFIT_PER_S
    return HostPromise(lateness, fit)


def standstills_of(tests: Sequence[HostTest]) -> Standstills:
    """Of all tests together; at least one."""
    return _rate(sum(test.standstills for test in tests), sum(test.seconds for test in tests))


def _predicted(seconds: int, late: NDArray[np.float64], square: NDArray[np.float64]) -> NDArray[np.float64]:
    """Of each step, the share of late wake-ups that a ride to come stays below."""
    mean = late / seconds
    if seconds == 1:  # nothing is known of the spread
        return np.where(mean > 0.0, np.maximum(2.0 * mean, _EXPECTED_SHARE), 0.0)
    variance = np.maximum(square / seconds - mean**2, 0.0) * seconds / (seconds - 1)
    reach = stdtrit(seconds - 1, _PREDICTION) * np.sqrt(variance * (1.0 / seconds + 1.0 / RIDE_S))
    return np.asarray(mean + reach)


def _lateness(before: float, expected: NDArray[np.bool_], broken: NDArray[np.float64], tests: int) -> float:
    """The step promised after another test; before: NaN if it is the first.

    expected  whether a ride to come keeps a step, by the seconds
    broken    of each step, how many of so many tests as long as a ride did not keep it
    """
    least, most = _proportion(broken, tests)
    not_refuted = least <= BROKEN_RIDES

    def first(holding: NDArray[np.bool_]) -> float:
        found = np.flatnonzero(holding)
        return LATENESS_us[int(found[0])] if found.size else math.inf

    if math.isnan(before):
        return first(expected)
    if math.isfinite(before) and not not_refuted[LATENESS_us.index(before)]:
        return max(before, first(expected & not_refuted))
    return min(before, first(most <= BROKEN_RIDES))


def _proportion(counts: NDArray[np.float64], of: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lower and upper bound of a proportion of which so many of a number were seen."""
    tail = 1.0 - _CONFIDENCE
    least = np.where(counts > 0, betaincinv(np.maximum(counts, 1.0), of - counts + 1.0, tail), 0.0)
    most = np.where(counts < of, betaincinv(counts + 1.0, np.maximum(of - counts, 1.0), _CONFIDENCE), 1.0)
    return least, most


def _rate(count: int, seconds: int) -> Standstills:
    least, most = 1.0 - _CONFIDENCE, _CONFIDENCE
    # half of chi-square of twice as many degrees of freedom is a gamma distribution
    return Standstills(
        count,
        seconds,
        float(gammaincinv(count, least)) / seconds if count else 0.0,
        float(gammaincinv(count + 1, most)) / seconds,
    )


# --- kept on disk -----------------------------------------------------------------------------------


def history_file() -> Path:
    """Where tests are kept: in the user's folder for what a program remembers (XDG base directories)."""
    base = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
    return Path(base) / "emulator" / "host-tests.jsonl"


class History(NamedTuple):
    """Tests of one machine, oldest first; how many lines said nothing; why none could be read or kept."""

    tests: list[HostTest]
    damaged: int = 0
    refused: str = ""


def kept_tests(machine: str) -> History:
    """The tests kept of a machine, the newest 500. Never raises: without a history each test is the first."""
    path = history_file()
    try:
        if not path.exists():
            return History([])
        if not path.is_file() or path.stat().st_size > _MOST_BYTES:
            return History([], refused=f"{path} is no history of tests; remove it")
        lines = path.read_bytes().splitlines()
    except OSError as error:
        return History([], refused=f"earlier tests could not be read: {error}")
    tests, damaged = [], 0
    for line in lines:
        try:
            test = HostTest.model_validate_json(line)
        except ValidationError:
            damaged += 1
            continue
        if test.machine == machine:
            tests.append(test)
    return History(tests[-_KEPT_TESTS:], damaged)


def keep_test(test: HostTest) -> str:
    """Append a test; returns why it could not be kept, empty if it was."""
    path = history_file()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if path.exists() and not path.is_file():
            return f"this test was not kept: {path} is no file; remove it"
        if path.exists() and path.stat().st_size > _MOST_BYTES // 2:
            _shorten(path)
        line = test.model_dump_json() + "\n"
        # one write, so that two tests that end at once leave two whole lines
        descriptor = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            os.write(descriptor, line.encode())
        finally:
            os.close(descriptor)
    except OSError as error:
        return f"this test could not be kept: {error}"
    return ""


def _shorten(path: Path) -> None:
    """Keep the newer half; another program that writes meanwhile may lose its line."""
    lines = path.read_bytes().splitlines(keepends=True)
    beside = path.with_suffix(".new")
    beside.write_bytes(b"".join(lines[len(lines) // 2 :]))
    beside.replace(path)


def machine_text(settings: dict[str, str]) -> str:
    """A machine and how it was tested, as tests are told apart by: sorted, so that equal is equal."""
    return json.dumps(settings, sort_keys=True, ensure_ascii=True)
