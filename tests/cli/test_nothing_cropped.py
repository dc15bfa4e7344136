"""Nothing that commands print is cropped: narrow, usual and wide terminals, without colours, in a pipe."""

from __future__ import annotations

import fcntl
import io
import os
import re
import struct
import subprocess
import sys
import termios
from collections import Counter
from pathlib import Path

import pytest
from rich.console import RenderableType

from emulator.assembly.session import Session
from emulator.cli.output import PlainConsole
from emulator.core.trip_reasons import TripReason
from emulator.criteria.base import CriterionResult
from emulator.inspection.sensors.budget import budget_of
from emulator.inspection.sensors.page import SensorPage
from emulator.inspection.sensors.page import console_tables as sensor_tables
from emulator.report.bus_tables import bus_load_tables
from emulator.report.terminal import console_summary
from emulator.report.terminal_table import terminal_table
from emulator.verdict.attribution import Cause
from emulator.verdict.judge import Verdict, write_verdict
from tests.report.test_bus_tables import budget as bus_budget
from tests.support.command_line import emulator_command

REASON = (
    "the rig tripped on the robot 9.1 s into the ride: robot commands stale: no 'drive' (0x081) for 151 ms, "
    "while loop and bus kept going and nothing else was in the way"
)
NOTE = "frames on the bus that no DBC of this rig knows: 0x7a1 (1,204), 0x7a2 (3)"
WIDTHS = (40, 80, 200)


def words_of(text: str) -> Counter[str]:
    """Words of a text; rules of tables are none."""
    plain = re.sub(r"\x1b\[[0-9;]*m", "", text)
    return Counter(word for word in plain.split() if not set(word) <= set("─━ "))


def missing(wide: str, narrow: str) -> list[str]:
    """Words that are not in the narrow text; one that is broken, since no line has room for it, is there."""
    squeezed = "".join(re.sub(r"\x1b\[[0-9;]*m", "", narrow).split())
    return [word for word in words_of(wide) - words_of(narrow) if word not in squeezed]


def shown(item: RenderableType, width: int, *, colours: bool = False) -> str:
    """What a console of that width shows, as commands make theirs."""
    console = PlainConsole(
        soft_wrap=True, width=width, file=io.StringIO(), force_terminal=colours, no_color=not colours
    )
    console.print(item)
    return console.file.getvalue()  # type: ignore[attr-defined,no-any-return]


@pytest.fixture(scope="module")
def tripped(whole_ride: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A run whose verdict says a lot."""
    folder = tmp_path_factory.mktemp("cropped") / "20300405-093000-wet-hairpin-with-a-long-name"
    folder.mkdir()
    (folder / "certificate.json").write_bytes((whole_ride / "certificate.json").read_bytes())
    criteria = [
        CriterionResult("distance from line", "distance_from_line", False, -0.31, "m", 9.0, 870.0,
            "was up to 1.81 m from the line (limit 1.50 m), worst 9.0 s into the ride at station 870 m", 1.5),
        CriterionResult("speed error", "speed_error", True, 3.4, "m/s", 8.0, 812.0,
            "stayed within 2.7 km/h of the target speed (limit 15.0 km/h)", 4.17),
    ]  # fmt: skip
    cause = Cause("robot", REASON, 9.1)
    verdict = Verdict(
        "fail", [REASON, f"distance from line: {criteria[0].sentence}"], criteria, causes=[cause],
        trip_code=int(TripReason.COMMAND), notes=[NOTE], robot="an own controller 0.3 (Python class)",
    )  # fmt: skip
    write_verdict(folder, verdict)
    return folder


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("colours", [False, True])
def test_all_of_a_runs_summary_is_there_at_any_width(tripped: Path, width: int, colours: bool) -> None:
    wide, narrow = (
        shown(console_summary(tripped), 2000),
        shown(console_summary(tripped), width, colours=colours),
    )
    assert missing(wide, narrow) == []
    assert "…" not in narrow
    assert max(len(re.sub(r"\x1b\[[0-9;]*m", "", line)) for line in narrow.splitlines()) <= width
    for text in (REASON, NOTE):
        assert text in " ".join(re.sub(r"\x1b\[[0-9;]*m", "", narrow).split())


@pytest.mark.parametrize("width", WIDTHS)
def test_tables_of_other_commands_are_whole_at_any_width(session: Session, width: int) -> None:
    of_sensors = budget_of(session.rig, session.vehicle, session.codec)
    for item in (
        bus_load_tables(bus_budget()),
        sensor_tables(SensorPage(of_sensors)),
        terminal_table("Title", ("a", "a very long head"), [("word " * 9, "x" * 30)], no_wrap=True),
        terminal_table(  # rich would leave "0.07" of the range
            "Title",
            ("figure", "value", "usual"),
            [("trail, standing", "0.098 m", "0.075 to 0.125")],
            no_wrap=True,
        ),
    ):
        narrow = shown(item, width)
        assert missing(shown(item, 2000), narrow) == []
        assert "…" not in narrow


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("group", ["", "campaign", "circuit", "track", "vehicle"])
def test_lists_of_commands_say_whole_sentences_at_any_width(
    group: str, width: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    assert emulator_command(*group.split(), "--help") == 0
    out = capsys.readouterr().out
    listed = out.split("Commands:")[1]
    assert "..." not in listed
    entries = re.split(r"\n  (?=\S)", listed)[1:]
    assert len(entries) > (20 if not group else 0)
    assert [entry for entry in entries if not entry.rstrip().endswith(".")] == []
    assert width < 80 or max(map(len, out.splitlines())) <= width


@pytest.mark.parametrize("where", ["pty", pytest.param("pipe", marks=pytest.mark.timing)])
def test_the_command_crops_nothing_on_40_columns_and_in_a_pipe(
    whole_ride: Path, tmp_path: Path, where: str
) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    for path in whole_ride.iterdir():
        if path.is_file():
            (folder / path.name).write_bytes(path.read_bytes())
    command = [sys.executable, "-m", "emulator", "report", str(folder)]
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")} | {"NO_COLOR": "1"}
    if where == "pipe":
        said = subprocess.run(
            command, env=environment, capture_output=True, text=True, timeout=120, check=True
        ).stdout
    else:
        ours, its = os.openpty()
        fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 40, 0, 0))
        with subprocess.Popen(command, env=environment, stdout=its, stderr=its, stdin=its) as child:
            os.close(its)
            said = _read(ours)
            assert child.wait() == 0, said
    assert "\x1b[3" not in said  # no colour
    assert "…" not in said
    assert missing(shown(console_summary(folder), 2000), said) == []


def _read(descriptor: int) -> str:
    parts = []
    while True:
        try:
            part = os.read(descriptor, 1 << 16)
        except OSError:  # the other end is closed
            break
        if not part:
            break
        parts.append(part)
    os.close(descriptor)
    return b"".join(parts).decode().replace("\r\n", "\n")
