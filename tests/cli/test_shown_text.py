"""Nothing that came from a file steers the terminal, and what the system refuses is told as such."""

from __future__ import annotations

import errno
import io
import os
from pathlib import Path

import pytest
from rich.panel import Panel
from rich.progress import Progress, TextColumn
from rich.text import Text

from emulator.cli import app as app_module
from emulator.cli.output import PlainConsole
from emulator.core.errors import ConfigError, Problem, RecordError
from emulator.report.terminal_table import terminal_table

HOSTILE = "\x1b]0;title\x07\x1b[2J\x9b31m\u202eevil\r\b"


def printed(what: object, *, terminal: bool = False) -> str:
    file = io.StringIO()
    PlainConsole(file=file, width=200, force_terminal=terminal).print(what, markup=False)
    return file.getvalue()


@pytest.mark.parametrize(
    "what",
    [
        HOSTILE,
        Text(HOSTILE, "red"),
        Panel(Text(HOSTILE), title=Text(HOSTILE)),
        terminal_table(HOSTILE, [HOSTILE], [[HOSTILE], [Text(HOSTILE)]]),
    ],
    ids=["words", "text", "panel", "table"],
)
def test_what_is_printed_holds_no_control(what: object) -> None:
    said = printed(what)
    assert r"\x1b[2J\x9b31m\u202eevil" in said
    assert {c for c in said if not c.isprintable()} == {"\n"}


def test_our_own_colours_stay() -> None:
    said = printed(Text(HOSTILE, "red"), terminal=True)
    assert said.startswith("\x1b[31m")
    assert said.count("\x1b") == 2


def test_progress_holds_no_control_either() -> None:
    file = io.StringIO()
    console = PlainConsole(file=file, width=200, force_terminal=True)
    with Progress(TextColumn("{task.description}", markup=False), console=console) as bar:
        bar.add_task(HOSTILE, total=None)
    assert "\x1b]0" not in file.getvalue()
    assert r"\x1b]0" in file.getvalue()


def ended_by(
    error: BaseException, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> str:
    def fails(*_args: object, **_kwargs: object) -> None:
        raise error

    monkeypatch.setattr(app_module, "command_line", lambda *_first: fails)
    with pytest.raises(SystemExit) as end:
        app_module.app()
    return f"{end.value.code}: {capsys.readouterr().err}"


@pytest.mark.parametrize(
    ("error", "expected"),
    [
        (OSError(errno.EMFILE, os.strerror(errno.EMFILE)), "raise it: ulimit -n 1024"),
        (OSError(errno.ENFILE, os.strerror(errno.ENFILE)), "fs.file-max"),
        (OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), "/runs/a"), "/runs/a: No space left on device"),
        (OSError(errno.EACCES, os.strerror(errno.EACCES), "/runs/a"), "/runs/a: Permission denied"),
        (OSError(errno.EROFS, os.strerror(errno.EROFS)), "can't be written"),
        (MemoryError(), "memory has run out"),
        (ExceptionGroup("several", [ValueError(), OSError(errno.EMFILE, "x")]), "ulimit -n"),
    ],
)
def test_what_the_system_refuses_is_no_bug_of_ours(
    error: Exception, expected: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ended_by(error, monkeypatch, capsys)
    assert said.startswith("4: error: ")
    assert expected in said
    assert "what to do" in said
    assert "Traceback" not in said
    assert "internal error" not in said


def test_what_lies_behind_an_error_counts(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    error = RuntimeError("library gave up")
    error.__cause__ = OSError(errno.EMFILE, os.strerror(errno.EMFILE))
    assert "ulimit -n" in ended_by(error, monkeypatch, capsys)


@pytest.mark.parametrize(
    "error",
    [
        ConfigError([Problem(HOSTILE, 1, 1, HOSTILE, HOSTILE)]),
        RecordError(HOSTILE, advice=HOSTILE),
        ValueError(HOSTILE),  # an internal error, with its traceback
    ],
)
def test_no_error_steers_the_terminal(
    error: Exception, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ended_by(error, monkeypatch, capsys)
    assert r"\x1b[2J" in said
    assert {c for c in said if not c.isprintable()} == {"\n"}


def test_what_was_typed_does_not_either(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sys.argv", ["emulator", "check", f"--{HOSTILE}"])
    with pytest.raises(SystemExit) as end:
        app_module.app()
    said = capsys.readouterr().err
    assert end.value.code == 3
    assert r"\x1b[2J" in said
    assert {c for c in said if not c.isprintable()} == {"\n"}


def test_a_file_of_a_hostile_name_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A name that is no text, too: bytes that are none come as halves of characters."""
    path = os.path.join(os.fsencode(tmp_path), b"\xff\x1b[2J.yaml")
    with open(path, "wb") as file:
        file.write(b'kind: "\\e[2J"\n')
    monkeypatch.setattr("sys.argv", ["emulator", "check", os.fsdecode(path)])
    with pytest.raises(SystemExit):
        app_module.app()
    said = "".join(capsys.readouterr())
    assert r"\udcff\x1b[2J.yaml" in said
    assert "\x1b" not in said
