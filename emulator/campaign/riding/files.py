"""The files that cases are made of: which, what was in them, and the same tree on another machine."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

from emulator.campaign.plan.case import Case, CaseFiles
from emulator.config.based_on import load_with_bases
from emulator.config.yaml_source import Source, beside
from emulator.core.errors import ConfigError, StartFailed, UnreadableError
from emulator.core.outside.reading import KEPT_COPY, read_whole


def files_of(cases: Iterable[Case], files: CaseFiles) -> dict[str, bytes]:
    """What is in every file that cases are made of, by absolute path; what can't be read is left out.

    Scenarios, rigs and vehicles with what they are based on, circuits, DBC files, hooks, files of robots.
    """
    paths: set[str] = set()
    seen: set[tuple[object, ...]] = set()
    for case in cases:
        key = (case.scenario, case.rig, case.vehicle, case.robot, *_files_in(case))
        if key not in seen:
            seen.add(key)
            paths.update(map(os.path.abspath, _named_by(case, files)))
    found = {}
    for path in sorted(paths):
        try:
            found[path] = read_whole(path, KEPT_COPY)
        except UnreadableError:  # its cases say so
            continue
    return found


def hashes_of(contents: Mapping[str, bytes]) -> dict[str, str]:
    """SHA-256 of each."""
    return {path: hashlib.sha256(content).hexdigest() for path, content in contents.items()}


def _named_by(case: Case, files: CaseFiles) -> Iterator[str]:
    yield from (os.fspath(path) for path in (case.scenario, case.rig, case.vehicle) if path is not None)
    if case.robot:
        yield case.robot.rpartition(":")[0]
    yield from _files_in(case)
    try:
        scenario, rig = files.scenario(case), files.rig(case)
        yield from (*scenario.bases, *rig.bases)
        for source, loc in (
            (scenario, ("circuit",)),
            (scenario, ("hook", "file")),
            (rig, ("dbc",)),
            (rig, ("vehicle",)),
            (rig, ("device_under_test", "virtual", "file")),
        ):
            if (named := _text_at(source, loc)) is not None:
                yield named
                if loc[-1] in ("circuit", "vehicle"):
                    yield from load_with_bases(named).bases
        yield from _in_command(rig)
        if case.vehicle is not None:
            yield from load_with_bases(case.vehicle).bases
    except ConfigError:  # the case says so
        return


def _text_at(source: Source, loc: tuple[str, ...]) -> str | None:
    """The file that a source names at a place, if it names one there."""
    value: Any = source.data
    for part in loc:
        value = value.get(part) if isinstance(value, dict) else None
    return beside(source.file_of(loc), value) if isinstance(value, str) and value else None


def _in_command(rig: Source) -> Iterator[str]:
    """Files that the command of a robot's program names."""
    loc = ("device_under_test", "virtual", "command")
    words: Any = rig.data
    for part in loc:
        words = words.get(part) if isinstance(words, dict) else None
    for i, word in enumerate(words if isinstance(words, list) else ()):
        if isinstance(word, str) and os.path.isfile(near := beside(rig.file_of((*loc, i)), word)):
            yield near


def _files_in(case: Case) -> list[str]:
    """Files that a case's overlays name; such names are absolute."""
    texts = [
        text
        for overlay in (case.scenario_overlay, case.rig_overlay, case.vehicle_overlay)
        for text in _texts(overlay)
    ]
    return sorted({text for text in texts if os.path.isabs(text) and os.path.isfile(text)})


def _texts(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for inner in value.values():
            yield from _texts(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from _texts(inner)


class Bundle(NamedTuple):
    """A tree of files that goes to another machine.

    root   the folder they are below, where they came from
    files  their contents by the path from there
    key    SHA-256 of all of it, 16 hexadecimal digits
    """

    root: str
    files: Mapping[str, bytes]
    key: str


def bundle_of(contents: Mapping[str, bytes], plan: Path) -> Bundle:
    """The tree of some files and the plan's folder."""
    root = os.path.commonpath([os.path.dirname(path) for path in (*contents, os.path.abspath(plan))])
    files = {os.path.relpath(path, root): content for path, content in sorted(contents.items())}
    digest = hashlib.sha256()
    for path, content in files.items():
        digest.update(f"{path}\0{hashlib.sha256(content).hexdigest()}\n".encode())
    return Bundle(root, files, digest.hexdigest()[:16])


class Unpacked:
    """A bundle's tree on this machine: where its files are by right, else in a temporary folder.

    By right: each is there, under its own name, with the same content.
    """

    def __init__(self, bundle: Bundle) -> None:
        self._from = bundle.root
        self.root = bundle.root if _is_there(bundle, bundle.root) else self._put_down(bundle)

    def _put_down(self, bundle: Bundle) -> str:
        folder = os.path.join(tempfile.gettempdir(), f"campaign-{os.getuid()}-{bundle.key}")
        try:
            for place, content in bundle.files.items():
                path = Path(folder, place)
                path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
                partial = path.with_name(f".{path.name}.{os.getpid()}")
                partial.write_bytes(content)
                partial.chmod(0o700)  # a robot's program is started
                partial.replace(path)
        except OSError as error:
            raise StartFailed(f"the files of a campaign can't be put down in {folder}: {error}") from error
        if not _is_there(bundle, folder) or os.stat(folder).st_uid != os.getuid():
            raise StartFailed(f"{folder} does not hold what was put there")
        return folder

    def path(self, path: Path | str) -> Path:
        """Where a file of the tree lies here."""
        return Path(self._moved(os.path.abspath(path)))

    def case(self, case: Case) -> Case:
        """The case with its files as they lie here; its identity stays."""
        if self.root == self._from:
            return case
        file, colon, name = case.robot.rpartition(":")
        return replace(
            case,
            scenario=self.path(case.scenario),
            rig=self.path(case.rig),
            vehicle=None if case.vehicle is None else self.path(case.vehicle),
            robot=f"{self.path(file)}{colon}{name}" if case.robot else "",
            scenario_overlay=self._moved_in(case.scenario_overlay),
            rig_overlay=self._moved_in(case.rig_overlay),
            vehicle_overlay=self._moved_in(case.vehicle_overlay),
        )

    def _moved(self, name: str) -> str:
        inside = os.path.isabs(name) and os.path.commonpath([self._from, name]) == self._from
        return os.path.join(self.root, os.path.relpath(name, self._from)) if inside else name

    def _moved_in(self, value: Any) -> Any:
        if isinstance(value, str):
            return self._moved(value)
        if isinstance(value, Mapping):
            return {key: self._moved_in(inner) for key, inner in value.items()}
        return [self._moved_in(inner) for inner in value] if isinstance(value, list | tuple) else value


def _is_there(bundle: Bundle, root: str) -> bool:
    try:
        return all(Path(root, place).read_bytes() == content for place, content in bundle.files.items())
    except OSError:
        return False
