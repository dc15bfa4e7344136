"""Frame lengths and response times of CAN: exhaustive stuffing, published examples, and a simulated bus."""

import csv
import heapq
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from ruamel.yaml import YAML

from emulator.core.frame_buffer import EXTENDED
from emulator.wire.can_timing import (
    FD_LENGTHS,
    BitRates,
    FrameBits,
    FrameShape,
    Message,
    bits_ns,
    classical_bits,
    fd_bits,
    inversions,
    load,
    response_times,
    right_of_way,
)
from tests.support.can_contents import frame_on_the_wire, stuffed_length

REFERENCE = Path(__file__).parents[1] / "reference"
MS = 1_000_000


def rows(name):
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", rows("can_frame_bits.csv"), ids=lambda row: f"{row['bytes']} bytes")
def test_the_longest_frames_are_the_published_ones(row):
    """Davis, Burns, Bril, Lukkien 2007; stuff bits confirmed by exhaustion (see the file)."""
    n = int(row["bytes"])
    assert classical_bits(n) == int(row["bits_11bit_id"]) == 55 + 10 * n
    assert classical_bits(n, extended=True) == int(row["bits_29bit_id"]) == 80 + 10 * n
    assert classical_bits(n) - classical_bits(n, stuffed=False) == int(row["max_stuff_11"])


def test_no_sequence_is_longer_when_stuffed():
    """The longest by construction, 34 bits: five alike, then four of the other kind by turns."""
    worst = [0] * 5 + [b for k in range(8) for b in [(k + 1) % 2] * 4]
    assert stuffed_length(worst[:34]) == 34 + (34 - 1) // 4


@given(st.lists(st.integers(0, 1), min_size=1, max_size=120))
def test_stuffing_never_beats_the_bound(bits):
    assert stuffed_length(bits) <= len(bits) + (len(bits) - 1) // 4


@pytest.mark.parametrize("extended", [False, True])
def test_fd_frames_grow_with_their_data(extended):
    totals = [fd_bits(n, extended=extended) for n in FD_LENGTHS]
    assert len({t.nominal for t in totals}) == 1  # data travel fast
    assert [t.fast for t in totals] == sorted(t.fast for t in totals)
    # 64 bytes: ESI 1, DLC 4, data 512, stuff count 4, CRC 21, 7 fixed stuff bits, delimiter: counted by hand
    # from the layout (ISO 11898-1:2015, from memory), and the dynamic stuff bits of the fast part.
    plain = 1 + 4 + 512 + 4 + 21 + 7 + 1
    assert plain <= totals[-1].fast <= plain + (1 + 4 + 512) // 4 + 1


def test_fd_frames_of_8_and_20_bytes_counted_by_hand():
    """ISO 11898-1:2015, from memory. Slow: 17 bits, 4 stuff bits, 12 after the CRC's delimiter.

    8 bytes fast: 5 + 64 bits, 21 - 4 stuff bits, 4 + 17 + 6 + 1. 20 bytes: 5 + 160, 45 - 4, 4 + 21 + 7 + 1.
    """
    assert fd_bits(8) == (33, 69 + 17 + 28)
    assert fd_bits(20) == (33, 165 + 41 + 33)


@given(st.booleans(), st.data())
def test_no_fd_frame_is_longer_or_shorter_than_the_bounds(extended, data):
    can_id = data.draw(st.integers(0, 2**29 - 1 if extended else 2**11 - 1))
    n = data.draw(st.sampled_from(FD_LENGTHS))
    payload = data.draw(
        st.one_of(st.binary(min_size=n, max_size=n), st.sampled_from([bytes(n), b"\xff" * n]))
    )
    slow, fast = frame_on_the_wire(can_id | (EXTENDED if extended else 0), True, payload)
    least, most = (fd_bits(n, extended=extended, stuffed=stuffed) for stuffed in (False, True))
    # a stuff bit at the switch may count on either side of it, so it is the sum that is bounded
    assert sum(least) <= slow + fast <= sum(most)
    assert least.nominal <= slow <= most.nominal
    rates = BitRates(500_000, 2_000_000)
    shape = FrameShape(n, extended, fd=True)
    assert slow * 2000 + fast * 500 <= rates.time_ns(shape.bits())


def test_an_fd_frame_comes_close_to_the_bounds():
    """Four alike, four of the other kind, and so on: every fourth bit is stuffed; by turns none is."""
    fours = [bytes([(0xF0F0 >> k) & 0xFF]) * 64 for k in range(8)]
    longest = max(sum(frame_on_the_wire(0, True, payload)) for payload in fours)
    assert sum(fd_bits(64)) - longest <= 4  # what FDF, BRS and DLC break off
    assert frame_on_the_wire(0x2AA, True, b"\x55" * 64) == fd_bits(64, stuffed=False)


def test_times_of_frames_by_hand():
    """Classical, 8 bytes: 111 to 135 bits of 2 us. FD: 29 to 33 bits of 2 us and 97 to 114 of 0.5 us."""
    rates = BitRates(500_000, 2_000_000)
    assert FrameShape(8).bits() == FrameBits(135, 0)
    assert (rates.time_ns(FrameBits(135, 0)), rates.usual_ns(FrameShape(8))) == (270_000, 246_000)
    fd = FrameShape(8, fd=True)
    assert (fd.bits(stuffed=False), fd.bits()) == ((29, 97), (33, 114))
    assert rates.time_ns(fd.bits()) == 66_000 + 57_000
    assert rates.usual_ns(fd) == (66_000 + 57_000 + 58_000 + 48_500) // 2
    assert BitRates(500_000, 500_000).time_ns(fd.bits()) == 147 * 2000  # no switch
    assert BitRates(83_333, 83_333).time_ns(FrameBits(55, 0)) == bits_ns(55, 83_333)


def test_what_no_frame_carries_is_refused():
    with pytest.raises(ValueError, match="0 to 8"):
        classical_bits(9)
    with pytest.raises(ValueError, match="12, 16"):
        fd_bits(9)


def test_a_bit_that_is_no_whole_number_of_nanoseconds_is_rounded_up():
    assert bits_ns(1, 500_000) == 2000
    assert bits_ns(1, 83_333) == 12_001
    assert bits_ns(135, 500_000) == 270_000


def test_the_published_counter_example():
    """Davis et al. 2007: three frames; the second instance of C is the one that misses."""
    example = YAML(typ="safe").load((REFERENCE / "can_davis2007_example.yaml").read_text())
    messages = [
        Message(
            m["name"],
            m["priority"],
            round(m["C_ms"] * MS),
            round(m["T_ms"] * MS),
            0,
            round(m["D_ms"] * MS),
        )
        for m in example["messages"]
    ]
    found = {r.message.name: r for r in response_times(messages, 8000)}
    assert {name: r.worst_ns / MS for name, r in found.items()} == example["revised_R_ms"]
    assert {name: r.busy_ns / MS for name, r in found.items()} == example["busy_period_ms"]
    assert found["C"].worst_instance == 1
    assert [name for name, r in found.items() if not r.in_time] == ["C"]


@pytest.mark.parametrize("rate", [125, 250, 500, 1000])
def test_the_published_message_set(rate):
    """Tindell and Burns 1994/95: 17 frames of a car, with their formula for the length and 8-byte blocking.

    Inputs from memory; rows 1 to 3 and 7 to 14 at 125 kbit/s are the printed numbers (see the file).
    """

    def length(n):
        return (34 + 8 * n) // 5 + 47 + 8 * n  # the original formula, with fewer stuff bits than can occur

    bit = 1_000_000 // rate
    messages = [
        Message(
            row["prio"],
            int(row["prio"]),
            length(int(row["bytes"])) * bit,
            round(float(row["T_ms"]) * MS),
            round(float(row["J_ms"]) * MS),
            round(float(row["D_ms"]) * MS),
        )
        for row in rows("can_sae_benchmark.csv")
    ]
    # Their blocking is one 8-byte frame whoever else is on the bus; one that never gets its turn stands in.
    messages.append(Message("8 bytes", 99, length(8) * bit, 1_000_000 * MS, 0, 1_000_000 * MS))
    for row, found in zip(rows("can_sae_benchmark.csv"), response_times(messages, bit), strict=False):
        ours = (found.worst_ns - found.message.jitter_ns) / MS  # theirs is told without its own jitter
        assert ours == pytest.approx(float(row[f"R_{rate}"]), abs=5e-4), row["prio"]
        if rate == 125 and row["R_recalled_125"]:
            assert ours == pytest.approx(float(row["R_recalled_125"]), abs=5e-4)


def test_a_bus_that_is_full_has_no_bound():
    m = [Message("a", 1, 600, 1000, 0, 1000), Message("b", 2, 500, 1000, 0, 1000)]
    first, second = response_times(m, 1)
    assert first.worst_ns == 500 + 600
    assert second.worst_ns is None
    assert not second.in_time
    assert load(m) == Fraction(11, 10)


def test_two_of_one_identifier_are_refused():
    with pytest.raises(ValueError, match="a and b"):
        response_times([Message("a", 1, 1, 10, 0, 10), Message("b", 1, 1, 10, 0, 10)], 1)


def on_the_wire(can_id):
    """Arbitration field of a data frame, dominant 0: identifier, RTR, IDE, or with SRR and IDE recessive."""
    number = can_id & ~EXTENDED
    if not can_id & EXTENDED:
        return [number >> k & 1 for k in reversed(range(11))] + [0, 0]
    bits = [number >> k & 1 for k in reversed(range(29))]
    return [*bits[:11], 1, 1, *bits[11:], 0]


# few base identifiers, so that short and long ones often share one
IDENTIFIERS = st.integers(0x3FE, 0x400) | st.builds(
    lambda base, rest: EXTENDED | base << 18 | rest, st.integers(0x3FE, 0x400), st.integers(0, 3)
)


@given(IDENTIFIERS, IDENTIFIERS)
def test_who_sends_a_dominant_bit_where_the_other_does_not_wins_the_bus(one, other):
    """ISO 11898-1, from memory."""
    assert (right_of_way(one) < right_of_way(other)) == (on_the_wire(one) < on_the_wire(other))


def test_long_identifiers_may_be_the_more_urgent():
    short, long = (
        Message("short", 0x100, 4 * MS, 20 * MS, 0, 20 * MS),
        Message("long", 0, 5 * MS, 20 * MS, 0, MS),
    )
    for base, first in ((0x0FF, "long"), (0x100, "short")):
        pair = [short, long._replace(can_id=EXTENDED | base << 18)]
        urgent, last = response_times(pair, 2000)
        assert (urgent.message.name, urgent.blocking_ns) == (first, last.message.transmission_ns)
        assert (last.blocking_ns, last.worst_ns) == (0, 9 * MS)
    assert inversions(pair) == [(pair[1], short)]


def test_inversions_are_told():
    slow, fast = Message("slow", 1, 1, 100, 0, 100), Message("fast", 2, 1, 5, 0, 5)
    assert inversions([fast, slow]) == [(fast, slow)]
    assert inversions([fast, slow._replace(can_id=3)]) == []


# ---- a simulated bus ---------------------------------------------------------------------------------------


def simulate(messages, horizon, phases, jitters):
    """Worst response by name over one stretch: of the frames queued the lowest identifier goes first."""
    queued = []
    for m, phase, jitter in zip(messages, phases, jitters, strict=True):
        for n in range((horizon - phase) // m.period_ns + 1):
            due = phase + n * m.period_ns
            queued.append((due + int(jitter[n % len(jitter)]), m.can_id, due, m))
    queued.sort(key=lambda item: item[:3])
    worst = dict.fromkeys((m.name for m in messages), 0)
    waiting, now, i = [], 0, 0
    while i < len(queued) or waiting:
        if not waiting:
            now = max(now, queued[i][0])
        while i < len(queued) and queued[i][0] <= now:
            _, can_id, due, m = queued[i]
            heapq.heappush(waiting, (can_id, due, m))
            i += 1
        _, due, m = heapq.heappop(waiting)
        now += m.transmission_ns
        worst[m.name] = max(worst[m.name], now - due)
    return worst, len(queued)


@pytest.mark.slow
def test_a_simulated_bus_never_exceeds_the_bound_and_comes_close():
    """A million frames with random phases and jitter: never above, and within 5 % of it for every message."""
    rng = np.random.default_rng(11)
    bit = 2000
    messages = [
        Message("a", 1, 135 * bit, 1_000_000, 50_000, 1_000_000),
        Message("b", 2, 115 * bit, 1_400_000, 0, 1_400_000),
        Message("c", 3, 95 * bit, 2_000_000, 100_000, 2_000_000),
        Message("d", 4, 135 * bit, 5_000_000, 0, 5_000_000),
    ]
    bounds = {r.message.name: r.worst_ns for r in response_times(messages, bit)}
    worst, frames = dict.fromkeys(bounds, 0), 0
    while frames < 1_000_000:
        phases = [int(rng.integers(0, m.period_ns)) for m in messages]
        jitters = [rng.integers(0, m.jitter_ns + 1, 8) for m in messages]
        seen, sent = simulate(messages, 30_000_000, phases, jitters)
        frames += sent
        for name, response in seen.items():
            worst[name] = max(worst[name], response)
    for name, bound in bounds.items():
        assert worst[name] <= bound, name
        assert worst[name] >= 0.95 * bound, name
