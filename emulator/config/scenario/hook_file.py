"""What can be said of a hook's file without running it.

Apart from the class itself (emulator.config.scenario.hook), whose process loads nothing that reads files.
"""

from __future__ import annotations

from emulator.config.scenario.hook import FORMER_MODULE
from emulator.config.software.python_class import NoPython, names_in
from emulator.core.errors import Problem, UnreadableError
from emulator.core.outside.reading import PYTHON, read_whole
from emulator.core.signals import FORMER_SIGNALS


def wrong_in(file: str, name: str) -> tuple[str, str] | None:
    """What keeps a file from having a class of that name: the key of ``hook`` it shows at, and the sentence.

    The file is read, not run: what only shows then is the host's to find.
    """
    try:
        names = names_in(file)
    except NoPython as error:
        return "file", str(error)
    lacking = names.without(file, name)
    return None if lacking is None else ("name", lacking)


def former_names_in(file: str) -> list[Problem]:
    """A warning for every line of a hook's file that has a name of the version before."""
    present = {FORMER_MODULE: "emulator", **FORMER_SIGNALS}
    try:
        lines = read_whole(file, PYTHON).decode("utf-8").splitlines()
    except (UnreadableError, UnicodeDecodeError):
        return []  # whoever runs the file says so
    return [
        Problem(
            file,
            number,
            line.index(former) + 1,
            "",
            f"{former!r} is called {now!r} now; the former name works in this version and no further",
        )
        for number, line in enumerate(lines, start=1)
        for former, now in present.items()
        if former in line
    ]
