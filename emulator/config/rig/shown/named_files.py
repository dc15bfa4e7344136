"""Files that a section of a rig names and no run folder keeps: passwords, tokens, certificates."""

from __future__ import annotations

import os
from collections.abc import Callable

from emulator.config.validation import Closed
from emulator.config.yaml_source import Source, beside
from emulator.core.errors import UnreadableError
from emulator.core.outside.reading import SECRET, FileKind, read_whole

Problems = list[tuple[str, str]]
"""What is wrong with such files: the key of the section that names one, and why."""


def path_named_in(source: Source, section: str, name: str) -> str:
    """Where a file lies that a section of a rig names, which may stand in a base of the rig."""
    key = next((key for key, value in source.data[section].items() if value == name), "")
    return beside(source.file_of((section, key)), name)


def content_of(
    settings: Closed, key: str, path_of: Callable[[str], str], problems: Problems, kind: FileKind = SECRET
) -> bytes | None:
    """What the file holds that a key names; None if it names none, or if it can't be read, which is added.

    path_of  makes a path of a name in the rig
    """
    name = getattr(settings, key)
    if name is None:
        return None
    path = path_of(name)
    if not os.path.exists(path):
        problems.append((key, f"no such file: {path} (paths are relative to this file)"))
        return None
    try:
        return read_whole(path, kind)
    except UnreadableError as error:
        problems.append((key, f"{path} can't be read: {error.why}"))
        return None
