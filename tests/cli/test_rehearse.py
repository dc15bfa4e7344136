"""``emulator rehearse``: cautions, results, exit statuses; the bench itself is made up here."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from emulator.inspection.rehearsal import on_bench
from emulator.inspection.rehearsal.conduct import Rehearsed
from emulator.inspection.rehearsal.findings import Finding
from tests.support.command_line import emulator_command
from tests.support.scripted_robot import RIG

WRONG = Finding("sign", "throttle", "robot", "the sign is swapped", "-1", "1", "the wire", ("081#00",))
OPEN = Finding("silent", "bus", "nobody knows", "no frame came", "0", "some", "the plug")


def made_up(*findings: Finding) -> Rehearsed:
    return Rehearsed("a bench", (), (), (), findings, by_hand=True, seconds=1.0, bench_late_ms=1.0)


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def bench(patch: pytest.MonkeyPatch, found: Rehearsed) -> None:
    patch.setattr(on_bench, "rehearse", lambda *_: found)


@pytest.mark.parametrize(
    ("findings", "status", "word"),
    [
        ((), 0, "SOUND"),
        ((WRONG, OPEN), 1, "DEFECTS: 1 proven against the robot, 1 left open"),
        ((OPEN,), 2, "NOT JUDGED: 1 left open"),
    ],
)
def test_the_exit_status_follows_from_what_is_proven(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    findings: tuple[Finding, ...],
    status: int,
    word: str,
) -> None:
    bench(monkeypatch, made_up(*findings))
    assert emulator_command("rehearse", str(RIG), "--yes", "--out", "page.html", "--quiet") == status
    said = capsys.readouterr()
    assert said.out == f"{word} page.html\n"
    assert "not a safety function" in " ".join(said.err.split()), "cautions are shown whatever else is not"
    assert "practice decide" in " ".join(said.err.split())
    page = Path("page.html").read_text()
    assert word in page
    assert all(f.what in page for f in findings)


def test_json_holds_the_evidence(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    bench(monkeypatch, made_up(WRONG))
    assert emulator_command("rehearse", str(RIG), "--yes", "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert told["result"] == "defects"
    assert told["findings"][0]["samples"] == ["081#00"]
    assert Path(told["page"]).exists()


def test_without_a_person_the_cautions_have_to_be_agreed_to_beforehand(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench(monkeypatch, made_up())
    assert emulator_command("rehearse", str(RIG)) == 3
    assert "--yes" in capsys.readouterr().err


@pytest.mark.parametrize(("word", "status"), [("yes\n", 0), ("y\n", 5), ("\n", 5)])
def test_a_person_agrees_by_a_whole_word(monkeypatch: pytest.MonkeyPatch, word: str, status: int) -> None:
    class Terminal:
        def isatty(self) -> bool:
            return True

        def readline(self) -> str:
            return word

    bench(monkeypatch, made_up())
    monkeypatch.setattr("sys.stdin", Terminal())
    assert emulator_command("rehearse", str(RIG)) == status


def test_what_is_wrong_is_refused_before_anything_starts(capsys: pytest.CaptureFixture[str]) -> None:
    assert emulator_command("rehearse", "nowhere.yaml", "--yes") == 3
    assert emulator_command("rehearse", str(RIG), "--yes", "--json", "--quiet") == 3
    assert emulator_command("rehearse", str(RIG), "--yes", "--out", "no/such/page.html") == 3
    rig = Path("rig.yaml")
    for line, column in (
        ("rehearsal: {request_frame: lean}", 28),
        ("rehearsal: {notices: [lena]}", 23),
    ):
        rig.write_text(f"based_on: {RIG.resolve()}\n{line}\n")
        capsys.readouterr()
        assert emulator_command("rehearse", str(rig), "--yes") == 3
        assert f"rig.yaml:2:{column}: rehearsal." in capsys.readouterr().err
