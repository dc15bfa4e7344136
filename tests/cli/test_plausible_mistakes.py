"""A hundred plausible mistakes with one's own robot, names, points and bike: each answered at its place."""

from __future__ import annotations

import functools
import os
import pickle
import re
import shlex
import shutil
import zipfile
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest
import typer.main

import emulator.inspection.rehearsal.on_bench
import emulator.runs.one
from emulator.assembly.session import Session
from emulator.config import based_on, yaml_source
from emulator.config.software.stepped_robot import PythonRobot
from emulator.core.errors import EmulatorError
from emulator.record.writer import RunWriter
from emulator.stages.own_robot.choice import robot_of
from emulator.stages.virtual import VirtualRide
from tests.support.command_line import emulator_command
from tests.support.plausible_mistakes.every import EVERY, GROUPS
from tests.support.plausible_mistakes.mistake import Mistake
from tests.support.scripted_robot import variant
from tests.support.surveyed import geodetic, oval, write_csv, write_gpx

SHIPPED = Path(__file__).parents[2] / "scenarios"
_RIDES = [folder.name for folder in (SHIPPED / "runs").iterdir() if folder.is_dir()]


class Began(BaseException):
    """A ride would begin now; nobody but the test may take it for an error."""

    def __init__(self, session: Session) -> None:
        self.session = session


@pytest.fixture(scope="module", autouse=True)
def _prepared_once() -> Iterator[None]:
    """Files that did not change are not parsed again, nor is the command line built: most of an answer."""
    parse, kept = yaml_source.load, dict[tuple[str, bytes], bytes]()

    def load(path: str | os.PathLike[str]) -> yaml_source.Source:
        try:
            key = (os.fspath(path), Path(path).read_bytes())
        except OSError:
            return parse(path)
        if key not in kept:
            kept[key] = pickle.dumps(parse(path))
        return pickle.loads(kept[key])  # type: ignore[no-any-return]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(based_on, "load", load)
        patch.setattr(typer.main, "get_command", functools.cache(typer.main.get_command))
        yield


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped files, and points of a small oval."""
    folder = tmp_path_factory.mktemp("sound") / "files"
    shutil.copytree(SHIPPED, folder, ignore=shutil.ignore_patterns("schemas", *_RIDES))
    places = oval()
    write_csv(folder / "my.csv", ["east", "north"], places)
    table = geodetic(places)
    write_gpx(folder / "my.gpx", table)
    write_gpx(folder / "swapped.gpx", table[:, [1, 0, 2]])
    return folder


@pytest.fixture
def files(sound: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of them, to stand in."""
    folder = tmp_path / "files"
    shutil.copytree(sound, folder)
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def answer(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[[str], tuple[int | None, str]]:
    """Exit status and what is said to what is typed; of a ride that begins None, and what its robot did."""

    def begin(session: Session, *_: Any, **__: Any) -> None:
        raise Began(session)

    monkeypatch.setattr(emulator.runs.one, "ride", begin)
    monkeypatch.setattr(emulator.inspection.rehearsal.on_bench, "rehearse", begin)

    def ask(typed: str) -> tuple[int | None, str]:
        status: int | None = None
        more = ""
        try:
            status = emulator_command(*shlex.split(typed))
        except Began as began:
            more = ridden(began.session, tmp_path / "run")
        out, err = capfd.readouterr()
        return status, f"{out}{err}{more}"

    return ask


def ridden(session: Session, folder: Path) -> str:
    """What is said of the robot's software at the beginning of its ride; limits are short.

    A class is in this process, which starts sooner and says the same: tests/stages/own_robot.
    """
    how = session.rig.device_under_test.virtual
    assert how is not None
    nearer = {"process": "ours"} if isinstance(how, PythonRobot) else {}
    hasty = how.model_copy(update={"step_limit_s": 0.3, **nearer})
    limits = session.rig.limits.model_copy(update={"arming_timeout_s": 0.5})
    device = session.rig.device_under_test.model_copy(update={"virtual": hasty})
    session = variant(
        session,
        rig={"device_under_test": device, "limits": limits},
        scenario={"duration_limit_s": 0.2},
    )
    try:
        with robot_of(session, hashes=lambda: {"f" * 64}) as robot, RunWriter(folder, {}) as writer:
            outcome, _ = VirtualRide(session, robot).run(writer)
    except EmulatorError as error:
        return str(error)
    failure = outcome.get("robot_failure") or {}
    return f"{failure.get('text', '')}\n{failure.get('traceback', '')}"


def write(files: Mapping[str, str]) -> None:
    """Write files; of a name with ``!`` the member behind it is packed into the archive before it."""
    for name, text in files.items():
        archive, _, member = name.partition("!")
        if not member:
            Path(name).write_text(text)
        elif text:
            with zipfile.ZipFile(archive, "a") as packed:
                packed.writestr(member, text)


def make(mistake: Mistake, sound: Mapping[str, str]) -> tuple[str, int, int] | None:
    """Put the mistake into the files; file, line and column that the answer has to point to, if it is one."""
    place = None
    changed = dict(sound)
    for name, change in mistake.files.items():
        new = change
        if isinstance(change, tuple):
            text = changed[name] if name in changed else Path(name).read_text()
            old, new = change
            assert text.count(old) == 1, (name, old)
            new = text.replace(old, new)
        before, marked, behind = str(new).partition("^")
        if marked:
            place = (name, before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
        changed[name] = before + behind
    write(changed)
    assert (place is None) == bool(mistake.at), "either a place or words for it"
    return place


def points_to(place: tuple[str, int, int], told: str) -> bool:
    file, line, column = place
    if file.endswith(".py"):  # by a traceback, or by the checker
        return re.search(rf'{re.escape(file)}(?:"?,|:) ?(?:line )?{line}\b', told) is not None
    return re.search(rf"(?:^|/){re.escape(file)}:{line}:{column}: ", told, re.MULTILINE) is not None


def test_there_are_a_hundred() -> None:
    assert len(EVERY) == len({mistake.did for mistake, _ in EVERY}) == 100


@pytest.mark.parametrize(("mistake", "sound_files"), EVERY, ids=[m.did for m, _ in EVERY])
@pytest.mark.usefixtures("files")
def test_it_is_answered_at_its_place_with_what_to_do(
    mistake: Mistake, sound_files: Mapping[str, str], answer: Callable[[str], tuple[int | None, str]]
) -> None:
    place = make(mistake, sound_files)
    status, told = answer(mistake.typed)
    assert status in (None, 3), told
    if place is not None:
        assert points_to(place, told), (place, told)
    assert mistake.at in told
    assert [words for words in mistake.says if words not in told] == [], told
    if status == 3:
        assert "Traceback" not in told


@pytest.mark.parametrize("group", [2, 3, 4], ids=["software", "line client", "unit"])
@pytest.mark.usefixtures("files")
def test_without_the_mistake_nothing_is_said(
    group: int, answer: Callable[[str], tuple[int | None, str]]
) -> None:
    """Or every answer might be to something else."""
    mistakes, sound_files = GROUPS[group]
    write(sound_files)
    status, told = answer(mistakes[0].typed)
    assert status in (None, 0)
    assert "expected" not in told
    assert "failed" not in told
