"""The command line: what it says, and the exit status of every way out."""

import json
import os
import re
import shutil
import socket
import subprocess
import sys
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import pytest

from emulator.assembly import session as session_module
from emulator.cli import app as cli
from emulator.cli.output import CAUTION as CAUTION_ON_SCREEN
from emulator.core.errors import DeviceAbsent, InternalError, RunFailed
from emulator.inspection.sensors import capture as sensor_record_module
from emulator.inspection.sensors import page as sensor_page_module
from emulator.inspection.sensors import survey as survey_module
from emulator.report.run_report import CAUTION
from emulator.runs import one as ride_module
from emulator.stages import precompile as warm_module
from emulator.verdict.judge import Verdict

SCENARIOS = Path(__file__).parents[2] / "scenarios"
README = Path(__file__).parents[2] / "README.md"
VEHICLE = SCENARIOS / "vehicles" / "demo_racer.yaml"
RIG, RUN = SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "first_lap.yaml"
COMMANDS = (
    *("run", "check", "line", "interface", "list", "schema", "report", "replay", "modes", "sensors", "host"),
    *("warm", "circuit"),
)


class Answer:
    def __init__(self, status, out, err):
        self.status, self.out, self.err = status, out, err

    @property
    def text(self):
        """All of it on one line."""
        return " ".join((self.out + " " + self.err).split())


@pytest.fixture
def emulator(monkeypatch, capfd, tmp_path):
    """Type a command; nothing of it may be a traceback unless asked for."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "110")

    def type_in(*words, traceback=False):
        monkeypatch.setattr(sys, "argv", ["emulator", *map(str, words)])
        with pytest.raises(SystemExit) as stop:
            cli.app()
        out, err = capfd.readouterr()
        assert ("Traceback" in out + err) == traceback, out + err
        return Answer(stop.value.code, out, err)

    return type_in


@pytest.fixture
def files(tmp_path):
    """The demo files, cut to a ride of a second and a half, to be spoilt."""
    shutil.copytree(SCENARIOS, tmp_path / "files")
    spoil(tmp_path / "files" / "runs" / "first_lap.yaml", "duration_limit_s: 180.0", "duration_limit_s: 1.5")
    spoil(
        tmp_path / "files" / "runs" / "first_lap.yaml",
        "    from_s: 12.0 # by then it has caught up with the target of a flying lap\n",
        "",
    )
    # a handful of epochs with drawn jitter would be judged as if it were a statistic
    spoil(tmp_path / "files" / "rigs" / "loopback.yaml", "    jitter_ms: 4.0\n", "")
    return tmp_path / "files"


def spoil(path, old, new):
    text = path.read_text()
    assert text.count(old) == 1, f"{old!r} {text.count(old)} times in {path}"
    path.write_text(text.replace(old, new))


def words(files):
    return files / "runs" / "first_lap.yaml", "--rig", files / "rigs" / "loopback.yaml"


# ---- help --------------------------------------------------------------------------------------------------


def test_help_teaches_the_commands_and_the_exit_statuses(emulator):
    answer = emulator("--help")
    assert answer.status == 0
    for command in COMMANDS:
        assert re.search(rf"^\s+{command}\s+\w+", answer.out, re.MULTILINE)
    assert re.search(
        r"Exit status: 0 pass, 1 fail\b.*, 2 invalid\b.*, 3 error\b.*, 4 .*, 5 stopped by hand", answer.text
    )
    start = "emulator run scenarios/runs/first_lap.yaml --rig scenarios/rigs/loopback.yaml --virtual"
    assert start in answer.text


def test_short_help_and_version(emulator):
    assert emulator("-h").out == emulator("--help").out
    assert emulator("run", "-h").status == 0
    answer = emulator("--version")
    assert (answer.status, answer.out.strip()) == (0, metadata.version("emulator"))


@pytest.mark.parametrize(
    ("command", "told"),
    [
        ("schema", ["JSON Schema"]),
        (
            "run",
            ["--quiet", "--json", "--set", "--rig", "--virtual", "--seed", "--out", "Ctrl-C", "same seed"],
        ),
        ("check", ["file:line:column", "Exit status 0"]),
        ("report", ["RUN", "cut short"]),
        (
            "replay",
            ["RUN", "--rig", "--scenario", "--vehicle", "--out", "bit for bit", "1 if anything differs"],
        ),
        ("modes", ["--speeds", "--lean", "--rig", "--out", "weave, wobble and capsize", "delay margin"]),
        (
            "sensors",
            [
                "--measure",
                "--seconds",
                "--turn",
                "--ride",
                "--seed",
                "--out",
                "error budget",
                "1 if anything differs",
            ],
        ),
        ("warm", ["Compile"]),
        ("line", ["--rig", "--step-m", "--set", "--out", "GeoJSON", "WGS 84"]),
        ("list", ["--json", "signals", "outputs", "criteria", "faults", "keys of such a file"]),
        ("host", ["--seconds", "kept", "Exit status 0"]),
    ],
)
def test_help_of_a_command_says_what_it_does_and_takes(emulator, command, told):
    answer = emulator(command, "--help")
    assert answer.status == 0
    for each in told:
        assert each in answer.text
    # no option without a word about it
    for line in re.findall(r"^\s+--\S+.*$", answer.out, re.MULTILINE):
        assert len(line.split()) >= 3, line


def test_no_words_at_all_show_the_help(emulator):
    answer = emulator()
    assert answer.status == 3
    assert "Commands:" in answer.out + answer.err


# ---- what is typed wrong -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["ride"], "No such command 'ride'"),
        (["run", "--fast"], "No such option"),
        (["run"], "Missing argument"),
        (["run", "a.yaml"], "Missing option"),
        (["run", "a.yaml", "--rig", "b.yaml", "--seed", "many"], "--seed"),
        (["run", "a.yaml", "--rig", "b.yaml", "--seed", "-1"], "--seed"),
        (["check"], "Missing argument"),
        (["check", "--loud", "a.yaml"], "No such option"),
        (["report"], "Missing argument"),
        (["warm", "more"], "unexpected extra argument"),
        (["modes"], "Missing argument"),
        (["modes", VEHICLE, "--speeds", "10-250"], r"--speeds: .*FROM:TO:STEP in km/h.*'10-250'"),
        (["modes", VEHICLE, "--speeds", "0:100:5"], r"--speeds: .* 0 < FROM <= TO .*'0:100:5'"),
        (["modes", VEHICLE, "--speeds", "10:100:0"], r"--speeds: .*STEP above 0 .*'10:100:0'"),
        (["modes", VEHICLE, "--speeds", "10:100:0.001"], r"--speeds: .* 1000 steps.*'10:100:0\.001'"),
        (["modes", VEHICLE, "--speeds", "nan:100:5"], r"--speeds: .* 0 < FROM .*'nan:100:5'"),
        (["modes", VEHICLE, "--lean", "steep"], "--lean"),
        (["modes", VEHICLE, "--lean", "85", "--speeds", "40:50:10"], r"--lean: .* 80 deg\b.* 85\b"),
        (
            ["modes", VEHICLE, "--lean", "5", "--lean", "5", "--speeds", "40:50:10"],
            r"--lean: .*\bonce\b.* 5 2 times",
        ),
        (["modes", RIG, "--rig", RIG], r"vehicle file beside --rig\b.*loopback\.yaml"),
        (["sensors"], "Missing argument"),
        (["sensors", RIG, "--out", "no/such/page.html"], r"--out: .* no/such/page\.html$"),
        (["sensors", RIG, "--out", "."], r"--out: .* \.$"),
        (["sensors", RIG, "--turn", "72"], r"--turn: .*SPEED:LEAN.*'72'$"),
        (["sensors", RIG, "--turn", "72:80"], r"--turn: .* 1 to 65 deg\b.*'72:80'$"),
        (["sensors", RIG, "--turn", "nan:30"], r"--turn: .* 5 to 450 km/h\b.*'nan:30'$"),
        (["sensors", RIG, "--measure", "--turn", "72:64"], r"--turn: .*\bcan hold: .* 20\.00 m/s.*'72:64'"),
        (["sensors", RIG, "--seconds", "1"], "--seconds"),
    ],
)
def test_a_slip_of_the_fingers_is_status_3_with_a_word_of_help(emulator, typed, said):
    answer = emulator(*typed)
    assert answer.status == 3
    assert re.search(said, " ".join(answer.err.split()))
    assert "--help'" in answer.err


def test_missing_files_are_all_named(emulator, tmp_path):
    answer = emulator("run", "a.yaml", "--rig", "b.yaml")
    assert answer.status == 3
    assert "a.yaml:1:1: no such file" in answer.err
    assert "b.yaml:1:1: no such file" in answer.err
    assert "2 problems" in answer.err
    assert list(tmp_path.iterdir()) == []


def test_wrong_values_come_with_their_places_and_nothing_starts(emulator, files, tmp_path):
    spoil(files / "rigs" / "loopback.yaml", "rate_hz: 50.0", "rate_hz: 5000.0")
    spoil(files / "runs" / "first_lap.yaml", "laps: 1\n", "laps: none\n")
    answer = emulator("run", *words(files), "--out", tmp_path / "run")
    assert answer.status == 3
    assert re.search(r"loopback\.yaml:\d+:\d+: outputs\.emulator_state\.rate_hz: ", answer.err)
    assert re.search(r"first_lap\.yaml:\d+:\d+: laps: ", answer.err)
    assert not (tmp_path / "run").exists()


# ---- check -------------------------------------------------------------------------------------------------


def test_check_of_good_files_goes_on_to_those_they_name(emulator):
    answer = emulator("check", RIG, RUN)
    assert answer.status == 0
    for name, kind in (
        ("loopback.yaml", "rig"),
        ("demo_racer.yaml", "vehicle"),
        ("first_lap.yaml", "scenario"),
        ("ostrevel.yaml", "circuit"),
    ):
        assert re.search(rf"{name}: {kind}, no problems", answer.out)


def test_check_shows_every_problem_and_still_the_good_files(emulator, files):
    spoil(files / "rigs" / "loopback.yaml", "mass_kg: 45.0", "mass_kg: 4500.0")
    spoil(files / "circuits" / "ostrevel.yaml", "width_m: 11", "width_m: wide")
    answer = emulator(
        "check", files / "rigs" / "loopback.yaml", files / "runs" / "first_lap.yaml", "gone.yaml"
    )
    assert answer.status == 3
    assert re.search(r"loopback\.yaml:\d+:\d+: robot\.mass_kg: ", answer.out)
    assert re.search(r"ostrevel\.yaml:\d+:\d+: width_m: ", answer.out)
    assert "gone.yaml:1:1: no such file" in answer.out
    assert "first_lap.yaml: scenario, no problems" in answer.out


# ---- replay ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("typed", [("replay", "gone"), ("sensors", "gone.yaml", "--measure")])
def test_a_person_is_told_that_it_compiles_first(emulator, monkeypatch, typed):
    monkeypatch.setattr(warm_module, "compiling_first", lambda *, virtual: "compiling for this processor")
    answer = emulator(*typed)
    assert answer.status == 3  # there is nothing to look at
    assert answer.out.splitlines()[0] == "compiling for this processor"


@pytest.fixture
def ridden(emulator, files, tmp_path):
    assert emulator("run", *words(files), "--virtual", "--out", tmp_path / "run").status == 1
    shutil.rmtree(files / "runs")  # a run holds what it needs
    return tmp_path / "run"


def test_replay_says_that_all_agrees_where_it_differs_and_why_it_can_not_be(emulator, ridden, files):
    answer = emulator("replay", ridden, "--out", ridden.with_name("again"))
    assert answer.status == 0
    counts = r"[1-9]\d* rows\b.* [1-9]\d* frames\b.* \d+ GNSS epochs\b.* [1-9]\d* events\b"
    assert re.search(rf"\bsame up to \d\.\d{{3}} s: {counts}", answer.text)
    assert (ridden.with_name("again") / "report.html").exists()

    other = files / "vehicles" / "light_trainer.yaml"
    answer = emulator("replay", ridden, "--vehicle", other)
    assert answer.status == 0
    assert re.search(r"\bother files\b.*: [1-9]\d* .*\bdiffer\b", answer.text)
    assert re.search(r"truth\.load_front_N +-?\d\.\d+ s .* N +-?\d\.\d+ s", answer.out)

    spoil(ridden / "events.jsonl", '"text": "standby -> armed"', '"text": "standby -> alarmed"')
    answer = emulator("replay", ridden)
    assert answer.status == 1
    where = r"\bfirst at tick -\d+ \(-\d\.\d{3} s\): event: "
    assert re.search(
        where + r"recorded .*\bstandby -> alarmed\b.* replayed .*\bstandby -> armed\b", answer.text
    )

    spoil(ridden / "files" / "vehicles" / "demo_racer.yaml", "kind: vehicle", "kind:  vehicle")
    answer = emulator("replay", ridden)
    assert answer.status == 3
    assert re.search(r"\bdemo_racer\.yaml .*\bhash\b.*\bmanifest\.json\b.* what to do: ", answer.text)


def test_schema_prints_what_is_shipped(emulator):
    answer = emulator("schema", "circuit")
    assert (answer.status, answer.out) == (0, (SCENARIOS / "schemas" / "circuit.json").read_text())
    assert emulator("schema", "track").status == 3


BRAKING = RUN.parent / "braking.yaml"


@pytest.mark.parametrize("setting", ["grip", "grip=", "=1", "grip=wet", "grip=nan", "grip=1=2"])
def test_what_sets_nothing_is_status_3(emulator, setting):
    answer = emulator("check", BRAKING, "--set", setting)
    assert answer.status == 3
    assert re.search(rf"--set: .*NAME=NUMBER.*'{re.escape(setting)}'", answer.text)


def test_check_takes_values_of_parameters(emulator):
    assert emulator("check", BRAKING, "--set", "grip=0.9", "--set", "deceleration=4").status == 0
    answer = emulator("check", BRAKING, "--set", "grip=0.4")
    assert answer.status == 3
    # 0.4 * 9.80665 m/s2
    where = r"\bbraking\.yaml:\d+:\d+: manoeuvre\.deceleration_m_s2: "
    assert re.search(where + r".* 3\.92 m/s2\b.* grip 0\.4 .* 6\b", answer.text)
    answer = emulator("check", BRAKING, "--set", "grap=0.4")
    assert answer.status == 3
    where = r"\bbraking\.yaml:\d+:\d+: parameters: "
    assert re.search(where + r".*'grap'.*\bdeceleration, grip\b.*'grip'\?", answer.text)
    answer = emulator("check", BRAKING, "--set", "grip=1", "--set", "grip=1.1")
    assert answer.status == 3


# ---- run ---------------------------------------------------------------------------------------------------


def test_a_quiet_run_says_its_result_in_a_line_and_json_is_for_programs(emulator, files, tmp_path):
    answer = emulator("run", *words(files), "--virtual", "--quiet", "--out", tmp_path / "quiet")
    assert answer.out.splitlines() == [f"✗ FAIL {tmp_path / 'quiet'}"]
    told = emulator("run", *words(files), "--virtual", "--json", "--out", tmp_path / "json")
    assert (told.status, told.err) == (answer.status, "")
    verdict = json.loads(told.out)
    assert verdict.pop("folder") == str(tmp_path / "json")
    assert verdict == json.loads((tmp_path / "json" / "verdict.json").read_text())
    assert emulator("run", *words(files), "--virtual", "--json", "--quiet").status == 3


def test_a_virtual_run_ends_with_its_verdicts_status(emulator, files, tmp_path):
    answer = emulator("run", *words(files), "--virtual", "--seed", "4", "--out", tmp_path / "run")
    assert answer.status == 1  # cut short by its time limit
    assert "time limit" in answer.text
    assert "(virtual, seed 4)" in answer.out
    assert "not a safety function" not in answer.out  # nothing moves
    assert str(tmp_path / "run" / "report.html") in answer.out
    assert json.loads((tmp_path / "run" / "manifest.json").read_text())["seed"] == 4


def test_a_rig_that_can_not_keep_its_promise_is_invalid(emulator, files, tmp_path):
    spoil(files / "rigs" / "loopback.yaml", "age_p99_ms: 3.0", "age_p99_ms: 0.001")
    answer = emulator("run", *words(files), "--virtual", "--out", tmp_path / "run")
    assert answer.status == 2
    assert json.loads((tmp_path / "run" / "verdict.json").read_text())["result"] == "invalid"


@pytest.mark.parametrize(
    ("result", "status"), [("pass", 0), ("fail", 1), ("invalid", 2), ("error", 4)], ids=str
)
def test_every_verdict_has_its_status(emulator, files, tmp_path, monkeypatch, record, result, status):
    def judged(session, paths, folder, **options):
        shutil.copytree(record, folder)
        return Verdict(result, ["as the test says"], [])

    monkeypatch.setattr(ride_module, "ride", judged)
    assert emulator("run", *words(files), "--virtual", "--out", tmp_path / "run").status == status


def test_without_a_folder_given_each_run_gets_a_new_one(emulator, files, tmp_path, monkeypatch, record):
    def ridden(session, paths, folder, **options):
        shutil.copytree(record, folder)
        return Verdict("pass", [], [])

    monkeypatch.setattr(ride_module, "ride", ridden)
    for _ in range(2):
        emulator("run", *words(files), "--virtual")
    made = sorted(path.name for path in (tmp_path / "runs").iterdir())
    assert len(made) == 2
    assert all(re.fullmatch(r"\d{8}-\d{6}-first_lap-virtual(-2)?", name) for name in made)


def test_a_folder_that_holds_something_is_left_alone(emulator, files, tmp_path):
    for virtual in (["--virtual"], []):
        answer = emulator("run", *words(files), *virtual, "--out", files)
        assert (answer.status, answer.out) == (3, "")
        assert "already holds files; name a new folder" in answer.err
    assert not (files / "manifest.json").exists()


@pytest.mark.parametrize("place", ["screen", "report", "README.md"])
def test_the_caution_says_all_of_it_wherever_it_stands(place):
    text = {"screen": CAUTION_ON_SCREEN, "report": CAUTION}.get(place) or README.read_text()
    text = " ".join(text.replace("*", "").replace("\n> ", " ").split()).lower()
    for words in (
        "not a safety function",
        "hardware emergency stop",
        "guards",
        "distance",
        "iso 12100",
        "iso 13849-1",
        "iec 60204-1",
        "never connect the emulated bus to a bike that can move",
        "local rules",
        "licensed practice",
    ):
        assert words in text


def test_a_hold_makes_no_sense_where_nothing_moves(emulator, files):
    answer = emulator("run", *words(files), "--virtual", "--hold")
    assert answer.status == 3
    assert re.search(r"--hold: .*--virtual\b", answer.text)


def test_in_real_time_a_taken_port_is_status_4_after_the_caution(emulator, files, tmp_path):
    cpus = os.sched_getaffinity(0)
    try:
        with socket.create_server(("127.0.0.1", 0)) as other:
            port = other.getsockname()[1]
            spoil(files / "rigs" / "loopback.yaml", "port: 0 # any free one", f"port: {port}")
            answer = emulator("run", *words(files), "--out", tmp_path / "run")
    finally:
        os.sched_setaffinity(0, cpus)
    assert answer.status == 4
    assert "not a safety function" in answer.out
    assert f"listen on 127.0.0.1:{port}:" in answer.err
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("error", "status", "said", "traceback"),
    [
        (DeviceAbsent("can0 is not there", advice="plug it in"), 4, "what to do: plug it in", False),
        (InternalError("a state that can't be"), 4, "internal error: a state that can't be", False),
        (KeyboardInterrupt(), 5, "stopped by hand", False),
        (ZeroDivisionError("division by zero"), 4, "internal error: please report", True),
        (OSError(28, "No space left on device"), 4, "No space left on device", False),
    ],
    ids=lambda v: type(v).__name__ if isinstance(v, BaseException) else "",
)
def test_whatever_goes_wrong_inside_is_never_taken_for_a_verdict(
    emulator, monkeypatch, error, status, said, traceback
):
    def broken(*_args, **_options):
        raise error

    monkeypatch.setattr(session_module, "load_session", broken)
    answer = emulator("run", RUN, "--rig", RIG, "--virtual", traceback=traceback)
    assert answer.status == status
    assert said in answer.err


def test_ctrl_c_while_a_command_is_still_read_in_is_no_bug(emulator, monkeypatch):
    """Half a second of it before anything has been looked at."""

    def interrupted(_):
        raise KeyboardInterrupt

    cli.command_line.cache_clear()
    monkeypatch.setattr(cli, "import_module", interrupted)
    answer = emulator("run", RUN, "--rig", RIG, "--virtual")
    assert answer.status == 5
    assert "stopped by hand" in answer.err


def test_ctrl_c_before_there_is_a_command_line_is_told_in_a_line():
    code = """
import sys
class Slow:
    def find_spec(self, name, *_):
        if name == "emulator.cli.app":
            raise KeyboardInterrupt
sys.meta_path.insert(0, Slow())
from emulator.__main__ import main
main()
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (5, "stopped by hand; nothing was started\n")


@pytest.mark.parametrize("module", ["emulator.cli.app", "emulator.assembly.session"])
def test_ctrl_c_while_text_is_executed_is_status_5_too(module, tmp_path):
    """Python notes it there, and ended ``python -m`` with -2 whatever had been made of it."""
    code = f"""
import sys
class Ended:
    def find_spec(self, name, *_):
        if name == "{module}":
            exec("raise KeyboardInterrupt")
sys.meta_path.insert(0, Ended())
from emulator.__main__ import main
sys.argv = ["emulator", "run", "nowhere.yaml", "--rig", "nowhere.yaml", "--virtual"]
main()
"""
    (tmp_path / "ended.py").write_text(code)
    paths = os.pathsep.join([str(tmp_path), *filter(None, sys.path)])
    done = subprocess.run(
        [sys.executable, "-m", "ended"],
        env=os.environ | {"PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 5, done.stderr
    assert done.stderr.startswith("stopped by hand")


@pytest.mark.parametrize("ignored", [False, True])
def test_a_terminal_that_closes_stops_a_command_unless_it_was_told_to_go_on(ignored):
    code = f"""
import os, signal, sys
signal.signal(signal.SIGHUP, signal.SIG_IGN if {ignored} else signal.SIG_DFL)
class Closed:
    def find_spec(self, name, *_):
        if name == "emulator.assembly.session":
            os.kill(os.getpid(), signal.SIGHUP)
            os.kill(os.getpid(), signal.SIGHUP)
sys.meta_path.insert(0, Closed())
from emulator.__main__ import main
sys.argv = ["emulator", "run", "nowhere.yaml", "--rig", "nowhere.yaml", "--virtual"]
main()
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == (3 if ignored else 5), done.stderr


@pytest.mark.parametrize("module", ["emulator.cli.app", "emulator.assembly.session"])
def test_a_terminal_that_is_gone_takes_no_status_from_a_command(module):
    """1 would be a fail of the robot; the words have nobody to read them."""
    code = f"""
import os, signal, sys
signal.signal(signal.SIGHUP, signal.SIG_DFL)
class Closed:
    def find_spec(self, name, *_):
        if name == "{module}":
            os.kill(os.getpid(), signal.SIGHUP)
sys.meta_path.insert(0, Closed())
from emulator.__main__ import main
sys.argv = ["emulator", "run", "nowhere.yaml", "--rig", "nowhere.yaml", "--virtual"]
main()
"""
    reader, gone = os.pipe()
    os.close(reader)  # as a terminal that was closed: every write is refused
    with os.fdopen(gone, "wb", 0) as nobody:
        done = subprocess.run([sys.executable, "-c", code], stdout=nobody, stderr=nobody, check=False)
    assert done.returncode == 5


@pytest.mark.parametrize("module", ["emulator.cli.app", "emulator.assembly.session"])
def test_a_command_that_is_told_to_end_before_its_ride_says_so(module):
    """Be it while the command line is read in, or while files are."""
    code = f"""
import os, signal, sys
class Ended:
    def find_spec(self, name, *_):
        if name == "{module}":
            os.kill(os.getpid(), signal.SIGTERM)
sys.meta_path.insert(0, Ended())
from emulator.__main__ import main
sys.argv = ["emulator", "run", "nowhere.yaml", "--rig", "nowhere.yaml", "--virtual"]
main()
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 5
    assert done.stderr.startswith("stopped by hand; ")
    assert len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize("chosen", [None, "2"])
def test_linear_algebra_has_one_thread_unless_told_otherwise(chosen):
    """More would only wait for each other over matrices as small as these."""
    environment = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    if chosen:
        environment["OPENBLAS_NUM_THREADS"] = chosen
    code = """
import os, sys, threading
from emulator.__main__ import main
assert "numpy" not in sys.modules
sys.argv = ["emulator", "schema", "circuit"]
try:
    main()
finally:
    assert "numpy" in sys.modules
    beside = len(os.listdir("/proc/self/task")) - threading.active_count() + 1  # one of ours hears Ctrl-C
    print(os.environ["OPENBLAS_NUM_THREADS"], beside, file=sys.stderr)
"""
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )
    asked_for, threads = done.stderr.split()
    assert asked_for == (chosen or "1")
    assert threads == "1" or chosen


def test_a_reader_that_went_away_is_no_verdict_either():
    reading, writing = os.pipe()
    os.close(reading)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "emulator", "check", RIG, RUN],
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    finally:
        os.close(writing)
    assert done.returncode == 4, done.stderr


# ---- report ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    """A run of a second and a half."""
    folder = tmp_path_factory.mktemp("cli") / "run"
    session = session_module.load_session(RIG, RUN)
    short = session.scenario.model_copy(update={"duration_limit_s": 1.5})
    session = type(session)(**{**session.__dict__, "scenario": short})
    ride_module.ride(session, (RIG, RUN), folder, virtual=True)
    return folder


@pytest.fixture
def a_run(record, tmp_path):
    return shutil.copytree(record, tmp_path / "run")


def test_report_is_written_anew(emulator, a_run):
    (a_run / "report.html").unlink()
    verdict = (a_run / "verdict.junit.xml").read_bytes()
    (a_run / "verdict.junit.xml").unlink()
    answer = emulator("report", a_run)
    assert answer.status == 0
    assert (a_run / "verdict.junit.xml").read_bytes() == verdict
    assert (a_run / "report.html").stat().st_size > 10_000
    assert "Timing certificate" in answer.out
    assert f"report: {a_run / 'report.html'}" in answer.out


def test_report_of_a_run_nobody_judged(emulator, a_run):
    for name in ("report.html", "verdict.json", "certificate.json"):
        (a_run / name).unlink()
    assert emulator("report", a_run).status == 0
    assert (a_run / "report.html").exists()


def test_report_of_a_record_cut_short_says_so(emulator, a_run):
    signals = a_run / "signals.arrow"
    with signals.open("r+b") as file:
        file.truncate(signals.stat().st_size * 2 // 3)
    answer = emulator("report", a_run)
    assert answer.status == 0
    assert "signals.arrow" in answer.out + (a_run / "report.html").read_text()


@pytest.mark.parametrize("what", ["gone", "a file", "an empty folder", "damaged"])
def test_report_of_what_is_no_run_is_status_3(emulator, a_run, tmp_path, what):
    path = tmp_path / "other"
    if what == "a file":
        path.write_text("")
    elif what == "an empty folder":
        path.mkdir()
    elif what == "damaged":
        path = a_run
        (a_run / "manifest.json").write_text("{")
    answer = emulator("report", path)
    assert answer.status == 3
    assert answer.err.startswith("error: ")


# ---- warm --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("options", "virtual"), [([], True), (["--bench"], False)])
def test_warm_says_what_took_how_long(emulator, monkeypatch, options, virtual):
    def compiled(**asked):
        assert asked == {"virtual": virtual}
        yield from (("vehicle", 12.34), ("loop", 0.5))

    monkeypatch.setattr(warm_module, "warm", compiled)
    answer = emulator("warm", *options)
    assert answer.status == 0
    assert "vehicle: 12.3 s" in answer.out
    assert "loop: 0.5 s" in answer.out
    assert re.search(r"\bready \(\d+\.\d s\)", answer.out)


# ---- modes -------------------------------------------------------------------------------------------------


def test_modes_of_a_rig_prints_both_tables_and_writes_the_page(emulator, tmp_path):
    answer = emulator("modes", RIG, "--speeds", "100:220:60", "--lean", "0", "--lean", "40")
    assert answer.status == 0
    assert "demo racer with reference robot, loopback bench" in answer.out
    assert re.search(r"upright\s+weave\s+[\d.]+ to [\d.]+ Hz", answer.out)
    assert re.search(r"upright\s+220\s+\d+\.\d ms\s+wobble, \d\.\d Hz", answer.out)
    assert "diagram: loopback-modes.html" in answer.out
    assert "<h1>demo racer with" in (tmp_path / "loopback-modes.html").read_text()


def test_modes_of_a_vehicle_alone_has_no_margins_and_says_why(emulator, tmp_path):
    alone = tmp_path / "alone.yaml"
    alone.write_bytes(VEHICLE.read_bytes())
    answer = emulator("modes", alone, "--speeds", "50:100:50", "--lean", "0", "--out", "page.html")
    assert answer.status == 0
    assert re.search(r"\bno delay margins\b.*\brig\b", answer.text)
    assert "until a root crosses" not in answer.out
    assert (tmp_path / "page.html").exists()


def test_modes_of_a_vehicle_takes_the_robot_of_the_rig_beside_it(emulator):
    answer = emulator("modes", VEHICLE, "--speeds", "50:100:50", "--lean", "0")
    assert answer.status == 0
    assert "until a root crosses" in answer.out
    assert re.search(r"\brobot and its timing\b.* \S*loopback\.yaml\b", answer.text)


def test_modes_of_a_vehicle_on_a_rig_has_margins(emulator):
    answer = emulator("modes", VEHICLE, "--rig", RIG, "--speeds", "50:100:50", "--lean", "0")
    assert answer.status == 0
    assert "until a root crosses" in answer.out


def test_modes_of_what_the_robot_can_not_ride_still_has_a_diagram(emulator, files):
    rig = files / "rigs" / "loopback.yaml"
    spoil(rig, "steering: torque_driven", "steering: angle_driven")
    answer = emulator("modes", rig, "--speeds", "50:100:50", "--lean", "0")
    assert answer.status == 0
    assert "until a root crosses" not in answer.out
    assert re.search(r"\bNo delay margins: .*\bno fork\b.*\bangle-driven\b", answer.text)


def test_modes_of_an_angle_driven_rig_hold_the_fork_and_tell_what_its_zero_is_worth(emulator):
    rig = RIG.with_name("angle_driven.yaml")
    answer = emulator("modes", rig, "--speeds", "50:100:50", "--lean", "0")
    assert answer.status == 0
    assert "Fork held" in answer.out
    assert re.search(r"wobble +– +no such mode", answer.out)
    assert "until a root crosses" in answer.out
    lean = re.search(
        r"off by 0\.1 deg .*? leans by ([\d.]+) deg at 50, ([\d.]+) deg at 100 km/h", answer.text
    )
    assert lean
    # ridden turns of 800 m and 1500 m: 1.46 and 5.72 deg for each 0.1 deg of steering
    assert float(lean[1]) == pytest.approx(1.46, rel=0.04)
    assert float(lean[2]) == pytest.approx(5.72, rel=0.04)


def test_modes_of_a_wrong_file_is_status_3_with_every_problem(emulator, files):
    spoil(
        files / "vehicles" / "demo_racer.yaml",
        "rake: {value: 24.0, unit: deg",
        "rake: {value: 24.0, unit: kg",
    )
    spoil(files / "rigs" / "loopback.yaml", "mass_kg: 45.0", "mass_kg: -45.0")
    vehicle, rig = files / "vehicles" / "demo_racer.yaml", files / "rigs" / "loopback.yaml"
    answer = emulator("modes", vehicle, "--rig", rig)
    assert answer.status == 3
    assert re.search(r"demo_racer\.yaml:\d+:\d+: steering\.rake", answer.err)
    assert re.search(r"loopback\.yaml:\d+:\d+: robot\.mass_kg", answer.err)
    assert emulator("modes", "nowhere.yaml").status == 3


def test_modes_without_any_steady_motion_is_status_3(emulator, files):
    vehicle = files / "vehicles" / "demo_racer.yaml"
    answer = emulator("modes", vehicle, "--speeds", "8:9:1", "--lean", "60")
    assert answer.status == 3
    assert re.search(r"\bdemo_racer\.yaml:\d+:\d+: .*\bturn steadily\b.* 2\.22 m/s\b", answer.text)


def test_modes_for_a_folder_that_is_not_there_are_refused_before_anything_is_worked_out(emulator):
    answer = emulator("modes", VEHICLE, "--speeds", "50:100:50", "--lean", "0", "--out", "no/such/page.html")
    assert answer.status == 3
    assert re.search(r"--out: .*\bno/such/page\.html\b", answer.text)
    assert answer.out == ""


# ---- sensors -----------------------------------------------------------------------------------------------


def test_sensors_prints_the_budget_and_writes_the_page(emulator, tmp_path):
    answer = emulator("sensors", RIG)
    assert answer.status == 0
    assert "Sensors of loopback bench" in answer.out
    assert re.search(
        r"rate_x_rad_s\s+rad/s\s+0.0003125\s+-10.2397 to 10.2397\s+0.00\d+\s+0.00\d+", answer.out
    )
    assert re.search(r"fixed \(in use\)\s+0.0121 m", answer.out)
    assert "Measured beside configured" not in answer.out
    assert "page: loopback-sensors.html" in answer.out
    assert [p.name for p in tmp_path.iterdir()] == ["loopback-sensors.html"]


def test_sensors_measured_as_configured_are_status_0_and_one_row_that_differs_makes_it_1(
    emulator, monkeypatch, tmp_path
):
    """That what differs is found is test_capture's business."""
    real, pages = survey_module.sensors_of, []

    def kept(*args, **options):
        pages.append(real(*args, **options))
        return pages[-1]

    monkeypatch.setattr(survey_module, "sensors_of", kept)
    answer = emulator("sensors", RIG, "--measure", "--seconds", "20", "--out", "page.html")
    assert answer.status == 0, answer.out
    assert re.search(r"All [1-9]\d* rows agree", answer.out)
    assert "differs" not in answer.out
    assert (tmp_path / "page.html").exists()

    (page,) = pages
    rows = [
        replace(row, measured=row.high + 1.0) if row.quantity.startswith("rate_x_rad_s,") else row
        for row in page.rows
    ]
    monkeypatch.setattr(survey_module, "sensors_of", lambda *_, **__: replace(page, rows=tuple(rows)))
    answer = emulator("sensors", RIG, "--measure", "--seconds", "20")
    assert answer.status == 1
    assert re.search(r"differs\s+rest\s+imu_rates\s+rate_x_rad_s,", answer.out)
    assert re.search(r"[1-9]\d* of \d+ rows differ", answer.out)
    assert "rows differ" in (tmp_path / "loopback-sensors.html").read_text()


def test_sensors_on_a_ride_need_one(emulator, files, ridden, tmp_path):
    answer = emulator("sensors", RIG, "--ride", "gone")
    assert answer.status == 3
    assert "gone is not a run folder" in answer.text
    answer = emulator("sensors", RIG, "--ride", ridden)  # in its support to the end
    assert answer.status == 3
    assert "nobody rides free" in answer.text
    assert not list(tmp_path.glob("*.html"))


def test_sensors_of_what_is_no_rig_is_status_3_with_every_problem(emulator, files, tmp_path):
    answer = emulator("sensors", VEHICLE)
    assert answer.status == 3
    assert re.search(r"demo_racer\.yaml:\d+:\d+: kind: expected rig", answer.err)
    assert emulator("sensors", "nowhere.yaml").status == 3
    spoil(files / "rigs" / "bench.dbc", "BO_ 258 lean: 8", "BO_ 258 leaning: 8")
    spoil(
        files / "vehicles" / "demo_racer.yaml",
        "rake: {value: 24.0, unit: deg",
        "rake: {value: 24.0, unit: kg",
    )
    answer = emulator("sensors", files / "rigs" / "loopback.yaml", "--measure")
    assert answer.status == 3
    assert re.search(r"loopback\.yaml:\d+:\d+: outputs\.lean: .*\bDBC\b.*'lean'", answer.err)
    assert re.search(r"demo_racer\.yaml:\d+:\d+: steering\.rake", answer.err)
    assert not list(tmp_path.glob("*.html"))


def test_sensors_on_a_disk_that_refuses_is_status_4_as_of_every_command(emulator, monkeypatch):
    def refuse(*_):
        raise RunFailed("page.html can't be written: no space left on device")

    monkeypatch.setattr(sensor_page_module, "write_whole", refuse)
    answer = emulator("sensors", RIG)
    assert answer.status == 4
    assert "no space left" in answer.err


def test_sensors_accuses_the_turn_of_nothing_but_a_turn_it_can_not_hold(emulator, monkeypatch):
    def broken(*_, **__):
        raise ValueError("operands could not be broadcast together")

    monkeypatch.setattr(survey_module, "sensors_of", broken)
    answer = emulator("sensors", RIG, "--measure", traceback=True)
    assert answer.status == 4
    assert "--turn" not in answer.text
    monkeypatch.undo()
    answer = emulator("sensors", RIG, "--turn", "fast:35")
    assert answer.status == 3
    assert "--turn: expected SPEED:LEAN, such as 72:35, got 'fast:35'" in answer.text


def test_sensors_interrupted_leave_no_page(emulator, monkeypatch, tmp_path):
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(sensor_record_module.Bench, "tick", interrupted)
    answer = emulator("sensors", RIG, "--measure")
    assert answer.status == 5
    assert "stopped by hand" in answer.err
    assert not list(tmp_path.iterdir())
