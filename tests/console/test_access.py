"""Who may watch, who operates: tokens wrong, missing and replayed, two operators, one that falls silent."""

from __future__ import annotations

import pytest

from emulator.console.access import SILENT_S, TOPIC, Asked, OperatorDesk, Refused, Watchers
from emulator.telemetry.signed import sealed

KEY = b"a key of sixteen and more bytes"
NONCE = "5a0c"
EVENTS = {"gust": 4}
NUMBERS = iter(range(10_000))


def desk() -> OperatorDesk:
    return OperatorDesk(KEY, NONCE, EVENTS)


def message(command: str, now_s: float, key: bytes = KEY, **more: object) -> bytes:
    item = {"topic": TOPIC, "nonce": NONCE, "time_s": now_s, "command": command, "id": str(next(NUMBERS))}
    return sealed(key, item | more)


def seated(one: OperatorDesk, now_s: float = 0.0) -> str:
    seat = one.ask(message("operate", now_s), now_s)
    assert isinstance(seat, str)
    return seat


def test_a_page_with_the_token_operates() -> None:
    one = desk()
    seat = seated(one)
    assert one.ask(message("start gust", 1.0, seat=seat), 1.0) == Asked("start", 4)
    assert one.ask(message("end gust", 1.0, seat=seat), 1.0) == Asked("end", 4)
    assert one.ask(message("mark", 1.0, seat=seat), 1.0) == Asked("mark")
    assert one.ask(message("acknowledge", 1.0, seat=seat), 1.0) == Asked("acknowledge")


@pytest.mark.parametrize(
    "command", ["arm", "go", "reset", "hold", "trip", "start", "start rain", "", "operate me"]
)
def test_nothing_else_can_be_asked_for(command: str) -> None:
    one = desk()
    refused = one.ask(message(command, 0.0, seat=seated(one)), 0.0)
    assert isinstance(refused, Refused)
    assert refused.status == 400


def test_without_a_token_nobody_operates() -> None:
    refused = OperatorDesk(None, NONCE, EVENTS).ask(message("operate", 0.0), 0.0)
    assert isinstance(refused, Refused)
    assert "names no console.token_file" in refused.why


@pytest.mark.parametrize(
    ("payload", "status", "why"),
    [
        (
            message("operate", 0.0, key=b"another key of sixteen bytes"),
            403,
            "the signature is not that of this",
        ),
        (message("operate", 0.0).partition(b"\n")[0], 403, "the signature"),
        (b"", 403, "the signature"),
        (message("operate", -60.0), 409, "not fresh"),
        (message("operate", 0.0, nonce="other"), 409, "nonce"),
        (message("operate", 0.0, topic="bench/1/command"), 409, "another bench"),
    ],
)
def test_a_wrong_or_missing_token_is_refused_in_words(payload: bytes, status: int, why: str) -> None:
    refused = desk().ask(payload, 0.0)
    assert isinstance(refused, Refused)
    assert refused.status == status
    assert why in refused.why


def test_what_was_taken_once_is_not_taken_again() -> None:
    one = desk()
    seat = seated(one)
    again = message("mark", 0.0, seat=seat)
    assert one.ask(again, 0.0) == Asked("mark")
    refused = one.ask(again, 0.1)
    assert isinstance(refused, Refused)
    assert "taken already" in refused.why


def test_of_two_operators_the_second_is_refused_until_the_first_leaves_or_is_silent() -> None:
    one = desk()
    first = seated(one)
    refused = one.ask(message("operate", 1.0), 1.0)
    assert isinstance(refused, Refused)
    assert "another page operates" in refused.why
    assert one.leave(first)
    second = seated(one, 2.0)
    assert isinstance(one.ask(message("mark", 2.0, seat=first), 2.0), Refused)
    third = seated(one, 2.0 + SILENT_S + 0.1)
    assert not one.here(second, 8.0)
    assert one.here(third, 8.0)
    assert not one.leave(second)


def test_silence_is_told_once_and_ends_with_a_word() -> None:
    one = desk()
    assert not one.turns_silent(100.0)
    seat = seated(one)
    assert one.here(seat, 4.0)
    assert not one.turns_silent(4.0 + SILENT_S)
    assert one.turns_silent(4.1 + SILENT_S)
    assert not one.turns_silent(20.0)
    assert one.shown(20.0) == {"opened": True, "there": True, "silent_s": 16.0}
    assert one.here(seat, 21.0)
    assert one.shown(21.0)["silent_s"] == 0.0
    assert one.turns_silent(30.0)


def test_watchers_sign_in_where_a_token_is_asked_for() -> None:
    watchers = Watchers("a watch token that is long")
    assert not watchers.admits(None)
    assert not watchers.admits("made up")
    secret = watchers.sign_in("a watch token that is long", "10.0.0.7", 0.0)
    assert isinstance(secret, str)
    assert watchers.admits(secret)
    assert Watchers(None).admits(None)


def test_wrong_watch_tokens_lock_out_their_address_for_a_minute() -> None:
    watchers = Watchers("a watch token that is long")
    for attempt in range(5):
        refused = watchers.sign_in("a guess", "10.0.0.7", float(attempt))
        assert isinstance(refused, Refused)
        assert refused.status == 403
    locked = watchers.sign_in("a watch token that is long", "10.0.0.7", 5.0)
    assert isinstance(locked, Refused)
    assert locked.status == 429
    assert isinstance(watchers.sign_in("a watch token that is long", "10.0.0.8", 5.0), str)
    assert isinstance(watchers.sign_in("a watch token that is long", "10.0.0.7", 66.0), str)
