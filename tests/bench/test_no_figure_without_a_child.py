"""No figure of the bench table is made from a child process that failed or left nothing behind."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from rich.console import Console

from tests.bench import bench, lateness
from tests.bench.bench import Cores, Table
from tests.bench.children import Child, NotMeasured

WORDS = "the stub is out of order"
STUBS = {
    "fails": f"#!/bin/sh\necho '{WORDS}' >&2\nexit 1\n",
    "leaves nothing": f"#!/bin/sh\necho '{WORDS}' >&2\n",
    "leaves no numbers": f"#!/bin/sh\necho '{WORDS}' >&2\necho '{WORDS}'\n",
}
PLAN = bench.Plan(blocks=1, laps=1, rounds=1, turn_s=0.1, ride_s=2.0, probe_s=1.0, round_trips=1)


@pytest.fixture(params=STUBS)
def broken(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Every child of the bench is a stub, cyclictest too; returns what kind."""
    folder = tmp_path / "bin"
    folder.mkdir()
    for name in ("python", "cyclictest"):
        (folder / name).write_text(STUBS[request.param])
        (folder / name).chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(folder / "python"))
    monkeypatch.setenv("PATH", f"{folder}{os.pathsep}{os.environ['PATH']}")
    own = os.sched_getaffinity(0)
    yield request.param
    os.sched_setaffinity(0, own)


def all_sections(table: Table, folder: Path) -> list[bench.Section]:
    cores = some_cores()
    sections = bench.sections(table, PLAN, cores, folder, Console(quiet=True))
    return sections + bench.where_it_goes(table, PLAN, cores, folder)


def some_cores() -> Cores:
    own = sorted(os.sched_getaffinity(0))
    return Cores(own[-1], own)


def test_broken_children_make_no_figure(broken: str, tmp_path: Path) -> None:
    table = Table()
    for section in all_sections(table, tmp_path):
        before = len(table.rows)
        bench.measure([section], table, Console(quiet=True))
        added = table.rows[before:]
        assert added
        assert {row.value for row in added} == {"not measured"}, section
        assert {row.met for row in added} == {None}
    assert table.histograms == {}
    assert len(table.missing) == len(table.rows)
    if broken == "fails":
        for line in table.missing:
            (told,) = [note for note in table.notes if note.startswith(f"{line}: ")]
            assert told.endswith(WORDS), told


@pytest.fixture
def compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bench finds nothing left to compile, which starts processes of its own."""
    monkeypatch.setattr("emulator.stages.precompile.warm", lambda: iter(()))
    monkeypatch.setattr(sys, "argv", ["bench.py", "--quick"])


@pytest.mark.usefixtures("compiled")
@pytest.mark.parametrize("broken", ["fails"], indirect=True)
def test_a_line_without_a_figure_ends_the_bench_with_its_own_status(
    broken: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.main() == bench.LINE_MISSING
    assert "not measured" in capsys.readouterr().out
    assert bench.LINE_MISSING not in (0, 1, 2)


@pytest.mark.usefixtures("compiled")
def test_a_bench_that_measured_every_line_ends_well(monkeypatch: pytest.MonkeyPatch) -> None:
    for part in ("sections", "where_it_goes"):
        monkeypatch.setattr(bench, part, lambda table, *_: [("all", lambda: table.add("a", "1", "us"))])
    assert bench.main() == bench.MEASURED


def test_where_a_command_goes_is_measured_by_children_that_carry_it_out(tmp_path: Path) -> None:
    table = Table()
    bench.measure(
        [("command", lambda: bench.command_by_part(table, some_cores(), tmp_path))],
        table,
        Console(quiet=True),
    )
    assert table.missing == []
    assert len(table.rows) > 8
    for row in table.rows:
        assert float(row.value) >= 0.0
    wholes = [float(row.value) for row in table.rows if not row.quantity.startswith("  ")]
    parts = [float(row.value) for row in table.rows if row.quantity.startswith("  ")]
    assert sum(parts) == pytest.approx(sum(wholes), abs=0.02)  # as they are printed


def test_the_stages_of_a_tick_stand_beside_their_sum(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    asked: list[str] = []
    found = {
        "stages": {"vehicle": 3.0, "robot": 1.0},
        **dict.fromkeys(("plant", "recorded", "as_came"), (4.0, 5.0)),
        **{"compiled": 4.5, "around": 0.5, "recorded_tick": 6.0, "ratio": 4.4},
    }
    monkeypatch.setattr(bench, "in_child", lambda part, *_, cores: asked.append(part) or found)
    table = Table()
    bench.tick_by_stage(table, PLAN, some_cores(), tmp_path)
    assert asked == ["stages"]
    assert (tmp_path / "stages-rig.yaml").exists()
    said = {row.quantity.strip(): (row.value, row.unit) for row in table.rows}
    assert said["a recorded tick with every output, best"] == ("4.00", "us")
    assert said["vehicle"] == ("3.00", "us  75%")
    assert said["recorded ticks, each at its best"] == ("4.00 / 5.00", "us  p50 / p99")
    assert [row.met for row in table.rows if row.met is not None] == [True]


def test_options_reach_the_command_that_is_timed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The ride from command to report is virtual: its --virtual is not an option of the bench."""
    became: list[list[str]] = []
    monkeypatch.setattr(os, "execv", lambda _, words: became.append(words))
    monkeypatch.setattr(sys, "argv", bench.command("run", "a", "b", "c", "--virtual", cores=[])[2:])
    bench.main()
    assert became[0][-7:] == ["run", "a", "--rig", "b", "--out", "c", "--virtual"]


@pytest.mark.parametrize(
    ("left", "missing"),
    [
        ((), "verdict.json"),
        (("verdict.json", "certificate.json"), "report.html"),
        (("verdict.json", "certificate.json", "report.html"), "record"),
    ],
)
def test_a_ride_that_left_too_little_is_none(tmp_path: Path, left: tuple[str, ...], missing: str) -> None:
    for name in left:
        (tmp_path / name).write_text("{}")
    with pytest.raises(NotMeasured, match=missing):
        bench.ridden("the ride", tmp_path, "complete", 0, "")


CYCLICTEST = "# Histogram\n{rows}\n# Max Latencies: {most}\n# Histogram Overflows: {beyond}\n"


@pytest.mark.parametrize(
    ("rows", "beyond", "whole"),
    [("000003 000060\n000004 000040", 0, True), ("000003 000060\n000004 000039", 0, False),
     ("000003 000099", 1, True), ("", 0, False)],
)  # fmt: skip
def test_a_turn_of_cyclictest_counts_if_every_wake_up_is_told(
    monkeypatch: pytest.MonkeyPatch, rows: str, beyond: int, whole: bool
) -> None:
    told = CYCLICTEST.format(rows=rows, most=30_000, beyond=beyond)
    monkeypatch.setattr("tests.bench.children.run", lambda *_: told)
    options = lateness.arguments().parse_args(["--seconds=0.1"])
    if not whole:
        with pytest.raises(NotMeasured, match=r"of 100 wake-ups"):
            lateness.cyclictest_turn("cyclictest", options, [])
        return
    late = lateness.cyclictest_turn("cyclictest", options, [])
    assert len(late) == 100
    assert (late.max() == 30_000.0) == bool(beyond)


def python(text: str) -> list[str]:
    return [sys.executable, "-c", text]


def test_what_fails_by_the_death_of_a_child_is_the_childs_failure() -> None:
    died = python("import sys; sys.exit('gone astray')")
    with pytest.raises(NotMeasured, match="status 1: gone astray"), Child("x", died):
        raise ConnectionError("closed")
    with pytest.raises(NotMeasured, match="ended with status 1: gone astray"), Child("x", died) as child:
        child.line()
    with pytest.raises(ConnectionError), Child("x", python("import time; time.sleep(60)")) as child:
        raise ConnectionError("closed by us")
    assert not child.alive()  # and none is left behind
    with (
        pytest.raises(NotMeasured, match=r"did not end within 0\.1 s"),
        Child("x", python("import time; time.sleep(60)")) as child,
    ):
        child.end(0.1)
    assert not child.alive()
