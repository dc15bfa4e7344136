"""Nobody counts places in the vectors that emulator.core.signals names."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import emulator
from emulator.core.signals import ANALOGUE, COMMAND, INDEX, OUTPUT, SIGNALS, V_RATE, beside, columns

PACKAGE = Path(emulator.__file__).parent

WHERE = ("assembly", "inspection/sensors/capture.py", "plant", "robot", "stages", "telemetry", "loop")
"""Where the vectors are filled and read; elsewhere a record's columns have only names."""
VECTORS = {
    "row": "recorded signals",
    "rows": "recorded signals of many ticks",
    "robot": "values of the robot's frames",
    "v": "output values while they are measured, values of the robot's frames while it writes them",
    "values": "the same",
    "samples": "output values of one frame",
    "epoch": "output values of the GNSS receiver",
    "gnss": "the same",
    "seen": "output values as the robot has them",
}
"""A vector, by the last part of the name it goes under: ``row``, ``m.row``, ``self._row``."""
OTHERS = {
    "robot/estimator.py": {"row": "a row of its own covariance", "v": "a velocity"},
}
"""Other things of the same names."""


def counted(source: str, others: dict[str, str] | None = None) -> Iterator[tuple[int, str]]:
    """(line, text) of each subscript of such a vector that has a number in it."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Subscript):
            continue
        base = node.value
        name = base.id if isinstance(base, ast.Name) else base.attr if isinstance(base, ast.Attribute) else ""
        name = name.removeprefix("_")
        if name not in VECTORS or name in (others or {}):
            continue
        index: list[ast.AST] = [node.slice]
        if name == "rows":  # a tick's number comes first
            index = list(node.slice.elts[1:]) if isinstance(node.slice, ast.Tuple) else []
        parts = [n for part in index for n in ast.walk(part)]
        numbers = [n for n in parts if isinstance(n, ast.Constant) and type(n.value) in (int, float)]
        if numbers:
            yield node.lineno, ast.unparse(node)


def sources() -> Iterator[Path]:
    for name in WHERE:
        path = PACKAGE / name
        yield from [path] if path.suffix else sorted(path.rglob("*.py"))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("row[3] = heading", ["row[3]"]),
        ("m.row[_BENCH + 1] = 0.0", ["m.row[_BENCH + 1]"]),
        ("x = self._row[2]", ["self._row[2]"]),
        ("v[0], v[2] = a, b", ["v[0]", "v[2]"]),
        ("rows[:, 4]", ["rows[:, 4]"]),
        ("robot[R_GEAR]; row[_X]; v[V_RATE + k]; row[which]; table[0]; row['gnss_fix']; rows[0]", []),
    ],
)
def test_a_number_in_such_an_index_is_found(text: str, found: list[str]) -> None:
    assert [what for _, what in counted(text)] == found


def test_commands_outputs_and_rows_are_indexed_by_name() -> None:
    numbered = []
    for path in sources():
        name = str(path.relative_to(PACKAGE))
        numbered += [f"{name}:{line}: {text}" for line, text in counted(path.read_text(), OTHERS.get(name))]
    assert numbered == []


def test_every_exception_is_still_one() -> None:
    for name, others in OTHERS.items():
        found = " ".join(text for _, text in counted((PACKAGE / name).read_text()))
        assert [other for other in others if f"{other}[" not in found] == []


def test_places_are_those_of_the_tables() -> None:
    assert columns("truth.x_m", "bench.state") == (INDEX["truth.x_m"], INDEX["bench.state"])
    assert beside(OUTPUT, "rate_x_rad_s", "rate_y_rad_s", "rate_z_rad_s") == V_RATE
    with pytest.raises(ValueError, match="beside each other"):
        beside(OUTPUT, "rate_x_rad_s", "rate_z_rad_s")
    with pytest.raises(KeyError):
        columns("truth.x")


def test_every_name_is_there_once() -> None:
    assert len(INDEX) == len(SIGNALS)
    assert {name for name in INDEX if name.startswith("robot.")} == {f"robot.{name}" for name in COMMAND}
    assert {f"output.{name}" for name in ANALOGUE} <= set(INDEX)
