"""Copies of the files a run was made from, kept in its folder: what a replay is built from again.

They lie below ``files/`` as the originals lay to each other, so that what names a file relative to itself
still finds it. A name from the root of the file system finds the copy, too: the manifest says which. Nothing
outside of the folder is read, whatever its manifest, the copies or links say, but what the user names.
Only what ``load_session`` reads is copied. Files of secrets are named in a rig and not read there.

Sessions are imported where one is made anew: the recorder keeps copies and needs no more.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from emulator.assembly.kept_files import NAMED_VEHICLE, kind_of_copy
from emulator.core.errors import RecordError, StartFailed, UnreadableError
from emulator.core.keeping.versions import version_of
from emulator.core.outside.reading import is_inside, only_inside, read_whole
from emulator.record.writer import COPIES_FOLDER, MANIFEST_FILE

if TYPE_CHECKING:
    from emulator.assembly.session import Session


def copy_places(paths: Mapping[str, str]) -> dict[str, str]:
    """Where each file's copy lies below a run folder, by the name the session gives the file."""
    whole = {name: os.path.abspath(path) for name, path in paths.items()}
    root = os.path.commonpath([os.path.dirname(path) for path in whole.values()])
    return {
        name: f"{COPIES_FOLDER}/{PurePath(os.path.relpath(path, root)).as_posix()}"
        for name, path in whole.items()
    }


def manifest_of(session: Session, *, stage: str, robot: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """The session's manifest with the places of the copies beside the hashes of the files.

    robot  who rides, with kind, name and version; None: who the rig says

    ``from_root``: places of the files that were named from the root of the file system, by that name.
    """
    places = copy_places(session.paths)
    from_root = {path: places[name] for name, path in session.paths.items() if os.path.isabs(path)}
    return {
        **session.manifest(stage=stage),
        "copies": places,
        "robot": dict(robot) if robot is not None else robot_of_rig(session),
        **({"from_root": from_root} if from_root else {}),
    }


def robot_of_rig(session: Session) -> dict[str, str]:
    """Who rides where nobody else was named: the reference robot, or who the rig says."""
    if session.rig.device_under_test.kind == "reference":
        return {"kind": "reference", "name": "reference robot", "version": version_of("emulator")}
    return {"kind": "external", "name": session.rig.robot.name, "version": ""}


def copies(files: Mapping[str, str], paths: Mapping[str, str]) -> dict[str, bytes]:
    """Contents by place, for the record. Raises StartFailed if one is no longer what was read and checked.

    files, paths  of the session: SHA-256 and path by name
    """
    contents = {}
    for name, place in copy_places(paths).items():
        try:
            content = read_whole(paths[name], kind_of_copy(name))
        except UnreadableError as error:
            raise StartFailed(f"{paths[name]} can't be read any more: {error.why}") from error
        if hashlib.sha256(content).hexdigest() != files[name]:
            raise changed(paths[name])
        contents[place] = content
    return contents


def changed(path: str) -> StartFailed:
    """The error of a file that is not what was checked before."""
    return StartFailed(f"{path} was changed while the run was starting", advice="start it again")


def session_of_record(
    folder: Path,
    manifest: Mapping[str, Any],
    *,
    rig: Path | None = None,
    scenario: Path | None = None,
    vehicle: Path | None = None,
) -> Session:
    """The session a run was ridden with, from the copies in its folder; a file named here replaces its.

    Raises RecordError where copies are missing or altered, ConfigError for what is wrong in files.
    """
    from emulator.assembly.session import load_session

    places, hashes, seed = manifest.get("copies"), manifest.get("files"), manifest.get("seed")
    if not isinstance(places, dict) or not isinstance(hashes, dict) or not {"rig", "scenario"} <= set(places):
        raise RecordError(
            f"{folder / MANIFEST_FILE} names no copies of the files it was made from",
            advice="it was recorded before runs kept them; ride again",
        )
    if not isinstance(seed, int):
        raise RecordError(f"{folder / MANIFEST_FILE} names no seed", advice="restore it from a copy")
    if manifest.get("put_over"):
        raise RecordError(
            f"{folder / MANIFEST_FILE} was ridden with values that stand in none of its files",
            advice="ride the case by itself: emulator campaign case PLAN ID --out FOLDER",
        )
    for name, place in places.items():
        path = _copy(folder, place)
        try:
            content = read_whole(path, kind_of_copy(name))
        except UnreadableError as error:
            raise RecordError(f"{path} can't be read: {error.why}", advice="restore it") from error
        if hashlib.sha256(content).hexdigest() != hashes.get(name):
            raise RecordError(
                f"{path} is not what was ridden: its hash is not the one in {MANIFEST_FILE}",
                advice="restore it; to try other files name them with --rig, --scenario or --vehicle",
            )
    from_root = manifest.get("from_root", {})
    stand_ins = {original: str(_copy(folder, place)) for original, place in from_root.items()}
    instead = folder / places["vehicle"] if NAMED_VEHICLE in places and rig is None else None
    with only_inside(folder / COPIES_FOLDER, stand_ins):
        session = load_session(
            rig or folder / places["rig"],
            scenario or folder / places["scenario"],
            seed=seed,
            vehicle=vehicle or instead,
            parameters=manifest.get("parameters") if scenario is None else None,
            stage="replay" if scenario is None else "virtual",
        )
    if not (rig or scenario or vehicle):
        for name, digest in session.files.items():
            if digest != hashes.get(name):
                raise RecordError(
                    f"{session.paths[name]} is not what was ridden: another copy is named in its place",
                    advice="restore it; to try other files name them with --rig, --scenario or --vehicle",
                )
    return session


def _copy(folder: Path, place: str) -> Path:
    """Where a copy lies. Raises RecordError for a place outside of the copies, however it leads there."""
    path = folder / place
    if not is_inside(path, folder / COPIES_FOLDER):
        raise RecordError(
            f"{folder / MANIFEST_FILE} names {place} as a copy, which is not below {COPIES_FOLDER}/",
            advice="a run folder is read by itself; restore it from a copy",
        )
    return path
