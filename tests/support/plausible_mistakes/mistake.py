"""What a mistake is here: what somebody did, where the message has to point, what it has to say to do."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

CHECK = "check runs/straight.yaml --rig rigs/mine.yaml --virtual"
RIDE = "run runs/straight.yaml --rig rigs/mine.yaml --virtual"


class Mistake(NamedTuple):
    """A mistake in files of one's own, or in what was typed.

    did    what the user did, in words
    typed  the command that follows, behind ``emulator``, in a copy of the shipped folder
    files  what is changed before: (old, new) of a file that is there, or the text of a new one; ``^`` stands
           where the message has to point to
    at     where the message has to point, if that is not said by ``^``: an option, a line of a protocol
    says   what the message has to contain, in any order: what was expected and what to do
    """

    did: str
    typed: str
    files: Mapping[str, tuple[str, str] | str]
    at: str
    says: tuple[str, ...]
