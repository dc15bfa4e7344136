"""Each effect on frames against its statement over the list of frames, bit for bit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.frame_buffer import UNTIMED, frame_buffer
from emulator.core.random_streams import stream_start, uniform
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
    copy_frames,
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


def test_a_frame_held_back_frees_its_place_when_it_goes_on():
    ticks = [[(MINE, bytes([t % 256, t // 256]))] for t in range(1200)]
    out, _ = play(gate(DELAY, delay=5), ticks, lambda _: True)
    assert [p for _, _, p in out] == [p for _, _, p in flat(ticks)[:1195]]


def test_where_the_other_frame_never_came_a_masquerade_shows_nothing():
    ticks = [[(MINE, b"abc")]]
    assert play(gate(MASQUERADE, other_id=OTHER), ticks, lambda _: True)[0] == flat(ticks)


def test_one_byte_is_a_payload_to_show():
    out, _ = play(gate(MASQUERADE, other_id=OTHER), [[(OTHER, b"x"), (MINE, b"abc")]], lambda _: True)
    assert out == [(0, OTHER, b"x"), (0, MINE, b"x")]


@pytest.mark.parametrize("can_id", [0, 1])
def test_a_gate_that_shows_no_other_frame_keeps_none(can_id):
    g = gate(LOSS)
    play(g, [[(can_id, b"abc")]], lambda _: True)
    assert g["last_length"] == 0


def test_every_bit_flips_some_time():
    """By chance one of the 32 would not in 300 frames: 32 (1 - 3/32)^300, 5e-12."""
    out, _ = play(gate(CORRUPTION, flips=3), [[(MINE, bytes(4))]] * 300, lambda _: True)
    assert np.bitwise_or.reduce([list(p) for _, _, p in out], axis=0).tolist() == [255] * 4


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_each_hit_is_drawn_for_itself_and_nothing_is_where_all_are_hit(share):
    mine, draws = streams(), streams()
    frame, empty = frame_buffer(1), frame_buffer(1)
    frame.count[0], frame.can_id[0], frame.length[0] = 1, MINE, 1
    for _ in range(60):
        apply_frame_fault(gate(LOSS), frame, empty, True, share, 0, 0, draws, 0, 1)
        assert empty.count[0] == (0 if share == 1.0 or uniform(mine, 1) < share else 1)
    assert draws.tolist() == mine.tolist()


def test_a_mask_draws_nothing():
    frame, draws = frame_buffer(1), streams()
    frame.count[0], frame.can_id[0], frame.length[0] = 1, MINE, 4
    apply_frame_fault(gate(CORRUPTION, mask=b"\x01"), frame, frame_buffer(1), True, 1.0, 0, 0, draws, 0, 1)
    assert draws.tolist() == streams().tolist()


FULL = [(MINE, bytes([k, 1, 2])) for k in range(4)]


@pytest.mark.parametrize(
    ("g", "expected"),
    [
        (gate(REPETITION, copies=8), [0, 0]),
        (gate(CORRUPTION, mask=b"\xff"), [255, 254]),
        (gate(MASQUERADE, other_id=MINE), [0, 1]),
        (gate(INSERTION, every=1, payload=b"x", length=1), [0, 1]),
        (gate(INCORRECT_SEQUENCE), [1, 0]),
    ],
    ids=lambda value: FRAME_EFFECTS[value["effect"]] if isinstance(value, np.void) else "",
)
def test_a_full_buffer_takes_no_more_and_what_is_in_it_stays(g, expected):
    src, dst = frame_buffer(4), frame_buffer(2)
    src.count[0] = len(FULL)
    for i, (can_id, payload) in enumerate(FULL):
        src.can_id[i], src.length[i], src.data[i, :3] = can_id, 3, list(payload)
    apply_frame_fault(g.copy(), src, dst, True, 1.0, 0, 0, streams(), 0, 1)
    assert dst.count[0] == 2
    assert dst.data[:, 0].tolist() == expected


def test_what_is_due_and_finds_no_room_is_lost():
    g = gate(DELAY, delay=1)
    play(g, [[*FULL]], lambda _: True)
    nothing, dst = frame_buffer(1), frame_buffer(2)
    for tick, left in ((1, [0, 1]), (2, [])):
        apply_frame_fault(g, nothing, dst, False, 1.0, 0, tick, streams(), 0, 1)
        assert dst.data[: dst.count[0], 0].tolist() == left


def used(rows):
    """A buffer in which other frames were before."""
    buffer = frame_buffer(rows)
    for column in buffer[1:]:
        column[...] = 85
    return buffer


def test_a_copy_has_what_was_copied_and_nothing_of_before():
    src, dst = frame_buffer(3), used(6)
    dst.count[0] = 5
    src.count[0], src.can_id[:2], src.length[:2], src.time_ns[:2], src.valid_ns[:2] = 2, (5, 6), 1, 3, 4
    copy_frames(src, dst)
    assert dst.can_id[: dst.count[0]].tolist() == [5, 6]
    assert (dst.time_ns[:2].tolist(), dst.valid_ns[:2].tolist()) == ([3, 3], [4, 4])


@pytest.mark.parametrize(("n", "ids"), [(0, [5, 6]), (3, [0, 0, 0, 5, 6]), (5, [0] * 5 + [5]), (9, [0] * 6)])
def test_frames_of_nobody_go_first_and_ours_wait_behind_them(n, ids):
    buffer, scratch_frames = used(6), used(6)
    buffer.count[0], buffer.can_id[:2], buffer.length[:2] = 2, (5, 6), 1
    buffer.valid_ns[:2] = 7
    insert_before(buffer, scratch_frames, 0, 8, n)
    assert buffer.can_id[: buffer.count[0]].tolist() == ids
    first = min(n, 6)
    assert (buffer.length[:first] == 8).all()
    assert (buffer.data[:first, :8] == 0).all()
    assert (buffer.time_ns[:first] == 0).all()
    assert buffer.valid_ns[: len(ids)].tolist() == [UNTIMED] * first + [7] * (len(ids) - first)


def test_what_a_gate_gave_another_time_is_marked_and_nothing_else():
    late = [[(MINE, b"a"), (OTHER, b"b")], [], [(MINE, b"c")]]
    assert play(gate(DELAY, delay=2), late, lambda tick: tick == 0)[1] == [7, UNTIMED, 7]
    besides = gate(INSERTION, every=9, payload=b"x", length=1)
    assert play(besides, [[(MINE, b"a")]], lambda _: True)[1] == [7, UNTIMED]
    inserted = used(4)
    apply_frame_fault(besides, frame_buffer(1), inserted, True, 1.0, 0, 0, streams(), 0, 1)
    assert (inserted.count[0], inserted.time_ns[0]) == (1, 0)


LINE = -2


def burst(gates_of_it, share=1.0, state=RUNNING, burst=b"$GP\r\n", line=LINE, draws=None):
    """(copies, delay, bytes) of one burst past gates that are all live."""
    run, table = np.zeros(1, [("state", np.int64)])[0], np.zeros(len(gates_of_it), frame_fault_table(1).dtype)
    run["state"] = state
    events = event_table(len(gates_of_it))
    events["live"], events["chance"], events["share"] = 1, 1, share
    for k, g in enumerate(gates_of_it):
        g["can_id"], g["event"] = LINE, k
        table[k] = g
    data = np.frombuffer(burst, np.uint8).copy()
    draws = streams() if draws is None else draws
    copies, delay = burst_faults(run, table, events, draws, line, data, data.size)
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


def test_every_bit_of_a_burst_but_the_eighths_flips_some_time():
    """By chance one of the 28 would not in 300 bursts: 28 (1 - 3/28)^300, 5e-14."""
    draws = streams()
    out = [burst([gate(CORRUPTION, flips=3)], burst=bytes(4), draws=draws)[2] for _ in range(300)]
    assert np.bitwise_or.reduce([list(p) for p in out], axis=0).tolist() == [127] * 4


@pytest.mark.parametrize("share", [0.3, 1.0])
def test_each_burst_is_drawn_for_itself_and_nothing_is_where_all_are_hit(share):
    mine, draws = streams(), streams()
    for _ in range(60):
        copies, _, _ = burst([gate(LOSS)], share, draws=draws)
        assert copies == (0 if share == 1.0 or uniform(mine, 1) < share else 1)
    assert draws.tolist() == mine.tolist()


def test_a_burst_passes_the_gates_of_frames_and_other_lines_untouched():
    assert burst([gate(LOSS), gate(CORRUPTION, flips=5)], line=LINE - 1) == (1, 0, b"$GP\r\n")


def test_the_lowest_bit_of_a_burst_flips_too():
    """All seven of a byte if there are as many to flip."""
    assert burst([gate(CORRUPTION, flips=7)], burst=b"U")[2] == b"*"


def test_effects_are_numbered_in_the_order_of_their_names():
    numbers = (LOSS, REPETITION, DELAY, INSERTION, MASQUERADE, INCORRECT_SEQUENCE, CORRUPTION)
    assert [FRAME_EFFECTS[k] for k in numbers] == [
        *("loss", "repetition", "delay", "insertion", "masquerade", "incorrect_sequence", "corruption"),
    ]
