"""Values that are none are answered in the words of files: what was expected, what came, not a library's."""

from __future__ import annotations

import re
import shlex

import pytest

from emulator.cli.app import command_line
from tests.support.command_line import emulator_command


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("circuit import a.csv --width-m 0", "'--width-m': expected a number from 2 to 50, got 0"),
        ("circuit import a.csv --width-m wide", "'--width-m': expected a number from 2 to 50, got wide"),
        ("circuit import a.csv --deviation-m 0,5", "got 0,5; for a decimal write a point"),
        ("track line run --lap 1.5", "'--lap': expected a whole number of at least 1, got 1.5"),
        ("track compare run --every 0", "'--every': expected a number of at least 0.1, got 0"),
        ("console --port 99999", "'--port': expected a whole number from 0 to 65535, got 99999"),
        ("modes bike.yaml --lean a", "'--lean': expected a number, got a"),
        ("track finding run --at 1 --rig r --name n --as slid", "'--as': 'slid' is not one of 'slide', "),
    ],
)
def test_a_value_that_is_none(typed: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert emulator_command(*shlex.split(typed)) == 3
    told = capsys.readouterr().err
    assert said in told
    assert not re.search(r"Input should|Value error", told)


def test_arguments_are_called_once(capsys: pytest.CaptureFixture[str]) -> None:
    """Whether one may be left out or repeated is said by the usage itself."""
    command_line.cache_clear()
    for name in ("track compare", "track findings", "track import", "track calibrate", "evidence", "console"):
        assert emulator_command(*name.split(), "--help") == 0
        usage = capsys.readouterr().out.split("\n\n")[0]
        assert "[[" not in usage
        assert "...}" not in usage
