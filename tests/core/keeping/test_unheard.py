"""Ctrl-C that the compiler does not hear, or drops: the command ends all the same, with words."""

import subprocess
import sys

import pytest

COMMAND = """
import os, signal, sys, time, types
from emulator import __main__ as entry
from emulator.cli import app

def in_the_compiler(text):
    exec(text, {"__name__": "llvmlite.binding.made_up", "stop": stop, "time": time})

def stop(number=signal.SIGINT):
    os.kill(os.getpid(), number)

def command_line(_):
    return lambda **_: command()

app.command_line = command_line
sys.argv = ["emulator", "sensors"]
signal.signal(signal.SIGINT, signal.default_int_handler)
"""
DROPPED = """
def command():
    print("begun")
    in_the_compiler('''
try:
    stop({number})
    time.sleep(60)
except KeyboardInterrupt:
    time.sleep(60)
''')
"""
BROKEN = """
def command():
    in_the_compiler('''
try:
    stop()
    time.sleep(60)
except KeyboardInterrupt:
    pass
time.sleep(0.1)
raise RuntimeError("no compiled object yet") from None
''')
"""
TIDIED = """
def command():
    try:
        stop()
        time.sleep(60)
    finally:
        time.sleep(2.5)
        print("tidied up")
"""
TAKEN_OVER = """
def command():
    signal.signal(signal.SIGINT, lambda *_: print("noted"))
    stop()
    in_the_compiler("time.sleep(2.5)")
    print("ridden to its end")
"""


def done(command: str) -> tuple[int, str, str]:
    """Status, output and errors."""
    made = subprocess.run(
        [sys.executable, "-c", COMMAND + command + "\nentry.main()"],
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    return made.returncode, made.stdout, made.stderr


@pytest.mark.parametrize("number", [2, 15], ids=["SIGINT", "SIGTERM"])
def test_a_stop_that_the_compiler_drops_ends_the_command(number: int) -> None:
    status, out, err = done(DROPPED.format(number=number))
    assert (status, out) == (5, "begun\n")
    assert err == "stopped by hand while functions were compiled; those that were done are kept\n"


def test_what_breaks_for_a_stop_that_was_dropped_is_no_bug() -> None:
    status, _, err = done(BROKEN)
    assert (status, err) == (5, "stopped by hand\n")


def test_a_way_out_that_takes_long_is_not_cut_short() -> None:
    status, out, err = done(TIDIED)
    assert (status, out, err) == (5, "tidied up\n", "stopped by hand\n")


def test_a_ride_that_has_taken_the_signals_over_is_left_alone() -> None:
    status, out, _ = done(TAKEN_OVER)
    assert (status, out) == (0, "noted\nridden to its end\n")
