"""Commands are taken only if they are signed, fresh and new; whatever else comes changes nothing."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.errors import StartFailed
from emulator.shared_memory.status import Command
from emulator.telemetry.commands import COMMANDS, FRESH_S, LONGEST_BYTES, WITH_LEAVE, Gate, key_from, signed

KEY, TOPIC, NOW = b"sixteen bytes of key at least", "bench/1/command", 1_795_600_000.25


def evaluate(payload, now=NOW, gate=None):
    return (gate or Gate(KEY, TOPIC)).evaluate(payload, now)


@pytest.mark.parametrize("command", COMMANDS)
def test_a_signed_one_is_taken(command):
    answer = evaluate(signed(KEY, TOPIC, command, "a", NOW))
    assert (answer.command, answer.identifier, answer.why) == (COMMANDS[command], "a", "taken")


def test_what_can_be_asked_only_brings_to_rest_or_keeps_there():
    assert set(COMMANDS.values()) == {Command.STOP, Command.TRIP, Command.HOLD}


def test_a_hold_is_let_go_from_afar_only_with_the_rigs_leave():
    payload = signed(KEY, TOPIC, "go", "a", NOW)
    assert evaluate(payload).command is None
    assert evaluate(payload, gate=Gate(KEY, TOPIC, go=True)).command is Command.GO
    assert set(WITH_LEAVE.values()) == {Command.GO}


def test_events_are_asked_for_from_afar_only_with_the_rigs_leave():
    payload = signed(KEY, TOPIC, "start wet patch", "a", NOW)
    assert evaluate(payload).command is None
    answer = evaluate(payload, gate=Gate(KEY, TOPIC, events={"gust": 0, "wet patch": 3}))
    assert (answer.command, answer.argument, answer.why) == (Command.START_EVENT, 3.0, "taken")
    gate = Gate(KEY, TOPIC, events={"gust": 4})
    assert evaluate(signed(KEY, TOPIC, "end gust", "b", NOW), gate=gate).argument == 4.0
    refused = evaluate(signed(KEY, TOPIC, "start wet patch", "c", NOW), gate=gate)
    assert refused.command is None
    assert "no event 'wet patch' waits to be asked for (those that do: gust)" in refused.why


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (signed(b"another key, as long as ours", TOPIC, "stop", "a", NOW), "the code is not that"),
        (signed(KEY, "bench/2/command", "stop", "a", NOW), "the code is not that"),
        (signed(KEY, TOPIC, "stop", "a", NOW).replace(b"stop", b"trip"), "the code is not that"),
        (signed(KEY, TOPIC, "stop", "a", NOW).replace(b'"a"', b'"b"'), "the code is not that"),
        (signed(KEY, TOPIC, "stop", "a", NOW).replace(b".25", b".26"), "the code is not that"),
        (signed(KEY, TOPIC, "stop", "a", NOW - FRESH_S - 0.1), "not fresh"),
        (signed(KEY, TOPIC, "stop", "a", NOW + FRESH_S + 0.1), "not fresh"),
        (signed(KEY, TOPIC, "stop", "a", float("nan")), "not fresh"),
        (signed(KEY, TOPIC, "stop", "a", float("inf")), "not fresh"),
        (signed(KEY, TOPIC, "arm", "a", NOW), "expected one of stop, trip, hold"),
        (signed(KEY, TOPIC, "stop", "", NOW), "expected id"),
        (signed(KEY, TOPIC, "stop", "x" * 101, NOW), "expected id"),
        (b"", "no JSON object"),
        (b"[]", "no JSON object"),
        (b"\xff\xfe", "no JSON object"),
        (b"[" * 1000, "no JSON object"),
        (b"{}", "expected id"),
        (b'{"id": "a", "command": "stop", "utc_s": "1", "code": "0"}', "expected command and code as text"),
        (b'{"id": "\\ud800", "command": "stop", "utc_s": 1, "code": "0"}', "the code is not that"),
        (b'{"id": "a", "command": "stop", "utc_s": 1, "code": "\\ud800"}', "the code is not that"),
        (b" " * (LONGEST_BYTES + 1), "longer than"),
    ],
)
def test_anything_else_is_refused_with_the_reason(payload, why):
    answer = evaluate(payload)
    assert answer.command is None
    assert why in answer.why


def test_none_is_taken_twice():
    gate = Gate(KEY, TOPIC)
    payload = signed(KEY, TOPIC, "stop", "a", NOW)
    assert evaluate(payload, gate=gate).command is Command.STOP
    assert evaluate(payload, gate=gate).why == "this id was taken already"
    # once it is no longer fresh it is refused for that, and forgotten
    assert "not fresh" in evaluate(payload, NOW + 2 * FRESH_S, gate).why
    assert evaluate(signed(KEY, TOPIC, "stop", "a", NOW + 60.0), NOW + 60.0, gate).command is Command.STOP
    assert len(gate._seen) == 1


def test_a_refused_one_does_not_use_up_its_id():
    gate = Gate(KEY, TOPIC)
    assert (
        evaluate(signed(b"another key, as long as ours", TOPIC, "stop", "a", NOW), gate=gate).command is None
    )
    assert evaluate(signed(KEY, TOPIC, "stop", "a", NOW), gate=gate).command is Command.STOP


def test_a_short_key_is_refused():
    assert key_from(b"0123456789abcdef\n", "key") == b"0123456789abcdef"
    with pytest.raises(StartFailed, match="key: expected a key of at least 16 bytes, got 3"):
        key_from(b"abc\n", "key")


@given(st.binary(max_size=200))
def test_random_bytes_never_pass(payload):
    assert evaluate(payload).command is None


ITEMS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)


@given(st.fixed_dictionaries({}, optional=dict.fromkeys(("command", "id", "utc_s", "code"), ITEMS)))
def test_objects_of_any_kind_never_pass(item):
    assert evaluate(json.dumps(item).encode()).command is None


@given(st.integers(0, 200), st.integers(0, 255))
def test_one_changed_byte_is_found_out(place, byte):
    payload = bytearray(signed(KEY, TOPIC, "stop", "a", NOW))
    place %= len(payload)
    changed = payload[place] != byte
    payload[place] = byte
    answer = evaluate(bytes(payload))
    if changed and answer.command is not None:
        # blanks, and digits of the code in capitals, mean the same: the content must be what was signed
        item = json.loads(payload)
        assert (item["command"], item["id"], item["utc_s"]) == ("stop", "a", NOW)
