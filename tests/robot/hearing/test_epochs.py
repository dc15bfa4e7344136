"""Epochs heard by compiled code and by Python leave the same bytes in the rider's memory."""

from __future__ import annotations

import copy

import numpy as np
import pytest

from emulator.robot.hearing.epochs import hear_burst
from emulator.robot.mission import ReferenceRider
from emulator.wire.nmea import SENTENCES, burst

TENTH_ns = 100_000_000


def compiled(rider: ReferenceRider, text: bytes, arrived_ns: int, stepped_ns: int) -> bool:
    return hear_burst(
        rider.ears, rider.rider, np.frombuffer(text, np.uint8), len(text), arrived_ns, stepped_ns
    )


def memory(rider: ReferenceRider) -> list[bytes]:
    """But for a place that is not waiting for anything."""
    heard = rider.ears.heard.copy()
    if not heard[0]["placed"]:
        heard["place"], heard["quality"] = 0.0, 0
    return [heard.tobytes(), rider.rider.mind.tobytes()]


@pytest.fixture
def two(prepared):
    riders = [copy.deepcopy(prepared) for _ in range(2)]
    for rider in riders:
        rider.rider.mind[0]["started"] = 1
    return riders


def test_a_ride_of_epochs_is_heard_alike(two, receiver) -> None:
    """On time, late, again, older, its time set, without a fix, at rest, in turn with the other reader."""
    python, both = two
    draw = np.random.default_rng(4)
    for n in range(400):
        at_s = 0.1 * n + (1.5 if n > 250 else 0.0) - (1.0 if n > 300 else 0.0)
        if n % 37 == 5:
            at_s -= 0.1
        fix = receiver.fix(0.3 * n, -0.2 * n, 10.0 + 0.01 * n, at_s, quality=0 if n % 29 == 3 else 4)
        text = burst(
            fix._replace(course_rad=None) if n % 17 == 2 else fix, SENTENCES if n % 3 else ("GGA", "RMC")
        )
        arrived = n * TENTH_ns + int(draw.normal(0.0, 3e6)) + (70_000_000 if n % 61 == 7 else 0)
        stepped = arrived - arrived % 2_000_000
        python.hear(text, arrived, stepped)
        if n % 5 == 1 or not compiled(both, text, arrived, stepped):
            both.hear(text, arrived, stepped)
        assert memory(both) == memory(python), n
    assert both.ears.heard[0]["epochs"] > 300


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text[:-1],
        lambda text: text[:20] + b"\n" + text[20:],
        lambda text: text + text,
        lambda text: b"".join(reversed(text.splitlines(keepends=True))),
        lambda text: text[: text.index(b"$GNRMC")],
        lambda text: text[text.index(b"$GNRMC") :],
        lambda text: text.replace(b".", b",", 1),
        lambda text: b"",
    ],
)
def test_what_is_unusual_is_left_alone(two, receiver, change) -> None:
    rider = two[0]
    assert compiled(rider, burst(receiver.fix(0.0, 0.0, 10.0, 0.0)), 0, 0)
    before = memory(rider)
    assert not compiled(rider, change(burst(receiver.fix(0.0, 0.0, 10.0, 0.1))), TENTH_ns, TENTH_ns)
    assert memory(rider) == before


def test_behind_half_a_sentence_only_python_reads(two, receiver) -> None:
    rider = two[0]
    text = burst(receiver.fix(0.0, 0.0, 10.0, 0.0))
    rider.hear(text[:30], 0, 0)
    assert not compiled(rider, text, 0, 0)
    rider.hear(text[30:], 0, 0)
    assert compiled(rider, burst(receiver.fix(0.0, 0.0, 10.0, 0.1)), TENTH_ns, TENTH_ns)
    assert rider.ears.heard[0]["epochs"] == 2
