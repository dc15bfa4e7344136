"""Commands are taken only if they are signed, fresh and new; whatever else comes changes nothing."""

import hmac
import json
import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.shared_memory.status import Command
from emulator.telemetry.commands import COMMANDS, WITH_LEAVE, Gate, signed
from emulator.telemetry.signed import FRESH_S, LONGEST_BYTES

PAGE = (files("emulator") / "guide" / "telemetry.md").read_text()
KEY, TOPIC, NONCE, NOW = b"sixteen bytes of key at least", "bench/1/command", "5a" * 16, 17.25


def gate_of(**leave):
    return Gate(KEY, TOPIC, NONCE, **leave)


def evaluate(payload, now=NOW, gate=None):
    return (gate or gate_of()).evaluate(payload, now)


def asked(command="stop", identifier="a", time_s=NOW, *, key=KEY, topic=TOPIC, nonce=NONCE):
    return signed(key, topic, nonce, time_s, command, identifier)


def coded(body):
    """Any bytes with the right code."""
    return body + b"\n" + hmac.new(KEY, body, "sha256").hexdigest().encode()


@pytest.mark.parametrize("command", COMMANDS)
def test_a_signed_one_is_taken(command):
    answer = evaluate(asked(command))
    assert (answer.command, answer.identifier, answer.why) == (COMMANDS[command], "a", "taken")


def test_what_can_be_asked_only_brings_to_rest_or_keeps_there():
    assert set(COMMANDS.values()) == {Command.STOP, Command.TRIP, Command.HOLD}


def test_a_hold_is_let_go_from_afar_only_with_the_rigs_leave():
    payload = asked("go")
    assert evaluate(payload).command is None
    assert evaluate(payload, gate=gate_of(go=True)).command is Command.GO
    assert set(WITH_LEAVE.values()) == {Command.GO}


def test_events_are_asked_for_from_afar_only_with_the_rigs_leave():
    payload = asked("start wet patch")
    assert evaluate(payload).command is None
    answer = evaluate(payload, gate=gate_of(events={"gust": 0, "wet patch": 3}))
    assert (answer.command, answer.argument, answer.why) == (Command.START_EVENT, 3.0, "taken")
    gate = gate_of(events={"gust": 4})
    assert evaluate(asked("end gust", "b"), gate=gate).argument == 4.0
    refused = evaluate(asked("start wet patch", "c"), gate=gate)
    assert refused.command is None
    assert "no event 'wet patch' waits to be asked for (those that do: gust)" in refused.why


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (asked(key=b"another key, as long as ours"), "the code is not that"),
        (asked().replace(b"stop", b"trip"), "the code is not that"),
        (asked().replace(b'"a"', b'"b"'), "the code is not that"),
        (asked().replace(b".25", b".26"), "the code is not that"),
        (asked().replace(b"{", b"{ "), "the code is not that"),
        (asked().rpartition(b"\n")[0], "the code is not that"),
        (asked().upper(), "the code is not that"),
        (b"", "the code is not that"),
        (b"\n" * 9, "the code is not that"),
        (b"\xff\xfe\n\xff", "the code is not that"),
        (b" " * (LONGEST_BYTES + 1), "longer than"),
    ],
)
def test_what_is_not_signed_is_refused_and_not_read(payload, why):
    answer = evaluate(payload)
    assert (answer.command, answer.signed, answer.identifier) == (None, False, "")
    assert why in answer.why


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (asked(topic="bench/2/command"), "for another bench"),
        (asked(nonce="5b" * 16), "not that of this run"),
        (asked(time_s=NOW - FRESH_S - 0.1), "not fresh"),
        (asked(time_s=NOW + FRESH_S + 0.1), "not fresh"),
        (asked(time_s=float("nan")), "not fresh"),
        (asked(time_s=float("inf")), "not fresh"),
        (asked(time_s="17.25"), "expected time_s"),
        (asked(time_s=True), "expected time_s"),
        (asked("arm"), "expected one of stop, trip, hold"),
        (asked(7), "expected command"),
        (asked(identifier=""), "expected id"),
        (asked(identifier="x" * 101), "expected id"),
        (asked(identifier="\x1b[2J"), "expected id"),
        (asked(identifier="\ud800"), "expected id"),
        (coded(b"[]"), "no JSON object"),
        (coded(b"\xff\xfe"), "no JSON object"),
        (coded(b"[" * 900), "no JSON object"),
        (coded(b"{}"), "expected id"),
        (coded(b'{"id": "a"}'), "for another bench"),
    ],
)
def test_what_is_signed_and_not_for_now_is_refused_with_the_reason(payload, why):
    answer = evaluate(payload)
    assert (answer.command, answer.signed) == (None, True)
    assert why in answer.why


def test_none_is_taken_twice_in_a_run():
    gate, payload = gate_of(), asked()
    assert evaluate(payload, gate=gate).command is Command.STOP
    assert evaluate(payload, gate=gate).why == "this id was taken already"
    assert evaluate(payload, gate=gate).signed
    # once it is no longer fresh it is refused for that; its id is remembered all the same
    assert "not fresh" in evaluate(payload, NOW + 2 * FRESH_S, gate).why
    assert evaluate(asked("hold", "b", NOW + 60.0), NOW + 60.0, gate).command is Command.HOLD
    assert evaluate(payload, NOW, gate).why == "this id was taken already"


def test_none_is_taken_again_by_the_next_run():
    payload = asked()
    assert evaluate(payload).command is Command.STOP
    later = Gate(KEY, TOPIC, "6b" * 16)
    assert later.evaluate(payload, NOW).why == "the nonce is not that of this run's challenge"


def test_no_part_can_be_taken_for_another():
    # a name may hold anything: what is signed is what is sent
    events = {"a": 0, "a\nb": 1}
    one, other = asked("start a", "b\nc"), asked("start a\nb", "c")
    assert one.rpartition(b"\n")[2] != other.rpartition(b"\n")[2]
    assert evaluate(other, gate=gate_of(events=events)).argument == 1.0


def test_a_refused_one_does_not_use_up_its_id():
    gate = gate_of()
    assert evaluate(asked(key=b"another key, as long as ours"), gate=gate).command is None
    assert evaluate(asked("arm"), gate=gate).command is None
    assert evaluate(asked(), gate=gate).command is Command.STOP


@pytest.mark.parametrize("end", [b"", b"\n", b"\r\n"])
def test_a_line_feed_behind_it_does_no_harm(end):
    assert evaluate(asked() + end).command is Command.STOP


def test_what_the_guide_shows_is_what_is_taken(tmp_path, monkeypatch):
    """The guide's shell and Python, with a stand-in for the broker's clients."""
    (shell,) = [text for text in re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL) if "sign.py" in text]
    (python,) = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    (tmp_path / "key").write_bytes(KEY + b"\n")
    (tmp_path / "sign.py").write_text(python)
    challenge = json.dumps({"nonce": NONCE, "time_s": NOW})
    for name, body in (("mosquitto_sub", f"printf %s '{challenge}'"), ("mosquitto_pub", "cat > sent")):
        tool = tmp_path / name
        tool.write_text(f"#!/bin/sh\n{body}\n")
        tool.chmod(0o755)
    path = f"{tmp_path}:{Path(sys.executable).parent}:/usr/bin:/bin"
    gate = gate_of(events={"wet patch": 3})
    for command, taken in (("stop", Command.STOP), ("start wet patch", Command.START_EVENT)):
        script = shell.replace(" stop ", f" '{command}' ") if command != "stop" else shell
        assert command in script
        subprocess.run(["sh", "-e", "-c", script], cwd=tmp_path, env={"PATH": path}, check=True, timeout=60)
        answer = evaluate((tmp_path / "sent").read_bytes(), gate=gate)
        assert (answer.command, answer.why) == (taken, "taken")


@given(st.binary(max_size=200))
def test_random_bytes_never_pass(payload):
    assert evaluate(payload).command is None


ITEMS = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)


KNOWN_KEYS = ("topic", "nonce", "time_s", "command", "id")


@given(st.fixed_dictionaries({}, optional=dict.fromkeys(KNOWN_KEYS, ITEMS)))
def test_objects_of_any_kind_never_pass_even_signed(item):
    assert evaluate(coded(json.dumps(item).encode())).command is None


@given(st.integers(0, 200), st.integers(0, 255))
def test_one_changed_byte_is_found_out(place, byte):
    payload = bytearray(asked())
    place %= len(payload)
    changed = payload[place] != byte
    payload[place] = byte
    answer = evaluate(bytes(payload))
    assert (answer.command is None) == changed or payload.rstrip(b"\r\n") == asked()
