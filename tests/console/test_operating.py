"""The operator's seat as a page meets it: over HTTP, signed, and told to every viewer."""

from __future__ import annotations

import json
from http import HTTPStatus
from pathlib import Path

from tests.support.live_page import TOKEN, Served, served


def test_events_marks_and_acknowledgements_reach_the_supervisor(fresh_page: Served) -> None:
    seat = fresh_page.operate()
    for command in ("start wet patch", "end wet patch", "mark", "acknowledge"):
        status, body, _ = fresh_page.ask("POST", "/operator", fresh_page.signed(command, seat=seat))
        assert status == HTTPStatus.OK, body
    assert [message for message in fresh_page.told if "do" in message] == [
        {"do": "start", "event": 1},
        {"do": "end", "event": 1},
        {"do": "mark", "event": 0},
        {"do": "acknowledge", "event": 0},
    ]


def test_a_second_page_a_wrong_token_and_a_replay_are_refused(fresh_page: Served) -> None:
    seat = fresh_page.operate()
    told = len(fresh_page.told)
    assert fresh_page.why("POST", "/operator", fresh_page.signed("operate"))[0] == HTTPStatus.CONFLICT
    forged = fresh_page.signed("mark", token="some other token that is long", seat=seat)
    assert fresh_page.why("POST", "/operator", forged)[0] == HTTPStatus.FORBIDDEN
    assert fresh_page.why("POST", "/operator", fresh_page.signed("mark"))[0] == HTTPStatus.CONFLICT
    once = fresh_page.signed("mark", seat=seat)
    assert fresh_page.ask("POST", "/operator", once)[0] == HTTPStatus.OK
    status, why = fresh_page.why("POST", "/operator", once)
    assert status == HTTPStatus.CONFLICT
    assert "taken already" in why
    assert len(fresh_page.told) == told + 1


def test_viewers_hear_who_operates(fresh_page: Served) -> None:
    with fresh_page.watching() as messages:
        name, now = next(messages)
        assert name == "now"
        assert now["operator"] == {"opened": True, "there": False, "silent_s": 0.0}
        seat = fresh_page.operate()
        assert any(data["operator"]["there"] for name, data in messages if name == "now")
        leave = json.dumps({"seat": seat}).encode()
        assert fresh_page.ask("POST", "/operator/leave", leave)[0] == HTTPStatus.OK
        assert any(not data["operator"]["there"] for name, data in messages if name == "now")
    assert fresh_page.why("POST", "/operator/here", leave)[0] == HTTPStatus.CONFLICT


def test_the_token_is_nowhere_in_what_is_told_or_sent(fresh_page: Served) -> None:
    fresh_page.operate()
    sent = b"".join(fresh_page.ask("GET", path)[1] for path in ("/", "/ride", "/configuration", "/challenge"))
    with fresh_page.watching() as messages:
        sent += json.dumps(next(messages)).encode()
    assert TOKEN.encode() not in sent
    assert TOKEN not in json.dumps(fresh_page.told)


def test_a_bench_without_a_token_is_operated_by_no_page(tmp_path: Path) -> None:
    with served(tmp_path, token=None) as page:
        page.cycle()
        status, why = page.why("POST", "/operator", page.signed("operate"))
        assert status == HTTPStatus.FORBIDDEN
        assert "token_file" in why
