"""Broken scenario files: each is refused at the place that is wrong, in plain words, and starts nothing."""

from __future__ import annotations

import copy
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.assembly import files as ride_files
from emulator.assembly import session
from emulator.assembly.check import check
from emulator.config import based_on, yaml_source
from emulator.config.rig import frames as rig_frames
from emulator.config.scenario.schema import load_scenario
from emulator.core.errors import ConfigError, Problem
from tests.support.broken_scenarios import ALONE, ANGLE_DRIVEN, MISFITS, WHOLE, Broken, written
from tests.support.command_line import emulator_command, let_nothing_start, said

SHIPPED = Path(__file__).parents[3] / "scenarios"
RIG = "scenarios/rigs/loopback.yaml"
FILE = "scenarios/runs/broken.yaml"
NOT_OURS = re.compile(
    r"pydantic|Input should|validation error|Field required|None\b|expected something else|Traceback"
    r"|<block|<stream|<class"
)
"""Words of the libraries below, which must not reach a reader."""


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A copy of the shipped files, to stand in; YAML is read once a text, sound rigs and options once."""
    folder = tmp_path_factory.mktemp("broken")
    shutil.copytree(SHIPPED, folder / "scenarios")
    read: dict[tuple[str, bytes], yaml_source.Source] = {}

    def load(path: str | os.PathLike[str]) -> yaml_source.Source:
        try:
            key = os.fspath(path), Path(path).read_bytes()
        except OSError:
            return yaml_source.load(path)
        if key not in read:
            read[key] = yaml_source.load(path)
        return read[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        patch.setattr(based_on, "load", load)
        patch.setattr(typer.main, "get_command", _once(typer.main.get_command))
        for name in ("load_rig", "load_vehicle"):
            patch.setattr(ride_files, name, _once(getattr(ride_files, name)))
        for name in ("frames_in", "load_codec"):
            patch.setattr(rig_frames, name, _once(getattr(rig_frames, name)))
        yield folder


def _once(function: Callable[..., Any]) -> Callable[..., Any]:
    known: dict[str, Any] = {}

    def cached(*given: Any) -> Any:
        key = repr([(str(g), Path(g).stat().st_mtime_ns) if isinstance(g, (str, Path)) else g for g in given])
        if key not in known:
            known[key] = function(*given)
        return known[key]

    return cached


def everything_in(folder: Path) -> list[tuple[str, list[str]]]:
    return sorted((where, sorted(names)) for where, _, names in os.walk(folder))


@pytest.fixture
def nothing_starts(files: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Fails if anything begins: a ride, a process, a thread of one, a socket, a file."""

    let_nothing_start(monkeypatch)
    before = everything_in(files)
    yield
    assert everything_in(files) == before


def holds(text: str, words: tuple[str, ...]) -> bool:
    """Whether all words come in this order."""
    return re.search(".*?".join(re.escape(word) for word in words), text) is not None


def name_of(broken: Broken) -> str:
    return re.sub(r"\s+", " ", broken.new)[:60] if broken.old != WHOLE else broken.reason[0]


@pytest.fixture(scope="module", autouse=True)
def the_file_is_there(files: Path) -> None:
    (files / FILE).write_text(WHOLE)
    (files / "scenarios/rigs/angle.yaml").write_text(
        (SHIPPED / "rigs/loopback.yaml").read_text().replace("torque_driven", "angle_driven")
    )


def test_unbroken_nothing_is_wrong_with_it(files: Path) -> None:
    (files / FILE).write_text(WHOLE)
    assert [str(p) for c in check([FILE]) for p in c.problems] == []
    session.load_session(Path(RIG), Path(FILE))


@pytest.mark.parametrize("broken", ALONE, ids=name_of)
@pytest.mark.usefixtures("nothing_starts")
def test_a_broken_file(files: Path, capsys: pytest.CaptureFixture[str], broken: Broken) -> None:
    text, place = written(broken)
    (files / FILE).write_text(text)
    assert emulator_command("check", FILE) == 3
    told = capsys.readouterr()
    assert [(file, line, column) for file, line, column, _ in said(told.out)] == [(FILE, *place)], told.out
    reason = said(told.out)[0][3]
    assert holds(reason, broken.reason), reason
    assert not NOT_OURS.search(reason), reason
    assert emulator_command("run", FILE, "--rig", RIG) == 3
    ride = capsys.readouterr()
    assert said(ride.err)[0][:3] == (FILE, *place), ride.err
    assert ride.err.endswith("1 problem; nothing was started\n")
    assert ride.out == ""
    assert emulator_command("check", FILE, "--rig", RIG) == 3
    assert said(capsys.readouterr().out) == said(ride.err)


@pytest.mark.parametrize(
    ("broken", "rig"),
    [*((m, RIG) for m in MISFITS), *((m, "scenarios/rigs/angle.yaml") for m in ANGLE_DRIVEN)],
    ids=lambda value: name_of(value) if isinstance(value, Broken) else "",
)
@pytest.mark.parametrize("stage", [(), ("--virtual",)], ids=["bench", "virtual"])
@pytest.mark.usefixtures("nothing_starts")
def test_an_event_the_rig_can_not_play(
    files: Path, capsys: pytest.CaptureFixture[str], broken: Broken, rig: str, stage: tuple[str, ...]
) -> None:
    text, place = written(broken)
    (files / FILE).write_text(text)
    assert emulator_command("check", FILE) == 0  # a scenario alone knows no rig
    capsys.readouterr()
    assert emulator_command("run", FILE, "--rig", rig, *stage) == 3
    ride = said(capsys.readouterr().err)
    ((file, line, column, reason),) = ride
    assert (file, line, column) == (FILE, *place)
    assert holds(reason, broken.reason), reason
    assert emulator_command("check", FILE, "--rig", rig, *stage) == 3
    assert said(capsys.readouterr().out) == ride


# ---- shipped files, one key after another ----------------------------------------------------------------

KEY = re.compile(r"(?P<key>[A-Za-z_][A-Za-z_0-9]*): ?(?P<value>[^\s{}\[\],#][^{}\[\],#\n]*)?")
NUMBER = re.compile(r"-?\d+(\.\d+)?\s*")
OTHER_UNIT = {"_km_h": "_mph", "_m_s2": "_g", "_m_s": "_kn", "_deg": "_rad", "_m": "_ft", "_s": "_min"}
PARAMETERS = {("braking", "deceleration", 2), ("braking", "grip", 2)}
SMALL = ("straight", "slalom", "lane_change", "braking", "circle")


def broken_keys(name: str) -> Iterator[tuple[str, str, int, int, str]]:
    """(what, broken text, line, column, words) of every key of a shipped scenario, broken in turn."""
    lines = (SHIPPED / "runs" / f"{name}.yaml").read_text().split("\n")
    for number, line in enumerate(lines):
        for found in KEY.finditer(line.partition("#")[0]):
            key, value = found["key"], found["value"] or ""
            start, end = found.span("key")

            def put(text: str, begin: int, stop: int, n: int = number, whole: str = line) -> str:
                return "\n".join([*lines[:n], whole[:begin] + text + whole[stop:], *lines[n + 1 :]])

            near = f"did you mean '{key}'?"
            if key in ("parameter", "unit") or (name, key, start) in PARAMETERS:
                continue  # any text will do for a unit; a name of a parameter is wrong where it is used
            if key not in ("kind", "at"):
                yield f"{name}-{key}-misspelt", put(f"{key}e", start, end), number + 1, start + 1, near
            if value and line.strip(" -") == found[0].strip():
                again = "\n".join([*lines[: number + 1], " " * start + found[0], *lines[number + 1 :]])
                words = f"duplicate key; it stands already in line {number + 1}"
                yield f"{name}-{key}-twice", again, number + 2, start + 1, words
            if not NUMBER.fullmatch(value):
                continue
            begin, stop = found.span("value")
            yield f"{name}-{key}-no-number", put("much", begin, stop), number + 1, begin + 1, "number"
            if key not in ("at_least", "at_most"):
                yield f"{name}-{key}-too-much", put("1e12", begin, stop), number + 1, begin + 1, "expected"
            yield f"{name}-{key}-unit", put("3 kg", begin, stop), number + 1, begin + 1, "without a unit"
            for own, other in OTHER_UNIT.items():
                if key.endswith(own):
                    wrong = key.removesuffix(own) + other
                    yield f"{name}-{wrong}", put(wrong, start, end), number + 1, start + 1, "unknown key"
                    break


GENERATED = [case for name in SMALL for case in broken_keys(name)]


def test_each_broken_file_is_another_and_every_small_one_is_broken() -> None:
    assert len({written(broken)[0] for broken in ALONE}) == len(ALONE)
    assert {case[0].partition("-")[0] for case in GENERATED} == set(SMALL)


@pytest.mark.parametrize("case", GENERATED, ids=lambda case: case[0])
def test_a_shipped_file_with_a_broken_key(files: Path, case: tuple[str, str, int, int, str]) -> None:
    _, text, line, column, words = case
    (files / FILE).write_text(text)
    told = [p for c in check([FILE]) for p in c.problems]
    assert [(p.file, p.line, p.column) for p in told] == [(FILE, line, column)], [str(p) for p in told]
    assert words in told[0].expected
    assert not NOT_OURS.search(told[0].expected), told[0].expected


# ---- every key there is ----------------------------------------------------------------------------------

SCHEMA = json.loads((SHIPPED / "schemas/scenario.json").read_text())["$defs"]


def below(schema: Any) -> Iterator[str]:
    """Names of what a part of the schema refers to, itself or in what it may be one of."""
    if isinstance(schema, dict):
        if "$ref" in schema:
            yield schema["$ref"].removeprefix("#/$defs/")
        for part in schema.values():
            yield from below(part)
    elif isinstance(schema, list):
        for part in schema:
            yield from below(part)


def with_top(key: str, text: str) -> str:
    """WHOLE with this for what stands under ``key``, or at its end."""
    rest = re.sub(rf"^{key}:.*?\n(?=\S|\Z)", "", WHOLE, flags=re.MULTILINE | re.DOTALL)
    return f"{rest}{key}: {text}\n"


def keys_broken(key: str) -> Iterator[tuple[str, str]]:
    """(key of a scenario file, or of what stands under it; the file with nonsense for its value)."""
    top = SCHEMA["whole_file"]["properties"][key]
    models = [name for name in below(top) if "properties" in SCHEMA[name] and name != "parameter"]
    if not models:
        yield key, with_top(key, "^{nonsense: 1}")
    for name in models:
        keys = SCHEMA[name]["properties"]
        kind = f"kind: {keys['kind']['const']}, " if "kind" in keys else ""
        for inside in set(keys) - {"kind"}:
            entry = f"{{{kind}{inside}: ^{{nonsense: 1}}}}"
            listed = "items" in json.dumps(top)
            yield f"{name}.{inside}", with_top(key, f"\n  - {entry}" if listed else entry)


@pytest.mark.parametrize("key", SCHEMA["whole_file"]["properties"])
def test_nonsense_under_any_key_is_told_at_its_place(files: Path, key: str) -> None:
    """Also of keys that need others beside them; what else is wrong then is told, too."""
    for place, marked in keys_broken(key):
        before, _, after = marked.partition("^")
        line, column = before.count("\n") + 1, len(before.rpartition("\n")[2]) + 1
        (files / FILE).write_text(before + after)
        told = [p for c in check([FILE]) for p in c.problems]
        # at the value, or within it where a key of that name is not known
        assert any(p.line == line and column <= p.column < column + 14 for p in told), (place, told)
        assert not [p.expected for p in told if NOT_OURS.search(p.expected)], place


# ---- several files ---------------------------------------------------------------------------------------

BASES = [
    ({"broken": "based_on: broken.yaml\n"}, "broken", 1, 11, "in a circle: "),
    ({"broken": "based_on: a.yaml\n", "a": "\nbased_on: broken.yaml\n"}, "a", 2, 11, "in a circle: "),
    ({"broken": "name: x\nbased_on: none.yaml\n"}, "broken", 2, 11, "no such file"),
    ({"broken": "based_on: [a.yaml]\n"}, "broken", 1, 11, "the name of a file, got a list of 1"),
    (
        {"broken": "based_on: ../rigs/loopback.yaml\nkind: scenario\n"},
        "broken",
        1,
        11,
        "a file of the same kind",
    ),
    ({"broken": "based_on: whole.yaml\nlaps: 0\n"}, "broken", 2, 7, "from 1 to 1000"),
    ({"broken": "based_on: whole.yaml\nwind: {speed_ms: 2}\n"}, "broken", 2, 8, "did you mean 'speed_m_s'?"),
    (
        {"broken": "based_on: whole.yaml\nevents:\n  - {name: shover, remove: true}\n"},
        *("broken", 3, 5, "goes by name 'shover', so nothing to remove, did you mean 'shower'?"),
    ),
    (
        {"broken": "based_on: whole.yaml\nevents:\n  - {name: trees, remove: true}\n"},
        *("whole", 47, 56, "expected the name of an event of this scenario"),
    ),
    ({"broken": "based_on: whole.yaml\nduration_limit_s: 65\n"}, "whole", 43, 43, "a time before the end"),
    (
        {"broken": "based_on: a.yaml\n", "a": WHOLE.replace("laps: 2", "laps: -2")},
        "a",
        5,
        7,
        "from 1 to 1000",
    ),
    ({"broken": "based_on: a.yaml\n", "a": "name: [\n"}, "a", 2, 1, "not valid YAML"),
]


@pytest.mark.parametrize(("texts", "file", "line", "column", "words"), BASES)
def test_a_file_on_a_base(
    files: Path, texts: dict[str, str], file: str, line: int, column: int, words: str
) -> None:
    runs = files / "scenarios/runs"
    for name, text in {"whole": WHOLE, **texts}.items():
        (runs / f"{name}.yaml").write_text(text)
    (told,) = [p for c in check([FILE]) for p in c.problems]
    assert (Path(told.file).stem, told.line, told.column) == (file, line, column), str(told)
    assert words in told.expected


@pytest.mark.parametrize(
    ("value", "line", "column", "words"),
    [
        ("lin_grip=0.5", 13, 3, "no parameter 'lin_grip' to set; known parameters: line_grip, did you mean"),
        ("line_grip=5", 13, 36, "expected a number from 0.3 to 1.1, set to 5"),
    ],
)
@pytest.mark.usefixtures("nothing_starts")
def test_a_value_set_for_a_parameter(
    files: Path, capsys: pytest.CaptureFixture[str], value: str, line: int, column: int, words: str
) -> None:
    (files / FILE).write_text(WHOLE)
    for command in (("check", FILE), ("run", FILE, "--rig", RIG)):
        assert emulator_command(*command, "--set", value) == 3
        told = capsys.readouterr()
        ((*place, reason),) = said(told.out + told.err)
        assert place == [FILE, line, column]
        assert words in reason


def test_one_broken_event_is_told_once_whatever_else_waits_for_it(files: Path) -> None:
    """Also two that wait for each other, one by way of a third."""
    text = WHOLE.replace("at: {time_s: 20}", "at: {started: shower}")
    text = text.replace("at: {time_s: 30}", "at: {all_of: [{ended: lost}, {time_s: 3}]}")
    text = text.replace("at: {sector: 2}", "at: {first_of: [{started: lost}, {ended: off}]}")
    (files / FILE).write_text(text)
    told = [p for c in check([FILE]) for p in c.problems]
    assert [(p.line, p.key) for p in told] == [(n + 34, f"events.{n}.at") for n in (1, 2, 3, 5)]
    assert {p.expected for p in told} == {"expected events that don't all wait for each other: none starts"}


def test_many_problems_are_told_at_once_in_the_order_of_the_file(files: Path) -> None:
    text = (
        WHOLE.replace("laps: 2", "laps: x")
        .replace("gear: 1", "gear: 9")
        .replace("limit_m: 1.5", "limit_m: 0")
    )
    (files / FILE).write_text(text)
    told = [p for c in check([FILE]) for p in c.problems]
    assert [(p.line, p.column) for p in told] == [(5, 7), (9, 30), (46, 41)]


# ---- the real command line -------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_real_command_line_tells_the_same_and_leaves_nothing_behind(files: Path) -> None:
    chosen = [b for b in ALONE if b.new in ("laps: ^two", "effect: ^ofset", "limit_m: ^-1.5", "^<<: 1}")]
    expected = []
    for n, broken in enumerate(chosen):
        text, place = written(broken)
        path = files / "scenarios/runs" / f"broken{n}.yaml"
        path.write_text(text)
        expected.append((str(path.relative_to(files)), *place))
    assert len(chosen) == 4
    before = sorted(files.rglob("*"))
    commands = (
        ["check", *(file for file, _, _ in expected)],
        ["run", expected[1][0], "--rig", RIG],
    )
    running = [
        subprocess.Popen(
            [sys.executable, "-m", "emulator", *command],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for command in commands
    ]  # fmt: skip
    told = []
    for process in running:
        told.append(said("".join(process.communicate(timeout=120))))
        assert process.returncode == 3
    assert [[problem[:3] for problem in problems] for problems in told] == [expected, expected[1:2]]
    assert all(holds(text, broken.reason) for (*_, text), broken in zip(told[0], chosen, strict=True))
    assert sorted(files.rglob("*")) == before


# ---- whatever is written ---------------------------------------------------------------------------------

SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=12), st.sampled_from(["x", "trees", "1200", "truth.z_m", "lean", "2027-05-04"]),
)  # fmt: skip
WORDS = sorted(
    set(re.findall(r"[a-z_A-Z]+(?=:)", WHOLE)) | {"parameter", "remove", "all_of", "ended", "asked"}
)
KEYS = st.sampled_from(WORDS) | st.text(max_size=8)
TREES = st.recursive(
    SCALARS,
    lambda below: st.lists(below, max_size=4) | st.dictionaries(KEYS, below, max_size=4),
    max_leaves=12,
)


def places(tree: Any) -> list[tuple[Any, Any]]:
    """(container, key or index) of everything in a tree."""
    items = (
        list(tree.items())
        if isinstance(tree, dict)
        else list(enumerate(tree))
        if isinstance(tree, list)
        else []
    )
    return [pair for key, value in items for pair in ((tree, key), *places(value))]


def refused_or_not(text: str) -> None:
    """load_scenario takes it, or raises ConfigError with places in it and words of ours."""
    Path(FILE).write_text(text, encoding="utf-8", newline="")
    lines = re.split("\r\n|\r|\n", text)  # each ends a line (YAML 1.2.2, 5.4)
    problems = []
    try:
        load_scenario(FILE)
    except ConfigError as error:
        problems = error.problems or ["nothing was said"]
    for problem in problems:
        assert isinstance(problem, Problem)
        assert problem.file == FILE
        assert 1 <= problem.line <= len(lines)
        assert 1 <= problem.column <= len(lines[problem.line - 1]) + 1
        assert problem.expected
        assert "pydantic" not in problem.expected
        assert "Input should" not in problem.expected
        assert "expected something else" not in problem.expected


@given(TREES)
@settings(max_examples=30)
def test_any_tree_is_taken_or_refused(files: Path, tree: Any) -> None:
    refused_or_not(json.dumps(tree))


@given(st.data())
@settings(max_examples=30)
def test_a_scenario_with_anything_anywhere_is_taken_or_refused(files: Path, data: st.DataObject) -> None:
    (files / "whole.yaml").write_text(WHOLE)
    tree = copy.deepcopy(based_on.load(files / "whole.yaml").data)
    for _ in range(data.draw(st.integers(1, 3))):
        inside, key = data.draw(st.sampled_from(places(tree)))
        match data.draw(st.sampled_from(["put", "take", "add"])):
            case "put":
                inside[key] = data.draw(TREES)
            case "take":
                del inside[key]
            case _ if isinstance(inside, dict):
                inside[data.draw(KEYS)] = data.draw(TREES)
            case _:
                inside.append(data.draw(TREES))
    refused_or_not(json.dumps(tree, indent=1))


def test_a_carriage_return_ends_a_line_as_others_do(files: Path) -> None:
    refused_or_not(WHOLE[:511] + "\r" + WHOLE[513:])
    refused_or_not(WHOLE.replace("\n", "\r\n")[:511])


@given(st.data())
@settings(max_examples=30)
def test_a_scenario_with_any_letters_changed_is_taken_or_refused(files: Path, data: st.DataObject) -> None:
    text = WHOLE
    for _ in range(data.draw(st.integers(1, 3))):
        begin = data.draw(st.integers(0, len(text)))
        end = min(len(text), begin + data.draw(st.integers(0, 12)))
        put = data.draw(
            st.text("{}[]:,-#&*!|>'\"%@`? \n\tabz09._", max_size=4)
            | st.text(st.characters(exclude_categories=["Cs"]), max_size=3)
        )
        text = text[:begin] + put + text[end:]
    refused_or_not(text)
