"""Output that outlasts its reader."""

import os
import subprocess
import sys

import pytest

CODE = """
import sys, time
from emulator.cli.output import console_of_stdout
console = console_of_stdout(lasting={lasting})
console.print("one")
sys.stdout.flush()
sys.stdin.readline()  # the reader has closed its end
for _ in range(1000):
    console.print("nobody reads this " * 20)
print("the work is done", file=sys.stderr)
"""


def end_of(lasting):
    process = subprocess.Popen(
        [sys.executable, "-c", CODE.format(lasting=lasting)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout.readline() == "one\n"
    process.stdout.close()
    process.stdin.write("\n")
    process.stdin.close()
    said = process.stderr.read()
    process.stderr.close()
    return process.wait(30), said


def test_a_closed_pipe_ends_an_ordinary_command():
    status, said = end_of(lasting=False)
    assert status != 0
    assert "the work is done" not in said


def test_a_lasting_one_does_its_work_to_the_end():
    assert end_of(lasting=True) == (0, "the work is done\n")


@pytest.mark.parametrize("encoding", ["ascii:surrogateescape", "iso8859-1", "utf-8"])
def test_a_terminal_that_has_no_tick_mark_takes_no_status_from_a_command(encoding: str) -> None:
    """As an old lab machine's locale has it."""
    code = """
from emulator.cli import app, output
shown = output.console_of_stdout().print
app.command_line = lambda *_: lambda **_: shown("\\u2713 PASS 45\\u00b0", markup=False)
app.app()
"""
    environment = {**os.environ, "PYTHONIOENCODING": encoding}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=environment, check=False)
    kept = encoding.partition(":")[0]
    assert done.returncode == 0, done.stderr
    assert done.stdout.decode(kept).strip() == "\u2713 PASS 45\u00b0".encode(kept, "replace").decode(kept)
