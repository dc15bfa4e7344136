"""The rig's live page: what other machines may reach asks for TLS and tokens; what its files have to hold."""

from __future__ import annotations

from pathlib import Path

import pytest
from pydantic import ValidationError

from emulator.config.rig.shown.console import Console, read_tokens
from tests.support.mosquitto_broker import certificate

ELSEWHERE = {
    "host": "192.0.2.10",
    "certificate_file": "broker.pem",
    "key_file": "broker.key",
    "token_file": "operator",
    "watch_token_file": "watch",
}


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "127.8.0.1"])
def test_on_this_machine_nothing_is_asked_for(host: str) -> None:
    assert Console(host=host).only_here


@pytest.mark.parametrize("missing", [key for key in ELSEWHERE if key != "host"])
@pytest.mark.parametrize("host", ["192.0.2.10", "0.0.0.0", "::"])
def test_for_others_tls_and_both_tokens_are_asked_for(host: str, missing: str) -> None:
    given = ELSEWHERE | {"host": host}
    assert not Console.model_validate(given).only_here
    del given[missing]
    with pytest.raises(ValidationError, match=missing):
        Console.model_validate(given)


@pytest.mark.parametrize("host", ["bench.example", "localhost", ""])
def test_a_name_is_no_address(host: str) -> None:
    with pytest.raises(ValidationError, match="expected an IP address of this machine"):
        Console(host=host)


def test_tokens_and_certificate_are_read(tmp_path: Path) -> None:
    certificate(tmp_path)
    (tmp_path / "operator").write_text("o" * 20 + "\n")
    (tmp_path / "watch").write_text("w" * 20 + "\n")
    tokens, problems = read_tokens(Console.model_validate(ELSEWHERE), lambda name: str(tmp_path / name))
    assert problems == []
    assert (tokens.operator, tokens.watch) == ("o" * 20, "w" * 20)


@pytest.mark.parametrize(
    ("files", "key", "words"),
    [
        ({"operator": "short\n"}, "token_file", "at least 16"),
        ({"operator": "o" * 20 + "\n" + "p" * 20}, "token_file", "in one line"),
        ({"operator": "ö" * 20}, "token_file", "letters, digits and signs"),
        ({"operator": "w" * 20}, "watch_token_file", "another token than the operator's"),
        ({"broker.key": "no key"}, "certificate_file", "no PEM certificate with its key"),
        ({"watch": None}, "watch_token_file", "no such file"),
    ],
)
def test_what_is_wrong_with_a_file_is_said_of_its_key(
    tmp_path: Path, files: dict[str, str | None], key: str, words: str
) -> None:
    certificate(tmp_path)
    for name, text in ({"operator": "o" * 20, "watch": "w" * 20} | files).items():
        if text is not None:
            (tmp_path / name).write_text(text)
    _, problems = read_tokens(Console.model_validate(ELSEWHERE), lambda name: str(tmp_path / name))
    assert [problem[0] for problem in problems] == [key]
    assert words in problems[0][1]
