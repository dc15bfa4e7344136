"""Arming that waits for the local enable: nothing leaves standby without it, whatever else is asked."""

import signal
from dataclasses import replace

import pytest

from emulator.core.signals import ARMED, RUNNING, STANDBY
from emulator.shared_memory.status import Command
from tests.support.scripted_robot import demo_session
from tests.support.stepped_bench import stepped_bench


@pytest.fixture(scope="module")
def session():
    return demo_session()


def test_without_it_nothing_leaves_standby_and_with_it_the_ride_starts(session, tmp_path):
    with stepped_bench(session, tmp_path / "run", enable=True) as bench:
        bench.pass_s(4.0)
        assert bench.phase == "ride"
        assert bench.state == STANDBY
        for command in (Command.GO, Command.HOLD, Command.GO, Command.RESET, Command.START, Command.MARK):
            bench.latest["loop"].plant.command(command, 0.0)
            bench.pass_s(0.3)
            assert bench.state == STANDBY, command
        bench.type_in(b"start gust\n")
        bench.pass_s(0.5)
        assert bench.state == STANDBY
        bench.type_in(b"\n")
        bench.pass_s(0.6)
        assert bench.state in (ARMED, RUNNING)


def test_a_button_of_the_bench_arms_and_neither_a_key_nor_a_command_of_a_page_does(session, tmp_path):
    rig = session.rig.model_copy(update={"local_enable": "enable_pressed"})
    for page in (True, False):  # also a ride that has no page waits for it
        with stepped_bench(replace(session, rig=rig), tmp_path / f"run-{page}", enable=page) as bench:
            bench.pass_s(2.0)
            plant = bench.latest["loop"].plant
            for command in (c for c in Command if c not in (Command.ARM, Command.STOP, Command.TRIP)):
                plant.command(command, 0.0)
                bench.type_in(b"\n")
                bench.pass_s(0.3)
                assert bench.state == STANDBY, command
            assert any("neither a key nor a page can" in text for _, text in bench.said)
            plant.press()
            bench.pass_s(0.6)
            assert bench.state in (ARMED, RUNNING)
            assert any("the button at the bench was pressed" in text for _, text in bench.said)


def test_ctrl_c_ends_a_bench_that_was_never_enabled(session, tmp_path):
    with stepped_bench(session, tmp_path / "run", enable=True) as bench:
        bench.pass_s(2.0)
        bench.signal(signal.SIGINT)
        bench.pass_s(10.0)
        assert bench.over
        verdict, error = bench.result()
        assert error is not None or verdict.result == "stopped"
