"""A newcomer's path: every command in a block of README and guide is carried out, or it is said why not.

In a checkout of one's own, page by page, in the order it stands there, with the files that pages say to save.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest
from typer.main import get_command

from emulator.cli.app import command_line
from tests.guide.markdown import GUIDE, README, ROOT, blocks
from tests.support.command_line import emulator_command

PAGES = [README, *sorted(GUIDE.glob("*.md"))]
SAVED = re.compile(r"Save this as\s+`([^`]+)`[^`]*?\n```\w+\n(.*?)^```$", re.DOTALL | re.MULTILINE)
LOOPBACK = "scenarios/rigs/loopback.yaml"
READ = "tests/guide/test_readme.py"

QUICK = re.compile(
    r"emulator (check|campaign check|list|schema|replay|interface|host --setup|run .* --virtual)\b.*"
)
"""Commands that the ordinary run carries out unless they are in one of the lists below: none of them serves,
waits for somebody, or rides in real time."""

OWN = f"emulator run scenarios/runs/straight.yaml --rig {LOOPBACK} --virtual --robot mine.py:Mine"
ENDS_WITH = {
    f"emulator run scenarios/runs/sensors/roll_rate_reversed.yaml --rig {LOOPBACK} --virtual "
    "--out runs/reversed": 1,
    OWN: 1,
}
"""Exit status by command, as its page says; else 0."""

LONG = {
    "emulator host --seconds 10": "wakes for ten seconds in real time; may find that nothing can be promised",
    "emulator host --seconds 60": "wakes for a minute in real time; may find that nothing can be promised",
    OWN: "two minutes of ride, each step in a process of its own",
    f"emulator rehearse {LOOPBACK}": "half a minute in real time; asks for a yes",
}
"""Commands that `pytest -m timing` carries out, and why not the ordinary run."""

BY_SHELL = ["cd scenarios/robots && cc -O2 -ffp-contract=off -o plain_rider line_client.c plain_rider.c -lm"]
"""Commands of other programs that the ordinary run carries out."""

IN_TESTS = {
    "make virtual": f"{READ}::test_virtual_comes_before_real_time_and_both_ride_the_same_lap",
    "make demo": f"{READ}::test_virtual_comes_before_real_time_and_both_ride_the_same_lap",
    "make test": f"{READ}::test_make_test_runs_the_tests",
    "make virtual RUN=runs/mine.yaml": f"{READ}::test_the_own_scenario_passes_and_fails_as_told",
    "emulator campaign run scenarios/campaigns/first.yaml": (
        f"{READ}::test_the_first_plan_is_ridden_and_has_a_page"
    ),
    "emulator run scenarios/runs/short_bend.yaml --rig runs/apart.yaml": (
        "tests/guide/test_commands_run.py::test_bench_and_robot_ride_from_two_terminals"
    ),
    "emulator robot scenarios/runs/short_bend.yaml --rig runs/apart.yaml": (
        "tests/guide/test_commands_run.py::test_bench_and_robot_ride_from_two_terminals"
    ),
    f"emulator run scenarios/runs/first_lap.yaml --rig {LOOPBACK} --console": (
        "tests/console/test_session.py::test_from_standby_to_the_report"
    ),
    "docker/secrets": "tests/docker/test_containers.py::test_secrets_are_for_nobody_else_and_made_once",
    "docker compose -f docker/compose.yaml up --build --abort-on-container-exit --exit-code-from emulator": (
        "tests/docker/test_containers.py::test_a_compose_file_is_valid"
    ),
    "emulator host --setup > setup.sh": (
        "tests/inspection/test_host_setup.py::test_the_script_writes_its_files_and_only_those"
    ),
    f"emulator track finding runs/track-morning --at 312.4 --as slide --rig {LOOPBACK} --name kerb": (
        "tests/track/findings/test_cut.py::test_what_is_estimated_is_near_what_was_planted"
    ),
    f"emulator run findings/kerb.yaml --rig {LOOPBACK} --virtual": (
        "tests/track/findings/test_cut.py::test_a_finding_of_a_log_fails_the_same_way"
    ),
    "emulator track findings findings/findings.yaml": (
        "tests/track/findings/test_cut.py::test_a_register_is_held_against_its_scenarios"
    ),
    "mosquitto_sub -t bench/1/challenge -C 1 | python sign.py stop key bench/1/command | "
    "mosquitto_pub -t bench/1/command -q 1 -s": (
        "tests/telemetry/test_mqtt_commands.py::test_what_the_guide_shows_is_what_is_taken"
    ),
}
"""Commands that another test carries out."""

NOT_HERE = {
    "emulator console runs/20270504-083000-first_lap": (
        "serves until it is stopped; tests/console plays records on the page"
    ),
    "emulator campaign run scenarios/campaigns/margins.yaml": (
        "takes minutes on all cores; tests/cli/campaign/test_run_questions.py rides a cut of it"
    ),
    "docker compose -f docker/bench.yaml run --rm emulator run scenarios/runs/straight.yaml "
    "--rig rigs/bench.yaml --hold": "needs can0 and an engine; the file is validated",
    "sudo sh setup.sh": "changes the machine; the script is run into a folder",
    "sudo systemctl start emulator": "rides on a bench; the unit is verified",
    "journalctl --unit emulator --follow": "needs a ride of the unit",
    "sudo systemctl stop emulator": "needs a ride of the unit",
    "mosquitto_sub -h localhost -p 8883 --cafile docker/.secrets/authority.pem -u desk "
    "-P \"$(cat docker/.secrets/desk_password)\" -t 'bench/1/#' -v": (
        "needs the broker's container; `make containers` listens to it in the same way"
    ),
    "emulator run scenarios/runs/short_straight.yaml --rig rigs/mine.yaml": "needs a robot on a bench",
    "emulator rehearse rigs/mine.yaml": "needs a robot on a bench",
    "emulator run scenarios/runs/short_straight.yaml --rig rigs/mine.yaml --hold": "needs a robot on a bench",
}
"""Commands that no test carries out, and why; they are still read and their files looked for."""


CUT_BEFORE = ("findings/kerb.yaml", "findings/findings.yaml")
"""Files that an earlier command of the page makes out of a log, which nobody has here."""


class Shown(NamedTuple):
    """A command as a page shows it, in one line."""

    page: str
    command: str


def commands() -> list[Shown]:
    found = []
    for page in PAGES:
        text = page.read_text()
        for block in [*blocks(text, ""), *blocks(text, "sh")]:
            joined = re.sub(r"(\||\\)\n\s*", lambda m: "| " if m[1] == "|" else "", block)
            lines = (line.strip().removeprefix(".venv/bin/") for line in joined.splitlines())
            found += [Shown(page.name, line) for line in lines if is_command(line)]
    return found


def is_command(line: str) -> bool:
    """Whether a line of a block is for a shell: some blocks show frames, or what happens to them."""
    first = line.partition(" ")[0]
    return bool(re.fullmatch(r"[a-z][a-z_/.]+", first)) and (
        first in ("emulator", "cd", "sudo") or "/" in first or shutil.which(first) is not None or "_" in first
    ) and "->" not in line  # fmt: skip


COMMANDS = commands()
OURS = [c for c in COMMANDS if c.command.startswith("emulator ")]
SHORT = [c for c in OURS if QUICK.fullmatch(c.command) and c.command not in {*LONG, *IN_TESTS, *NOT_HERE}]


def checkout_of(pages: list[Path], folder: Path) -> Path:
    """What the reader has: the scenarios, a rig and a circuit of one's own, what pages say to save."""
    shutil.copytree(ROOT / "scenarios", folder / "scenarios")
    shutil.copy(ROOT / "scenarios" / "circuits" / "ostrevel.yaml", folder / "my.yaml")
    for name in ("runs", "rigs"):
        (folder / name).mkdir()
    external = "based_on: ../scenarios/rigs/loopback.yaml\ndevice_under_test: {kind: external}\n"
    (folder / "rigs" / "mine.yaml").write_text(external)
    for page in pages:
        for name, text in SAVED.findall(page.read_text()):
            (folder / name).write_text(text)
    return folder


@pytest.fixture(scope="module")
def checkout(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return checkout_of(PAGES, tmp_path_factory.mktemp("newcomer"))


def test_every_command_is_carried_out_or_it_is_said_why_not() -> None:
    lists = [LONG, BY_SHELL, IN_TESTS, NOT_HERE]
    told = [command for one in lists for command in one]
    assert len(told) == len(set(told)), "in two lists"
    shown = {c.command for c in COMMANDS}
    assert len(shown) > 30
    assert set(told) - shown == set(), "no page shows these any more"
    others = shown - {c.command for c in SHORT} - set(told)
    assert others == set(), "nothing carries these out: name a test in IN_TESTS, or the reason in NOT_HERE"
    assert set(ENDS_WITH) <= shown
    for test in IN_TESTS.values():
        file, _, name = test.partition("::")
        assert re.search(rf"^def {name}\(", (ROOT / file).read_text(), re.MULTILINE), test


def parsed(words: list[str]) -> Iterator[str]:
    """What a command was given, by value; an error if it does not take it."""
    command, name = get_command(command_line()), "emulator"
    while hasattr(command, "commands"):
        name, *words = words
        assert name in command.commands, f"emulator {name}: no such command"
        command = command.commands[name]
    context = command.make_context(name, list(words))
    yield from (str(value) for value in context.params.values() if value is not None)


@pytest.mark.parametrize("shown", OURS, ids=lambda c: f"{c.page}: {c.command}")
def test_it_is_a_command_with_these_options_and_its_files_are_there(
    shown: Shown, checkout: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(checkout)
    words = shlex.split(shown.command.partition(" > ")[0])[1:]
    values = list(parsed(words))
    assert values
    for value in values:
        file = re.sub(r"(?<=\.py):\w+$", "", value)  # a class in a file
        if file.endswith((".yaml", ".gpx", ".csv", ".py")) and file not in CUT_BEFORE:
            assert Path(file).is_file(), f"{shown.page} names {file}, which is not there"


def test_a_wrong_option_would_be_found() -> None:
    with pytest.raises(Exception, match="No such option"):
        list(parsed(["check", "x.yaml", "--rigg", "y.yaml"]))


@pytest.mark.slow
@pytest.mark.parametrize("shown", dict.fromkeys(SHORT), ids=lambda c: f"{c.page}: {c.command}")
def test_it_ends_as_its_page_says(
    shown: Shown, checkout: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In the order of the page, as what one writes the next one reads."""
    monkeypatch.chdir(checkout)
    status = emulator_command(*shlex.split(shown.command)[1:])
    said = capsys.readouterr()
    assert status == ENDS_WITH.get(shown.command, 0), said.out + said.err


@pytest.mark.parametrize("command", BY_SHELL)
def test_another_program_takes_it(command: str, checkout: Path) -> None:
    done = subprocess.run(
        ["bash", "-e", "-c", command], cwd=checkout, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr


def run(words: str, folder: Path, given: str = "") -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-m", *shlex.split(words)],
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdin
    process.stdin.write(given)
    process.stdin.close()
    process.stdin = None
    return process


@pytest.mark.timing
@pytest.mark.parametrize("command", LONG)
def test_a_long_one_comes_to_its_end(command: str, checkout: Path) -> None:
    process = run(f"{command} --yes" if "rehearse" in command else command, checkout)
    said, _ = process.communicate(timeout=280)
    # 2: this machine keeps no promise, which is told
    assert process.returncode in ((ENDS_WITH[command],) if command in ENDS_WITH else (0, 2)), said


@pytest.mark.timing
def test_bench_and_robot_ride_from_two_terminals(checkout: Path) -> None:
    """The robot is started first, and waits; the machine may be too slow for a verdict that counts."""
    ride = "scenarios/runs/short_bend.yaml --rig runs/apart.yaml"
    robot = run(f"emulator robot {ride}", checkout)
    bench = run(f"emulator run {ride} --out runs/apart", checkout)
    said, _ = bench.communicate(timeout=120)
    heard, _ = robot.communicate(timeout=30)
    assert bench.returncode in (0, 2), said
    assert robot.returncode == 0, heard
    assert "the bus is gone" in heard
    assert "armed -> running" in (checkout / "runs" / "apart" / "events.jsonl").read_text()
