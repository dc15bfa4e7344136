"""The live page beside a run, as `emulator run --console` opens it."""

from __future__ import annotations

import asyncio
import sys
import termios
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from emulator.core.errors import ConfigError, RunFailed

if TYPE_CHECKING:
    from emulator.assembly.session import Session
    from emulator.config.rig.shown.console import Console, Tokens
    from emulator.config.rig.shown.named_files import path_named_in
    from emulator.console.beside import LivePage
    from emulator.shared_memory.block import Snapshot
    from emulator.stages.bench.supervisor import Beside


def settings_of(path: Path, port: int | None) -> tuple[Console, dict[str, str], Tokens]:
    """The rig file's live page with its secrets read, and the paths of certificate and key.

    port  instead of the rig's

    Raises ConfigError.
    """
    from emulator.config.rig.file import load_rig
    from emulator.config.rig.shown.console import Console, Tokens, read_tokens

    rig, source = load_rig(path)
    given = rig.console or Console()
    settings = given if port is None else given.model_copy(update={"port": port})
    if rig.console is None:
        return settings, {}, Tokens()
    tokens, problems = read_tokens(given, lambda name: path_named_in(source, "console", name))
    if problems:
        raise ConfigError([source.problem(("console", key), text) for key, text in problems])
    named = {key: getattr(given, key) for key in ("certificate_file", "key_file")}
    return (
        settings,
        {key: path_named_in(source, "console", name) for key, name in named.items() if name},
        tokens,
    )


@contextmanager
def needs_the_extra() -> Iterator[None]:
    """Imports of the live page happen in here. Raises RunFailed where its libraries are not installed."""
    try:
        yield
    except ModuleNotFoundError as error:
        raise RunFailed(
            f"the live page needs {error.name}, which is not installed",
            advice="install the extra: pip install 'emulator[console]'",
        ) from error


def open_page(
    session: Session, rig: Path, folder: Path, port: int | None, say: Callable[[str], None]
) -> LivePage:
    """The live page of a run that is about to begin. Raises ConfigError, StartFailed, RunFailed."""
    with needs_the_extra():
        from emulator.console.beside import LivePage
    settings, files, tokens = settings_of(rig, port)
    page = LivePage(session, folder, settings, files, tokens, say)
    for line in page.greeting():
        say(line)
    return page


def together(parts: Sequence[Beside]) -> Beside | None:
    """One thing beside a run that is all of these; one that breaks leaves the others."""
    if len(parts) < 2:
        return parts[0] if parts else None

    async def beside(snapshot: Snapshot) -> None:
        results: list[Any] = await asyncio.gather(*(part(snapshot) for part in parts), return_exceptions=True)
        for result in results:
            if isinstance(result, Exception):
                raise result

    return beside


def wait_at_the_terminal(say: Callable[[str], None]) -> None:
    """The page stays until Enter is pressed; without a terminal it goes at once."""
    if not sys.stdin.isatty():
        return
    termios.tcflush(sys.stdin, termios.TCIFLUSH)
    say("the live page stays until Enter is pressed")
    sys.stdin.readline()
