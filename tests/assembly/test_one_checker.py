"""``check SCENARIO --rig RIG`` and ``run`` refuse the same, in the same words, before anything is opened."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from emulator.assembly.check import check, check_on_rig
from emulator.assembly.session import load_session
from emulator.core.errors import ConfigError
from emulator.inspection.sensors.capture import level_session
from tests.support.broken_rigs import BROKEN, DBC, RIG, RUN, Broken, renamed_signals
from tests.support.command_line import Said, emulator_command, let_nothing_start, said

SHIPPED = Path(__file__).parents[2] / "scenarios"


@pytest.fixture
def files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of the shipped files, to stand in; nothing can start."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(SHIPPED, tmp_path, dirs_exist_ok=True)
    (tmp_path / "rigs" / "secret.txt").write_text("a password of one line\n")
    let_nothing_start(monkeypatch)
    return tmp_path


@pytest.fixture
def both(capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, list[Said], list[Said]]]:
    """Exit status that both end with, what check says and what run says."""

    def ask(*options: str) -> tuple[int, list[Said], list[Said]]:
        before = sorted(Path().rglob("*"))
        capsys.readouterr()
        checked = emulator_command("check", RUN, "--rig", RIG, *options)
        check_says = said(capsys.readouterr().out)
        ran = emulator_command("run", RUN, "--rig", RIG, *options)
        told = capsys.readouterr()
        assert checked == ran
        assert sorted(Path().rglob("*")) == before
        assert f"{len(check_says)} problem" in told.err
        return ran, check_says, said(told.err)

    return ask


def name_of(broken: Broken) -> str:
    return f"{Path(broken.file).name}: {re.sub(chr(10), ' ', broken.new)[:50]}"


def put(broken: Broken) -> None:
    text = Path(broken.file).read_text()
    assert text.count(broken.old) == 1, broken.old
    Path(broken.file).write_text(text.replace(broken.old, broken.new))


@pytest.mark.parametrize("broken", BROKEN, ids=name_of)
@pytest.mark.usefixtures("files")
def test_check_and_run_refuse_alike(
    broken: Broken, both: Callable[..., tuple[int, list[Said], list[Said]]]
) -> None:
    put(broken)
    status, check_says, run_says = both()
    assert status == 3
    assert check_says == run_says
    assert run_says[0].file == broken.told_in
    at = 0
    for word in broken.words:
        at = run_says[0].text.find(word, at)
        assert at >= 0, (word, run_says[0].text)
    (stepped,) = check_on_rig([RUN], RIG, virtual=True)
    assert (stepped.problems == []) == broken.bench_only
    if broken.bench_only:
        load_session(Path(RIG), Path(RUN))


HOOK = "from emulator import Hook\n\n\nclass Mine(Hook):\n    def look(self, ride):\n        pass\n"


@pytest.mark.parametrize(
    ("text", "key", "words"),
    [
        (HOOK.replace("ride):", "ride:"), "hook.file", "expected a Python file; line 5 of runs/mine.py"),
        (HOOK + "\0", "hook.file", "expected a Python file"),
        (HOOK.replace("Mine", "Mina"), "hook.name", "(one of Mina), got 'Mine', did you mean 'Mina'?"),
        ("", "hook.name", "(it has none), got 'Mine'"),
        (None, "hook.file", "no such file: runs/mine.py"),
        (HOOK, "", ""),
        ("raise SystemExit\n" + HOOK, "", ""),  # it is not run to be checked
        ("from others import Mine\n", "", ""),
        ("from others import *\n", "", ""),
        ("import others\n\nMine = others.Theirs\n", "", ""),
    ],
)
def test_a_hook_that_can_not_be_one(
    files: Path,
    both: Callable[..., tuple[int, list[Said], list[Said]]],
    text: str | None,
    key: str,
    words: str,
) -> None:
    run = files / RUN
    run.write_text(f"{run.read_text()}\nhook: {{file: mine.py, name: Mine}}\n")
    if text is not None:
        (files / "runs/mine.py").write_text(text)
    if not key:
        (found,) = check_on_rig([RUN], RIG, virtual=True)
        assert found.problems == []
        assert "what the program mine.py does: a run starts it, a check does not" in found.unchecked
        return
    status, check_says, run_says = both()
    assert (status, check_says) == (3, run_says)
    assert run_says[0].text.startswith(f"{key}: ")
    assert words in run_says[0].text


RENAMED = [
    *renamed_signals(
        str(SHIPPED / DBC), ("steering", "drive", "gear", "estimate_pose", "estimate_motion", "lean")
    )
]


@pytest.mark.parametrize(("signal", "text"), RENAMED, ids=[name for name, _ in RENAMED])
def test_a_renamed_signal_passes_neither(files: Path, signal: str, text: str) -> None:
    (files / DBC).write_text(text)
    frame, _, name = signal.partition(".")
    found = check([RIG])[0].problems
    with pytest.raises(ConfigError) as refused:
        load_session(Path(RIG), Path(RUN))
    assert refused.value.problems == found
    assert {p.key for p in found} & {f"{frame}.{name}_x", f"outputs.{frame}"}
    with pytest.raises(ConfigError) as sensors:
        level_session(Path(RIG))
    assert sensors.value.problems == found


def test_every_signal_of_the_robot_is_renamed_there() -> None:
    assert len(RENAMED) == 14


def test_shipped_scenarios_pass_both_on_their_rig(files: Path) -> None:
    (found,) = check_on_rig([RUN], RIG)
    session = load_session(files / RIG, files / RUN, stage="bench")
    assert found.problems == []
    assert [w.expected for w in found.warnings] == [w.expected for w in session.warnings]
    assert found.kind == f"scenario on {RIG}"


def test_what_files_can_not_tell_is_named(files: Path) -> None:
    rig = files / RIG
    text = rig.read_text()
    (alone,) = check([RIG])[:1]
    assert "emulator check SCENARIO --rig RIG" in alone.unchecked[0]
    (scenario,) = check([RUN])[:1]
    assert "--rig RIG" in scenario.unchecked[0]
    assert "signals and frames of its events" in scenario.unchecked[0]
    text = text.replace(
        "  kind: loopback\n  host: 127.0.0.1\n  port: 0", "  kind: socketcan\n  channel: can7 #"
    )
    text = text.replace("  kind: pty\n", "  kind: serial\n  device: /dev/ttyS7\n  baud: 115200\n")
    text = text.replace("kind: reference", "kind: external")
    rig.write_text(text.replace("limits:\n", "telemetry: {kind: mqtt, host: 127.0.0.1}\nlimits:\n"))
    (found,) = check_on_rig([RUN], RIG)
    told = " ".join(found.unchecked)
    assert found.problems == []
    for words in ("CAN interface can7", "/dev/ttyS7 is there, free", "priority", "broker on 127.0.0.1:1883"):
        assert words in told
    assert "reference robot" not in told
    (nobody,) = check_on_rig([RUN], RIG, virtual=True)
    assert [p.key for p in nobody.problems] == ["device_under_test.kind"]
    own = "kind: external\n  virtual: {kind: python, file: ../robots/plain_rider.py, name: PlainRider}"
    for who, words in (
        (own, "what the robot's software does"),
        ("kind: reference", "whether the reference robot can hold this vehicle up"),
    ):
        rig.write_text(text.replace("kind: external", who))
        (stepped,) = check_on_rig([RUN], RIG, virtual=True)
        assert [said.partition(":")[0] for said in stepped.unchecked] == [words]


def test_the_command_line_says_so_too(files: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert emulator_command("check", RUN) == 0
    assert "not checked here: how it meets a rig" in capsys.readouterr().out
    assert emulator_command("check", RUN, "--rig", RIG) == 0
    told = capsys.readouterr().out
    assert f"{RUN}: scenario on {RIG}, no problems" in told
    assert "not checked here: whether this host grants" in told
    assert emulator_command("check", RUN, "--virtual") == 3


def test_a_problem_of_the_rig_is_told_once_for_many_scenarios(files: Path) -> None:
    put(next(broken for broken in BROKEN if broken.new == "dbc: none.dbc"))
    runs = [RUN, "runs/slalom.yaml", "circuits/ostrevel.yaml"]
    first, second, circuit = check_on_rig(runs, RIG)
    assert [p.key for p in first.problems] == ["dbc"]
    assert second.problems == first.problems  # it can't be ridden either
    assert (circuit.kind, circuit.problems) == ("circuit", [])


def test_a_rig_that_opens_itself_to_the_network_is_warned_of(files: Path) -> None:
    def warned(old: str, new: str) -> list[str]:
        text = (SHIPPED / RIG).read_text()
        assert old in text
        (files / RIG).write_text(text.replace(old, new))
        alone, ridden = check([RIG])[0].warnings, check_on_rig([RUN], RIG)[0].warnings
        assert alone == [w for w in ridden if w.file == RIG]
        assert load_session(Path(RIG), Path(RUN)).warnings == []  # nothing is opened on the stepped clock
        return [f"{w.key}: {w.expected}" for w in alone]

    host = "host: 127.0.0.1"
    for everyone in ("0.0.0.0", '"::"'):
        (text,) = warned(host, f"host: {everyone}")
        assert text.startswith("bus.host: everyone on every network of this machine can join")
    for other in ("192.168.7.2", "bench.local"):
        (text,) = warned(host, f"host: {other}")
        assert text.startswith("bus.host: ")
        assert other in text
    for own in ("127.0.0.2", '"::1"', "localhost"):
        assert warned(host, f"host: {own}") == []
    mqtt = "telemetry: {kind: mqtt, host: %s}\nlimits:\n"
    (text,) = warned("limits:\n", mqtt % "broker.local")
    assert text.startswith("telemetry.host: ")
    assert "without a name" in text
    assert warned("limits:\n", mqtt % "127.0.0.1") == []
    signed_in = "broker.local, username: bench, password_file: secret.txt"
    (text,) = warned("limits:\n", mqtt % signed_in)
    assert "without ca_file" in text


def test_limits_that_just_fit(files: Path) -> None:
    rig = files / RIG
    text = rig.read_text().replace("command_timeout_ms: 150.0", "command_timeout_ms: 110.0")
    rig.write_text(text.replace("heartbeat_timeout_ms: 200.0", "heartbeat_timeout_ms: 120.0"))
    limits = load_session(rig, files / RUN, stage="bench").rig.limits
    assert (limits.command_timeout_ms, limits.heartbeat_timeout_ms) == (110.0, 120.0)


def test_what_was_ridden_before_a_stretch_had_to_be_said_is_replayed(files: Path) -> None:
    run = files / RUN
    text = run.read_text()
    assert text.count("      from_m: 820.0\n      to_m: 860.0\n") == 1
    run.write_text(text.replace("      from_m: 820.0\n", "      from_m: 2500.0\n"))
    with pytest.raises(ConfigError, match=r"surface\.patches\.0\.to_m: .* or across_start: true"):
        load_session(files / RIG, run)
    again = load_session(files / RIG, run, stage="replay")
    assert (again.road.from_m.tolist(), again.road.to_m.tolist()) == ([2500.0], [860.0])
