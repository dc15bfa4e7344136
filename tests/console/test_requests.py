"""What strangers can send: refused in words, dropped, never believed."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Iterable
from http import HTTPStatus
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from emulator.console import guard
from emulator.console.stream import MOST_VIEWERS
from tests.support.live_page import Served, served
from tests.support.mosquitto_broker import certificate

PAGES = ("/", "/ride", "/runs", "/configuration", "/guide/index.md", "/challenge", "/assets/live.js")


def raw(page: Served, request: bytes, seconds: float = 5.0) -> bytes:
    """What comes back for bytes as they are, until the other side closes."""
    with socket.create_connection(("127.0.0.1", page.address.port), seconds) as connection:
        connection.sendall(request)
        answer = b""
        while data := connection.recv(65536):
            answer += data
        return answer


def send_slowly(connection: socket.socket, pieces: Iterable[bytes]) -> None:
    for piece in pieces:
        connection.sendall(piece)
        time.sleep(0.001)


@pytest.mark.parametrize("path", PAGES)
def test_a_page_is_shown_and_may_run_no_script_of_others(page: Served, path: str) -> None:
    status, body, headers = page.ask("GET", path)
    assert status == HTTPStatus.OK
    assert body
    assert "script-src 'self'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert b"<script>" not in body


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1:1", "http://127.0.0.1"])
@pytest.mark.parametrize("path", ["/stop", "/operator", "/sign-in", "/operator/here"])
def test_a_page_of_another_origin_asks_in_vain(page: Served, path: str, origin: str) -> None:
    before = list(page.told)
    assert page.why("POST", path, b"{}", {"Origin": origin}) == (403, "asked by a page of another origin")
    assert page.told == before


def test_a_request_without_origin_or_from_another_site_does_nothing(page: Served) -> None:
    before = list(page.told)
    lines = f"POST /stop HTTP/1.1\r\nHost: 127.0.0.1:{page.address.port}\r\nContent-Length: 2\r\n\r\n{{}}"
    assert b"expected an Origin" in raw(page, lines.encode())
    assert page.why("GET", "/ride", headers={"Sec-Fetch-Site": "cross-site"})[0] == HTTPStatus.FORBIDDEN
    assert page.told == before


def test_a_name_that_was_bent_to_this_machine_is_refused(page: Served) -> None:
    status, why = page.why("GET", "/", headers={"Host": f"evil.example:{page.address.port}"})
    assert status == HTTPStatus.MISDIRECTED_REQUEST
    assert "not asked for by that name" in why


def test_any_viewer_may_stop(page: Served) -> None:
    assert page.ask("POST", "/stop", b"{}")[0] == HTTPStatus.OK
    assert page.told[-1] == {"do": "stop"}


@pytest.mark.parametrize("length", ["1048576", "-1", "9" * 30, "a"])
def test_a_megabyte_is_refused_before_it_is_read(page: Served, length: str) -> None:
    own = page.address.url().rstrip("/")
    head = (
        f"POST /operator HTTP/1.1\r\nHost: 127.0.0.1:{page.address.port}\r\nOrigin: {own}\r\n"
        f"Content-Length: {length}\r\n\r\n"
    )
    assert raw(page, head.encode()).split(b" ")[1] in (b"413", b"400")


def test_a_megabyte_in_pieces_is_refused_at_the_first_too_many(page: Served) -> None:
    own = page.address.url().rstrip("/")
    head = (
        f"POST /operator HTTP/1.1\r\nHost: 127.0.0.1:{page.address.port}\r\nOrigin: {own}\r\n"
        "Transfer-Encoding: chunked\r\n\r\n"
    )
    piece = b"3e8\r\n" + 1000 * b"x" + b"\r\n"
    answer = raw(page, head.encode() + 5 * piece)
    assert answer.startswith(b"HTTP/1.1 413")
    assert b"4096 bytes" in answer
    with socket.create_connection(("127.0.0.1", page.address.port), 5.0) as connection:
        connection.sendall(head.encode())
        with pytest.raises((BrokenPipeError, ConnectionResetError)):  # it does not even take them
            send_slowly(connection, 1000 * [piece])


def test_what_makes_no_sense_is_not_written_down(page: Served, caplog: pytest.LogCaptureFixture) -> None:
    for noise in (b"\x16\x03\x01 what\r\n\r\n", b"GET / HTTP/1.1\r\nX: " + 100_000 * b"x" + b"\r\n\r\n"):
        with contextlib.suppress(OSError):  # dropped before it has read everything
            raw(page, noise)
    upgrade = "Connection: Upgrade\r\nUpgrade: websocket\r\nConnection: close"
    raw(page, f"GET /ride HTTP/1.1\r\nHost: 127.0.0.1:{page.address.port}\r\n{upgrade}\r\n\r\n".encode())
    assert [record for record in caplog.records if record.name.startswith("uvicorn")] == []


def test_a_body_that_never_comes_is_given_up(page: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "BODY_S", 0.2)
    own = page.address.url().rstrip("/")
    head = (
        f"POST /operator HTTP/1.1\r\nHost: 127.0.0.1:{page.address.port}\r\nOrigin: {own}\r\n"
        "Content-Length: 100\r\n\r\n"
    )
    assert raw(page, head.encode()).startswith(b"HTTP/1.1 408")


def test_a_thousand_connections_are_told_that_it_is_full_and_leave_nothing(
    fresh_page: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "FIRST_REQUEST_S", 0.15)
    refused = closed = 0
    for _ in range(10):  # this process, too, may have only so many files open
        open_ones = [
            socket.create_connection(("127.0.0.1", fresh_page.address.port), 5.0) for _ in range(100)
        ]
        for one in open_ones:
            one.settimeout(3.0)
            said = one.recv(100)
            refused += said.startswith(b"HTTP/1.1 503")
            closed += said == b""  # for want of a request
            one.close()
    assert refused + closed == 1000
    assert refused >= 200
    time.sleep(0.2)
    assert fresh_page.ask("GET", "/ride")[0] == HTTPStatus.OK


def test_a_connection_that_never_asks_is_closed(fresh_page: Served, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guard, "FIRST_REQUEST_S", 0.2)
    with socket.create_connection(("127.0.0.1", fresh_page.address.port), 5.0) as silent:
        assert silent.recv(1) == b""


def test_a_reader_that_takes_nothing_is_dropped_and_others_see_everything(
    fresh_page: Served, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(guard, "SLOW_S", 0.5)
    # what the kernel keeps for the other side is soon full, megabytes otherwise
    fresh_page.entrance.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 4096)
    slow = socket.socket()
    slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    slow.connect(("127.0.0.1", fresh_page.address.port))
    names = ",".join(["truth.roll_rad"] * 8)
    slow.sendall(
        f"GET /stream?signals={names} HTTP/1.1\r\nHost: 127.0.0.1:{fresh_page.address.port}\r\n\r\n".encode()
    )
    with fresh_page.watching() as messages:
        began = time.monotonic()
        most = 0
        for name, _ in messages:
            fresh_page.cycle(2000)
            most = max(most, fresh_page.stream.viewers)
            if name == "now" and fresh_page.stream.viewers == 1 and most == 2:
                break
            assert time.monotonic() - began < 30.0, fresh_page.stream.viewers
    slow.close()


def test_viewers_are_counted_and_bounded(fresh_page: Served) -> None:
    held = []
    for _ in range(MOST_VIEWERS):
        watching = fresh_page.watching()
        next(watching.__enter__())
        held.append(watching)
    status, why = fresh_page.why("GET", "/stream")
    assert (status, why) == (503, f"{MOST_VIEWERS} pages watch already: close one")
    for watching in held:
        watching.__exit__(None, None, None)
    limit = time.monotonic() + 10.0
    while fresh_page.stream.viewers:
        assert time.monotonic() < limit
        time.sleep(0.05)


def test_where_a_token_is_asked_for_nobody_watches_without(tmp_path: Path) -> None:
    token = "a watch token that is long"
    with served(tmp_path, watch_token=token) as page:
        for path in (*PAGES[:-1], "/stream", "/runs/a/report.html"):
            assert page.ask("GET", path)[0] == HTTPStatus.UNAUTHORIZED, path
        assert page.ask("POST", "/stop", b"{}")[0] == HTTPStatus.UNAUTHORIZED
        assert page.ask("GET", "/sign-in")[0] == HTTPStatus.OK
        assert page.why("POST", "/sign-in", b'{"token": "a guess"}')[0] == HTTPStatus.FORBIDDEN
        assert page.why("POST", "/sign-in", b'{"token": 7}')[0] == HTTPStatus.BAD_REQUEST
        status, _, headers = page.ask("POST", "/sign-in", json.dumps({"token": token}).encode())
        assert status == HTTPStatus.OK
        cookie = headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "samesite=strict" in cookie.lower()
        assert token not in cookie
        assert page.ask("GET", "/ride", headers={"Cookie": cookie.partition(";")[0]})[0] == HTTPStatus.OK
        assert page.told == []


def test_for_other_machines_it_is_served_over_tls_alone(tmp_path: Path) -> None:
    token = "a watch token that is long"
    certificate(tmp_path)
    with served(tmp_path, watch_token=token, certified=tmp_path) as page:
        assert page.address.url().startswith("https://")
        plain = f"GET / HTTP/1.1\r\nHost: 127.0.0.1:{page.address.port}\r\n\r\n"
        assert b"HTTP" not in raw(page, plain.encode())
        status, _, headers = page.ask("POST", "/sign-in", json.dumps({"token": token}).encode())
        assert status == HTTPStatus.OK
        assert "; secure" in headers["set-cookie"].lower()
        cookie = {"Cookie": headers["set-cookie"].partition(";")[0]}
        assert page.ask("GET", "/ride", headers=cookie)[0] == HTTPStatus.OK


@pytest.mark.parametrize(
    "path",
    [
        *("/runs/%2e%2e/report.html", "/runs/a/%2e%2e%2fmanifest.json"),
        *("/guide/../../pyproject.toml", "/guide/%2fetc/passwd"),
        *("/assets/..%2fapp.py", "/assets/app.py", "/nothing"),
    ],
)
def test_nothing_outside_is_shown(page: Served, path: str) -> None:
    assert page.why("GET", path)[0] == HTTPStatus.NOT_FOUND


ROUTES = (
    *("/", "/ride", "/stop", "/operator", "/operator/here", "/operator/leave", "/sign-in", "/challenge"),
    *("/runs", "/runs/a/b.html", "/configuration", "/guide/index.md", "/assets/live.css", "/nowhere"),
)
JSON_VALUES: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["seat", "token", "command", "id"]) | st.text(), inner, max_size=4)
    ),
    max_leaves=6,
)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(["GET", "POST", "PUT", "HEAD", "DELETE", "OPTIONS"]),
    st.sampled_from(ROUTES),
    st.binary(max_size=300) | JSON_VALUES.map(lambda item: json.dumps(item).encode()),
)
def test_whatever_is_sent_is_answered_and_starts_nothing(
    page: Served, method: str, path: str, body: bytes
) -> None:
    before = len(page.told)
    status, answer, headers = page.ask(method, path, body, {"Origin": page.address.url().rstrip("/")})
    assert status < HTTPStatus.INTERNAL_SERVER_ERROR
    if status >= HTTPStatus.BAD_REQUEST and method != "HEAD":
        assert json.loads(answer)["why"]
    assert "content-security-policy" in headers
    new = [message for message in page.told[before:] if message != {"do": "stop"}]
    assert new == []


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200))
def test_bytes_that_are_no_request_break_nothing(page: Served, data: bytes) -> None:
    with socket.create_connection(("127.0.0.1", page.address.port), 5.0) as connection:
        connection.sendall(data + b"\r\n\r\n")
        connection.shutdown(socket.SHUT_WR)
        connection.recv(100)
