"""``emulator run --virtual`` with a program at a socket: it is asked for the interface it was written for."""

from __future__ import annotations

from pathlib import Path

import pytest

import emulator.runs.one
from emulator.core.errors import EmulatorError
from emulator.inspection.interface.derive import interface_of
from emulator.stages.own_robot.choice import robot_of
from tests.support.command_line import emulator_command
from tests.support.plausible_mistakes.line_clients import CLIENT
from tests.support.scripted_robot import RIG, RUN

STRAIGHT = RUN.with_name("straight.yaml")


@pytest.fixture
def client(tmp_path: Path) -> Path:
    """A rig whose robot is a program in Python that says nothing of an interface."""
    rig, program = tmp_path / "rig.yaml", tmp_path / "client.py"
    program.write_text(CLIENT)
    rig.write_text(
        f"based_on: {RIG}\nname: mine\n"
        "device_under_test: {kind: external, virtual: {kind: socket, command: [python3, client.py]}}\n"
    )
    return rig


def says(rig: Path, interface_hash: str) -> None:
    """Let its program say that it was written for this interface."""
    program = rig.with_name("client.py")
    program.write_text(CLIENT.replace("hello 1 - ", f"hello 1 {interface_hash} "))


def test_a_program_that_was_written_for_another_bench_is_refused(
    client: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    says(client, "0123abcd" * 8)
    out = tmp_path / "run"
    status = emulator_command("run", str(STRAIGHT), "--rig", str(client), "--virtual", "--out", str(out))
    told = capfd.readouterr().err
    assert status == 4
    assert "the robot mine is refused: it was written for interface 0123abcd0123" in told
    assert "emulator interface RIG" in told
    assert "refused it was written for interface" not in told  # that is the program's to hear
    assert not out.exists() or not (out / "verdict.json").exists()


def test_one_that_was_written_for_this_rig_or_this_ride_begins(
    client: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the hashes that the command itself works out."""
    begun: list[str] = []

    class Began(EmulatorError):
        pass

    def begin(session, *_, interfaces, **__):  # type: ignore[no-untyped-def]
        for told in (known := list(interfaces())):
            says(client, told)
            with robot_of(session, hashes=lambda: known) as robot:
                begun.append(robot.about["interface_sha256"])
        raise Began("enough")

    monkeypatch.setattr(emulator.runs.one, "ride", begin)
    assert emulator_command("run", str(STRAIGHT), "--rig", str(client), "--virtual") == Began.exit_status
    of_client, of_base = ((interface_of(rig), interface_of(rig, STRAIGHT)) for rig in (client, RIG))
    told = [one.interface.content_sha256 for pair in zip(of_client, of_base, strict=True) for one in pair]
    assert begun == [told[0], told[1], told[2], told[3]]
    assert len(set(begun)) == 4
