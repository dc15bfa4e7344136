"""Each effect on frames against its statement over the list of frames, bit for bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.frame_buffer import UNTIMED, frame_buffer
from emulator.core.random_streams import stream_start
from emulator.core.signals import ARMED, RUNNING
from emulator.events.frame_faults import (
    CORRUPTION,
    DELAY,
    FRAME_EFFECTS,
    INCORRECT_SEQUENCE,
    INSERTION,
    LOSS,
    MASQUERADE,
    REPETITION,
    apply_frame_fault,
    burst_faults,
    frame_fault_table,
    insert_before,
)
from emulator.events.table import event_table

MINE, OTHER = 0x101, 0x202


def streams():
    return np.array([stream_start(5, "event/g"), stream_start(5, "event/g/chance")], np.uint64)


def gate(effect, **values):
    g = frame_fault_table(1)[0]
    g["effect"], g["can_id"] = effect, MINE
    for key, value in values.items():
        if isinstance(value, bytes):
            g[key][: len(value)] = list(value)
        else:
            g[key] = value
    return g


def play(g, ticks, live, share=1.0):
    """Frames (tick, id, payload) of each tick through the gate; ``live`` tells whether it acts in a tick."""
    src, dst, draws = frame_buffer(32), frame_buffer(64), streams()
    out, timed = [], []
    onset = None
    for tick, frames in enumerate(ticks):
        src.count[0] = len(frames)
        for i, (can_id, payload) in enumerate(frames):
            src.can_id[i], src.length[i] = can_id, len(payload)
            src.data[i, : len(payload)] = list(payload)
            src.time_ns[i], src.valid_ns[i] = tick, 7
        on = live(tick)
        onset = tick if on and onset is None else onset
        apply_frame_fault(g, src, dst, on, share, tick - (onset or 0), tick, draws, 0, 1)
        for i in range(int(dst.count[0])):
            out.append((tick, int(dst.can_id[i]), dst.data[i, : dst.length[i]].tobytes()))
            timed.append(int(dst.valid_ns[i]))
    return out, timed


payloads = st.binary(min_size=1, max_size=8)
frames = st.lists(st.lists(st.tuples(st.sampled_from([MINE, OTHER]), payloads), max_size=4), max_size=30)
windows = st.tuples(st.integers(0, 20), st.integers(0, 20)).map(lambda w: (w[0], w[0] + w[1]))


def flat(ticks):
    return [(t, i, p) for t, row in enumerate(ticks) for i, p in row]


def within(window):
    return lambda tick: window[0] <= tick < window[1]


@given(frames, windows)
def test_lost_frames_are_left_out_and_nothing_else_changes(ticks, window):
    out, timed = play(gate(LOSS), ticks, within(window))
    assert out == [f for f in flat(ticks) if f[1] != MINE or not window[0] <= f[0] < window[1]]
    assert set(timed) <= {7}


@given(frames, windows, st.integers(1, 4))
def test_repeated_frames_come_again_behind_themselves(ticks, window, copies):
    out, timed = play(gate(REPETITION, copies=copies), ticks, within(window))
    on = within(window)
    assert out == [f for f in flat(ticks) for _ in range(1 + copies * (f[1] == MINE and on(f[0])))]
    assert timed.count(UNTIMED) == len(out) - len(flat(ticks))


@given(frames, windows, st.integers(1, 12))
def test_delayed_frames_come_later_in_their_order_and_before_those_of_that_tick(ticks, window, delay):
    ticks = ticks + [[]] * delay
    out, _ = play(gate(DELAY, delay=delay), ticks, within(window))
    on = within(window)
    late = [(t + delay, 0, i, p) for t, i, p in flat(ticks) if i == MINE and on(t)]
    rest = [(t, 1, i, p) for t, i, p in flat(ticks) if not (i == MINE and on(t))]
    merged = sorted(late + rest, key=lambda f: f[:2])
    assert out == [(t, i, p) for t, _, i, p in merged if t < len(ticks)]


@given(frames, windows, st.integers(1, 7), payloads)
def test_inserted_frames_come_at_their_own_rate(ticks, window, every, payload):
    g = gate(INSERTION, every=every, payload=payload, length=len(payload))
    out, _ = play(g, ticks, within(window))
    expected = []
    for tick, row in enumerate(ticks):
        expected += [(tick, i, p) for i, p in row]
        if within(window)(tick) and (tick - window[0]) % every == 0:
            expected.append((tick, MINE, payload))
    assert out == expected


@given(frames, windows)
def test_a_masquerade_shows_the_last_payload_of_the_other_frame(ticks, window):
    out, timed = play(gate(MASQUERADE, other_id=OTHER), ticks, within(window))
    expected, last = [], None
    for tick, can_id, payload in flat(ticks):
        last = payload if can_id == OTHER else last
        shown = can_id == MINE and within(window)(tick) and last is not None
        expected.append((tick, can_id, last if shown else payload))
    assert out == expected
    assert set(timed) <= {7}


@given(frames, windows)
def test_a_wrong_sequence_swaps_neighbours_of_its_own_identifier(ticks, window):
    out, _ = play(gate(INCORRECT_SEQUENCE), ticks, within(window))
    expected, held = [], None
    for tick, can_id, payload in flat(ticks):
        if can_id != MINE:
            expected.append((tick, can_id, payload))
        elif held is not None:
            expected += [(tick, can_id, payload), (tick, can_id, held)]
            held = None
        elif within(window)(tick):
            held = payload
        else:
            expected.append((tick, can_id, payload))
    assert out == expected


@given(frames, windows, st.binary(min_size=8, max_size=8))
def test_a_mask_flips_its_bits_and_no_others(ticks, window, mask):
    out, _ = play(gate(CORRUPTION, mask=mask), ticks, within(window))
    expected = [
        (t, i, bytes(np.frombuffer(p, np.uint8) ^ np.frombuffer(mask[: len(p)], np.uint8)))
        if i == MINE and within(window)(t)
        else (t, i, p)
        for t, i, p in flat(ticks)
    ]
    assert out == expected


@given(payloads, st.integers(1, 64))
def test_drawn_flips_are_so_many_and_all_different(payload, flips):
    ((_, _, got),), _ = play(gate(CORRUPTION, flips=flips), [[(MINE, payload)]], lambda _: True)
    changed = np.frombuffer(payload, np.uint8) ^ np.frombuffer(got, np.uint8)
    assert np.unpackbits(changed).sum() == min(flips, 8 * len(payload))


def test_every_bit_is_as_likely_to_flip():
    n = 20_000
    out, _ = play(gate(CORRUPTION, flips=3), [[(MINE, bytes(4))]] * n, lambda _: True)
    flipped = np.unpackbits(np.frombuffer(b"".join(p for _, _, p in out), np.uint8).reshape(n, 4), axis=1)
    share = 3 / 32
    assert np.abs(flipped.mean(axis=0) - share).max() < 4.5 * np.sqrt(share * (1 - share) / n)


@pytest.mark.parametrize("effect", [LOSS, REPETITION, CORRUPTION])
def test_a_share_of_the_frames_is_hit(effect):
    n = 8000
    ticks = [[(MINE, bytes([t % 256, t // 256]))] for t in range(n)]
    out, _ = play(gate(effect, copies=1, mask=b"\xff\xff"), ticks, lambda _: True, share=0.3)
    hit = {LOSS: n - len(out), REPETITION: len(out) - n}.get(effect)
    if hit is None:
        hit = sum(f != g for f, g in zip(out, flat(ticks), strict=True))
    assert hit / n == pytest.approx(0.3, abs=4 * np.sqrt(0.21 / n))  # four sigma


def test_more_frames_than_it_can_hold_back_are_lost_and_the_rest_comes():
    ticks = [[(MINE, bytes([t % 256, t // 256]))] for t in range(600)]
    out, _ = play(gate(DELAY, delay=590), ticks, lambda _: True)
    assert [p for _, _, p in out] == [p for _, _, p in flat(ticks)[:10]]


def test_a_full_buffer_takes_no_more_and_nothing_breaks():
    src, dst = frame_buffer(4), frame_buffer(4)
    src.count[0], src.can_id[:], src.length[:] = 4, MINE, 1
    apply_frame_fault(gate(REPETITION, copies=8), src, dst, True, 1.0, 0, 0, streams(), 0, 1)
    assert dst.count[0] == 4


def test_frames_of_nobody_go_first_and_ours_wait_behind_them():
    buffer, scratch_frames = frame_buffer(6), frame_buffer(6)
    buffer.count[0], buffer.can_id[:2], buffer.length[:2] = 2, (5, 6), 1
    insert_before(buffer, scratch_frames, 0, 3)
    assert buffer.can_id[: buffer.count[0]].tolist() == [0, 0, 0, 5, 6]
    assert (buffer.valid_ns[:5] == UNTIMED).all()


def test_what_a_gate_gave_another_time_is_marked_and_nothing_else():
    late = [[(MINE, b"a"), (OTHER, b"b")], [], [(MINE, b"c")]]
    assert play(gate(DELAY, delay=2), late, lambda tick: tick == 0)[1] == [7, UNTIMED, 7]
    besides = gate(INSERTION, every=9, payload=b"x", length=1)
    assert play(besides, [[(MINE, b"a")]], lambda _: True)[1] == [7, UNTIMED]


LINE = -2


def burst(gates_of_it, events=None, state=RUNNING, burst=b"$GP\r\n"):
    """(copies, delay, bytes) of one burst past gates that are all live."""
    run, table = np.zeros(1, [("state", np.int64)])[0], np.zeros(len(gates_of_it), frame_fault_table(1).dtype)
    run["state"] = state
    events = event_table(len(gates_of_it)) if events is None else events
    events["live"], events["chance"] = 1, 1
    for k, g in enumerate(gates_of_it):
        g["can_id"], g["event"] = LINE, k
        table[k] = g
    data = np.frombuffer(burst, np.uint8).copy()
    copies, delay = burst_faults(run, table, events, streams(), LINE, data, data.size)
    return copies, delay, data.tobytes()


def test_faults_of_a_burst_add_up_in_whatever_order():
    late, later = gate(DELAY, delay=30), gate(DELAY, delay=100)
    twice, thrice = gate(REPETITION, copies=1), gate(REPETITION, copies=2)
    assert burst([late, later])[:2] == (1, 130)
    assert burst([twice, late, thrice])[:2] == (6, 30)
    assert burst([twice, gate(LOSS)])[:2] == (0, 0)
    assert burst([late, twice, gate(CORRUPTION, flips=5)], state=ARMED) == (1, 0, b"$GP\r\n")


@given(st.binary(min_size=1, max_size=30).map(lambda data: bytes(b & 127 for b in data)), st.integers(1, 64))
def test_flips_in_a_burst_are_so_many_and_spare_the_eighth_bit(data, flips):
    _, _, got = burst([gate(CORRUPTION, flips=flips)], burst=data)
    changed = np.frombuffer(data, np.uint8) ^ np.frombuffer(got, np.uint8)
    assert np.unpackbits(changed).sum() == min(flips, 7 * len(data))
    assert (changed < 128).all()


def test_the_lowest_bit_of_a_burst_flips_too():
    """All seven of a byte if there are as many to flip."""
    assert burst([gate(CORRUPTION, flips=7)], burst=b"U")[2] == b"*"


def test_effects_are_numbered_in_the_order_of_their_names():
    numbers = (LOSS, REPETITION, DELAY, INSERTION, MASQUERADE, INCORRECT_SEQUENCE, CORRUPTION)
    assert [FRAME_EFFECTS[k] for k in numbers] == [
        *("loss", "repetition", "delay", "insertion", "masquerade", "incorrect_sequence", "corruption"),
    ]
