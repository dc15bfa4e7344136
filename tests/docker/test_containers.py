"""Images and compose files by their linters, and what each promises; ``make containers`` builds them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from ruamel.yaml import YAML

from emulator.config.rig.file import load_rig
from tests.docker import __main__ as docker
from tests.docker import podman
from tests.docker.__main__ import PATIENT, main
from tests.docker.compose_file import LEFT_OUT, services
from tests.docker.start_stages import SAID, Moment, moments, table

ROOT = Path(__file__).parents[2]
DOCKER = ROOT / "docker"
DOCKERFILES = [DOCKER / "Dockerfile", DOCKER / "broker" / "Dockerfile"]
COMPOSE = [DOCKER / "compose.yaml", DOCKER / "bench.yaml"]
TOOLS = Path(sys.executable).parent


def parsed(file: Path) -> dict[str, Any]:
    return dict(YAML(typ="safe").load(file.read_text()))


@pytest.mark.parametrize("dockerfile", DOCKERFILES, ids=["emulator", "broker"])
def test_it_passes_its_linter_without_exceptions(dockerfile: Path) -> None:
    assert "hadolint ignore" not in dockerfile.read_text()
    # an empty settings file, so that none of the user's own is found
    options = ("--no-color", "--config", os.devnull, "--failure-threshold", "style")
    result = subprocess.run(
        [TOOLS / "hadolint", *options, dockerfile], capture_output=True, text=True, timeout=60, check=False
    )
    assert result.returncode == 0, result.stdout + result.stderr


@pytest.mark.parametrize("dockerfile", DOCKERFILES, ids=["emulator", "broker"])
def test_it_runs_without_root_and_says_how_it_is(dockerfile: Path) -> None:
    text = dockerfile.read_text()
    users = re.findall(r"^USER (\d+)", text, re.MULTILINE)
    assert users
    assert int(users[-1]) > 0
    assert re.search(r"^HEALTHCHECK .*CMD \[", text, re.MULTILINE)
    ignored = dockerfile.with_name("Dockerfile.dockerignore").read_text().splitlines()
    sources = [
        word for line in re.findall(r"^COPY (?!--from)(.*) \S+$", text, re.MULTILINE) for word in line.split()
    ]
    assert sources
    for source in sources:
        assert (ROOT / source).exists(), f"{dockerfile} copies {source}, which is not there"
        assert any(f"!{part}" in ignored for part in (source, *map(str, Path(source).parents))), source


def test_the_image_installs_from_the_lock_and_rides_before_it_is_one() -> None:
    text = (DOCKER / "Dockerfile").read_text().replace("\\\n", " ")
    assert "--require-hashes" in text
    base, build, last = text.split("\nFROM ")[1:]
    assert "NUMBA_CPU_NAME=generic" in base
    assert "NUMBA" not in re.sub(r"(?m)^#.*", "", build + last), (
        "both stages have the compiler's settings of the first"
    )
    steps = [
        "requirements.lock",
        "/tmp/build/thin",
        "emulator warm",
        "emulator run ",
        "emulator check ",
        "chmod -R a+rX",
    ]
    assert [step for step in steps if step in build] == sorted(steps, key=build.index)
    assert re.search(r"EMULATOR_CACHE=/var/cache/emulator:/opt/machine-code", last)


GENERIC = """
import builtins, io, llvmlite.binding as llvm, sys
if sys.argv[1] == "another processor":
    llvm.get_host_cpu_name = lambda: "another"
    plain, told = builtins.open, "flags : fpu sse2"
    builtins.open = lambda *a, **k: io.StringIO(told) if str(a[0]) == "/proc/cpuinfo" else plain(*a, **k)
from emulator.core.keeping.machine import machine
print(machine())
"""


def key_of_machine(processor: str, **environment: str) -> str:
    plain = {name: value for name, value in os.environ.items() if not name.startswith("NUMBA_")}
    done = subprocess.run(
        [sys.executable, "-c", GENERIC, processor],
        env={**plain, **environment},
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return done.stdout.strip()


def test_its_code_is_kept_under_the_same_key_on_every_processor() -> None:
    settings = dict(re.findall(r"(NUMBA_\w+)=(\S+)", (DOCKER / "Dockerfile").read_text()))
    assert set(settings) == {"NUMBA_CPU_NAME", "NUMBA_ENABLE_AVX"}
    here = key_of_machine("this", **settings)
    assert key_of_machine("another processor", **settings) == here
    assert key_of_machine("another processor") not in (here, key_of_machine("this"))


@pytest.mark.parametrize("file", COMPOSE, ids=lambda f: f.stem)
def test_a_compose_file_is_valid(file: Path) -> None:
    done = subprocess.run(
        [TOOLS / "docker-compose", "--file", file, "config", "--quiet"],
        env={"PATH": os.environ["PATH"], "HOME": os.environ.get("HOME", "/")},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("file", COMPOSE, ids=lambda f: f.stem)
def test_no_service_has_more_rights_than_it_needs(file: Path) -> None:
    for name, service in parsed(file)["services"].items():
        assert service["read_only"] is True, name
        assert service["cap_drop"] == ["ALL"], name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert not {"privileged", "cap_add", "user", "pid", "ipc"} & set(service), name
        # real-time rights come by limits: an added capability does nothing for a user who is not root
        if service["image"] == "emulator":
            assert service["ulimits"] == {"rtprio": 95, "memlock": -1}, name
        assert "password" not in str(service.get("environment", "")), name


def test_a_compose_file_becomes_arguments_and_an_unknown_key_is_refused(tmp_path: Path) -> None:
    broker, emulator, robot = services(DOCKER / "compose.yaml", tmp_path, "test-")
    assert [s.name for s in (broker, emulator, robot)] == ["broker", "emulator", "robot"]
    assert (emulator.image, emulator.after, emulator.grace_s) == (
        "localhost/emulator",
        {"broker": "healthy"},
        20,
    )
    assert emulator.command[:2] == ("run", "scenarios/runs/first_lap.yaml")
    assert {
        "--read-only",
        "--cap-drop=ALL",
        "--ulimit=rtprio=95:95",
        "--network=host",
        "--tmpfs=/tmp",
    } <= set(emulator.arguments)
    assert f"--volume={tmp_path}/secrets/command_key:/run/secrets/command_key:ro" in emulator.arguments
    assert f"--volume={DOCKER}/rigs:/srv/emulator/rigs:ro" in emulator.arguments
    assert "--network=container:test-emulator" in robot.arguments
    assert "--network=host" not in robot.arguments
    wrong = tmp_path / "wrong.yaml"
    wrong.write_text(
        (DOCKER / "compose.yaml").read_text().replace("    read_only: true\n", "    pid: host\n", 1)
    )
    with pytest.raises(ValueError, match=r"broker\.pid: nothing is known of it"):
        services(wrong, tmp_path, "test-")
    assert not set(LEFT_OUT) & {"read_only", "cap_drop", "ulimits", "secrets"}


def test_the_rigs_have_no_problems(tmp_path: Path) -> None:
    """In the place that they have in the image, beside the scenarios."""
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    shutil.copytree(DOCKER / "rigs", tmp_path / "rigs")
    lab = tmp_path / "rigs" / "lab.yaml"
    (tmp_path / "rigs" / "patient.yaml").write_text(lab.read_text() + PATIENT)
    for name in ("lab", "bench", "patient"):
        rig, _ = load_rig(tmp_path / "rigs" / f"{name}.yaml")
        assert rig.device_under_test.kind == "external"
        assert rig.telemetry is not None
        assert rig.telemetry.ca_file == "/run/secrets/authority.pem"


@pytest.mark.parametrize("file", COMPOSE, ids=lambda f: f.stem)
def test_every_secret_that_is_handed_over_is_made_and_no_other(file: Path, secrets: Path) -> None:
    whole = parsed(file)
    named = {Path(one["file"]).name for one in whole["secrets"].values()}
    assert named == {path.name for path in secrets.iterdir()} - {"authority.key"}
    used = {one for service in whole["services"].values() for one in service.get("secrets", ())}
    assert used == set(whole["secrets"])
    assert all(one["file"].startswith(".secrets/") for one in whole["secrets"].values())
    assert "/docker/.secrets/" in (ROOT / ".gitignore").read_text().splitlines()


@pytest.fixture(scope="module")
def secrets(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("docker") / "secrets"
    subprocess.run([DOCKER / "secrets", folder, "bench.lab"], check=True, capture_output=True, timeout=60)
    return folder


def test_secrets_are_for_nobody_else_and_made_once(secrets: Path) -> None:
    assert secrets.stat().st_mode & 0o777 == 0o700
    assert (secrets / "authority.key").stat().st_mode & 0o777 == 0o600
    passwords = {(secrets / name).read_text() for name in ("bench_password", "desk_password", "command_key")}
    assert len(passwords) == 3
    assert all(len(text) >= 40 and "\n" not in text for text in passwords)
    again = subprocess.run(
        [DOCKER / "secrets", secrets], capture_output=True, text=True, timeout=60, check=False
    )
    assert again.returncode == 1
    assert "nothing was made" in again.stderr


def test_the_brokers_certificate_is_by_its_authority_and_for_its_names(secrets: Path) -> None:
    for name, holds in (("broker", True), ("localhost", True), ("bench.lab", True), ("elsewhere", False)):
        verified = subprocess.run(
            [
                *("openssl", "verify", "-CAfile", secrets / "authority.pem", "-verify_hostname", name),
                secrets / "broker.pem",
            ],
            capture_output=True,
            timeout=60,
            check=False,
        )
        assert (verified.returncode == 0) == holds, name


def test_scripts_stop_at_the_first_error_and_parse() -> None:
    for script in (DOCKER / "thin", DOCKER / "secrets"):
        lines = script.read_text().splitlines()
        assert lines[0] == "#!/usr/bin/env bash"
        assert "set -euo pipefail" in lines
        assert os.access(script, os.X_OK)
        subprocess.run(["bash", "-n", script], check=True, timeout=10)


def test_where_there_is_no_room_nothing_is_tried_and_nothing_accused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(podman, "ROOM_BYTES", 1e18)
    monkeypatch.setattr(sys, "argv", ["docker", str(tmp_path)])
    assert main() == 3
    told = capsys.readouterr().err
    assert told.startswith("not tried: ")
    assert "1000000000 are needed" in told


LOG = """\
2026-11-27T12:00:01.250000001Z short straight on bench in containers (bench, seed 0): run straight
2026-11-27T12:00:01.300000000Z bus: virtual CAN bus can0 on 127.0.0.1:29536 (socketcand protocol)
2026-11-27T12:00:03.500000000Z GNSS: tcp 127.0.0.1:10110
2026-11-27T12:00:03.600000000Z arming: the ride starts when these are given: robot heartbeat
2026-11-27T12:00:03.650000000Z robot heartbeat: not given
2026-11-27T12:00:04.000000000Z robot heartbeat: given
2026-11-27T12:00:09.000000000Z bus: something later with the same word
"""


def test_where_a_start_goes_is_told_by_the_first_line_that_shows_it() -> None:
    start = datetime(2026, 11, 27, 12, 0, 0, tzinfo=UTC)
    found = moments("emulator", LOG, start)
    assert [round(m.at_s, 2) for m in found] == [1.25, 1.3, 3.5, 3.6, 4.0]
    lines = table([Moment(5.0, "ride", "running"), *found, Moment(0.4, "emulator", "its process")])
    assert [line.split()[:3] for line in lines] == [
        ["0.40", "s", "+0.40"],
        ["1.25", "s", "+0.85"],
        ["1.30", "s", "+0.05"],
        ["3.50", "s", "+2.20"],
        ["3.60", "s", "+0.10"],
        ["4.00", "s", "+0.40"],
        ["5.00", "s", "+5.00"],
    ]
    early = "\n".join(line for line in LOG.splitlines() if "heartbeat: given" not in line)
    assert moments("emulator", early, start) == [m for m in found if m.what != "the robot is heard"]
    with pytest.raises(podman.Failed, match="no line of robot has 'Caution' in it"):
        moments("robot", LOG, start)


def test_what_is_looked_for_in_the_logs_is_said_by_the_program() -> None:
    sources = "\n".join(
        (ROOT / "emulator" / name).read_text()
        for name in (
            "cli/run.py",
            "cli/output.py",
            "stages/bench/supervisor.py",
            "stages/robot_apart.py",
            "assembly/bench.py",
        )
    )
    for words in (words for said in SAID.values() for words in said):
        plain = words.replace(" (bench, seed ", ", seed {seed}): ").replace("arming: ", "'arming: ")
        written = {"robot heartbeat: given": "'given' if value else 'not given'"}.get(words, plain)
        assert written.replace("'", '"') in sources.replace("'", '"'), words


@pytest.mark.parametrize(
    ("rides", "timed", "ends"),
    [
        ([5.0], True, "holds: rides within 10 s of its start (5.0 s)"),
        ([12.0, 5.0], True, "holds: rides within 10 s of its start (12.0 s, 5.0 s)"),
        (["invalid", 5.0], True, "holds: rides within 10 s of its start (5.0 s)"),
        ([12.0, "invalid", 11.0], False, "NOT SHOWN here: rides within 10 s of its start (12.0 s, 11.0 s)"),
        ([12.0, "invalid", 11.0], True, None),
        (["invalid", "invalid", "invalid"], False, None),
    ],
)
def test_a_ride_that_is_late_or_does_not_count_is_ridden_again(
    rides: list[float | str],
    timed: bool,
    ends: str | None,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    left = list(rides)

    async def ride(*_: object) -> float:
        came = left.pop(0)
        if isinstance(came, str):
            raise docker.NotCounted("verdict invalid")
        return came

    monkeypatch.setattr(docker, "ridden", ride)
    engine: Any = SimpleNamespace(cleared=lambda _: nullcontext())
    if ends is None:
        with pytest.raises(podman.Failed):
            docker.ridden_soon(engine, tmp_path, "x.yaml", timed=timed)
    else:
        docker.ridden_soon(engine, tmp_path, "x.yaml", timed=timed)
        assert capsys.readouterr().out.splitlines()[-1].strip() == ends
    assert left == []
