"""The recipe for a machine: for its user, interfaces and cores, run into a folder, verified by systemd."""

from __future__ import annotations

import dataclasses
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from emulator.inspection.host_setup import (
    UNIT,
    Line,
    Machine,
    complaints,
    limits_text,
    rules_text,
    script,
    this_machine,
    unit_text,
)

ROOT = Path(__file__).parents[2]
BENCH = Machine(
    user="ada",
    program=sys.executable,
    folder="/srv/bench",
    kept="/srv/bench/kept",
    cores=(1, 2, 3),
    interfaces={"can0": Line(250_000), "can1": Line(500_000, 2_000_000), "vcan0": None},
    guessed=False,
    ip="/usr/sbin/ip",
    rig="rigs/mine.yaml",
)


def machine_files(root: Path, **kinds: tuple[int, bool]) -> Path:
    """A machine's network interfaces: hardware type, and whether there is a device behind it."""
    for name, (kind, device) in kinds.items():
        folder = root / "sys/class/net" / name
        folder.mkdir(parents=True)
        (folder / "type").write_text(f"{kind}\n")
        if device:
            (folder / "device").mkdir()
    return root


def test_interfaces_are_those_of_the_machine(tmp_path: Path) -> None:
    root = machine_files(tmp_path, lo=(772, False), eth0=(1, True), can3=(280, True), vcan0=(280, False))
    found = this_machine(root=root)
    assert (dict(found.interfaces), found.guessed) == ({"can3": Line(), "vcan0": None}, False)
    bare = this_machine(root=tmp_path / "none")
    assert (dict(bare.interfaces), bare.guessed) == ({"can0": Line()}, True)


def test_a_rig_gives_its_interface_the_bit_rates(tmp_path: Path) -> None:
    root = machine_files(tmp_path, can0=(280, True), can1=(280, True))
    found = this_machine(ROOT / "scenarios/rigs/can_fd.yaml", root)
    channel = {name: line for name, line in found.interfaces.items() if line != Line()}
    assert list(channel.values()) == [Line(500_000, 2_000_000)]
    assert found.rig.endswith("can_fd.yaml")
    # the loopback rig has no interface
    assert this_machine(ROOT / "scenarios/rigs/loopback.yaml", root).interfaces == {
        "can0": Line(),
        "can1": Line(),
    }


def test_it_is_for_this_user_these_cores_and_this_program(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SUDO_USER", "grace")
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {3, 0, 1, 2})
    found = this_machine()
    assert (found.user, found.cores) == ("grace", (1, 2, 3))
    assert found.program.endswith("/emulator")
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 1})
    assert this_machine().cores == (0, 1)


def test_rules_bring_each_interface_up_as_ip_link_takes_it() -> None:
    rules = [line for line in rules_text(BENCH).splitlines() if not line.startswith("#")]
    assert [line.partition("RUN+=")[0] for line in rules[:2]] == [
        f'ACTION=="add", SUBSYSTEM=="net", KERNEL=="{name}", ' for name in ("can0", "can1")
    ]
    assert '"/usr/sbin/ip link set can0 type can bitrate 250000"' in rules[0]
    assert "can1 type can bitrate 500000 dbitrate 2000000 fd on" in rules[1]
    assert all("vcan0" not in line for line in rules)
    assert [line for line in rules if "cpu_dma_latency" in line and 'MODE="0660"' in line]
    assert "none is there now" in rules_text(dataclasses.replace(BENCH, guessed=True))


def test_the_unit_gives_the_rights_that_the_limits_give_a_shell() -> None:
    unit = dict(
        line.split("=", 1) for line in unit_text(BENCH).splitlines() if "=" in line and line[0] != "#"
    )
    assert (unit["LimitRTPRIO"], unit["LimitMEMLOCK"]) == ("95", "infinity")
    assert limits_text(BENCH).splitlines()[1:] == ["ada - rtprio 95", "ada - memlock unlimited"]
    assert (unit["User"], unit["CPUAffinity"], unit["Restart"]) == ("ada", "1,2,3", "no")
    assert "vcan0" not in unit["BindsTo"]
    assert unit["BindsTo"].count(".device") == 2
    # a person starts it, never the machine itself
    assert "[Install]" not in unit_text(BENCH)


def test_the_script_writes_its_files_and_only_those(tmp_path: Path) -> None:
    done = subprocess.run(
        ["sh", "-s"],
        input=script(BENCH),
        env={"DESTDIR": str(tmp_path), "PATH": os.environ["PATH"]},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    written = {path.relative_to(tmp_path).as_posix() for path in tmp_path.rglob("*") if path.is_file()}
    assert written == {
        "etc/security/limits.d/emulator.conf",
        "etc/udev/rules.d/60-emulator.rules",
        "etc/default/emulator",
        f"etc/systemd/system/{UNIT}",
    }
    assert done.stdout.count("wrote ") == len(written)
    assert (tmp_path / "etc/systemd/system" / UNIT).read_text() == unit_text(BENCH)
    assert "${SCENARIO}" in unit_text(BENCH)  # nothing of it was taken by the shell


def test_systemd_finds_nothing_wrong_and_would_find_something() -> None:
    assert shutil.which("systemd-analyze"), "this test needs systemd-analyze (apt-get install systemd)"
    assert complaints(BENCH) == []
    missing = complaints(dataclasses.replace(BENCH, program="/nowhere/emulator"))
    assert missing
    assert "/nowhere/emulator" in missing[0]


def test_without_systemd_nothing_is_verified(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda _: None)
    assert complaints(BENCH) is None
