"""A DBC file that would take the machine with it, or is none, is refused at its line and not shown."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from emulator.core.errors import ConfigError
from emulator.wire.dbc_file import MOST_FRAMES, read_dbc
from emulator.wire.dbc_frames import load_codec

HEAD = 'VERSION ""\nBU_: R\n'
FRAME = "BO_ 1 made: 8 R\n"
MADE = HEAD + FRAME + ' SG_ s : 0|8@1+ (1,0) [0|0] "" R\n'

OVERSIZED = [
    (MADE.replace("0|8@", "0|2147483648@"), 4, "s: expected a length of 0 to 14280 bits, got 2147483648"),
    (MADE.replace("0|8@", "99999|8@"), 4, "s: expected a start of 0 to 14280 bits, got 99999"),
    (MADE.replace("0|8@", "-3|8@"), 4, "s: expected a start of 0 to 14280 bits, got -3"),
    # spread over lines, with a comment between
    (MADE.replace("0|8@", "0//x\n|//y\n2147483648@"), 4, "expected a length"),
    (MADE.replace("made: 8", "made: 4294967295"), 3, "made: expected 0 to 1785 bytes, got 4294967295"),
    (MADE.replace("made: 8", "made: -8"), 3, "made: expected 0 to 1785 bytes, got -8"),
    (MADE.replace("BO_ 1", "BO_ 4294967296"), 3, "made: expected an identifier of 29 bits"),
    (MADE.replace("(1,0)", "(1e99999999,0)"), 4, "exponents below 1000"),
    (MADE.replace("[0|0]", f"[0|{'9' * 5000}]"), 4, "numbers of at most 40 digits"),
    (HEAD + "".join(f"BO_ {i} m{i}: 8 R\n" for i in range(MOST_FRAMES + 1)), 2003, "at most 2000 frames"),
    (HEAD[:-1] + " R" * 200_000 + "\n" + FRAME, 1, "words outside of texts, got 200"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "line", "expected"), OVERSIZED)
def test_what_no_bus_has_is_refused_at_its_line_and_at_once(
    text: str, line: int, expected: str, tmp_path: Path
) -> None:
    (tmp_path / "made.dbc").write_text(text)
    began = time.process_time()
    with pytest.raises(ConfigError) as error:
        read_dbc(tmp_path / "made.dbc")
    assert time.process_time() - began < 3.0
    assert expected in str(error.value)
    assert error.value.problems[0].line == line


@pytest.mark.parametrize(
    "made", ["[-1e308|1e308]", "[0|1e999]", "[-1e999|1e999]", "[1e999|1e999]"], ids=lambda m: m.strip("[]")
)
@pytest.mark.parametrize("factor", ["1", "1e-300", "1e300"])
def test_limits_beyond_all_numbers_end_in_the_field_or_are_refused(
    made: str, factor: str, tmp_path: Path
) -> None:
    (tmp_path / "made.dbc").write_text(
        MADE.replace("[0|0]", made.replace("1e308", "1E308")).replace("(1,0)", f"({factor},-1e308)")
    )
    try:
        table = load_codec(tmp_path / "made.dbc", ["made"]).table
    except ConfigError:
        return
    assert 0 <= table.raw_low[0] <= table.raw_high[0] <= 255


def test_a_text_in_quotes_is_no_signal(tmp_path: Path) -> None:
    text = MADE + 'CM_ "SG_ x : 0|2147483648@1+ //";\n'
    (tmp_path / "made.dbc").write_text(text)
    assert [m.name for m in read_dbc(tmp_path / "made.dbc").frames] == ["made"]


@pytest.mark.parametrize(
    "content",
    [
        "root:x:0:0:secret\n",
        "secret",
        'VERSION ""\nsecret = 3\n',
        '{"secret": 1}',
        "-----BEGIN secret-----\n",
    ],
)
def test_nothing_is_shown_of_a_file_that_is_no_dbc(content: str, tmp_path: Path) -> None:
    (tmp_path / "made.dbc").write_text(content)
    with pytest.raises(ConfigError, match="expected DBC syntax from here on; is this a DBC file") as error:
        read_dbc(tmp_path / "made.dbc")
    assert "secret" not in str(error.value)
    assert "secret" not in repr(error.value.__cause__)
