"""What a rehearsal finds, and whose it is: only what can't be the bench's is told as the robot's."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, TypeAlias

Whose: TypeAlias = Literal["robot", "bench", "nobody knows"]
Result: TypeAlias = Literal["sound", "defects", "not judged"]


@dataclass(frozen=True)
class Finding:
    """One thing that is not as the rig has it, with its evidence.

    kind      of it, a word a program can go by: missing, crc, counter, sign, ...
    about     frame or signal
    whose     robot: proven; bench: this bench's own doing; nobody knows: not to be told from here
    what      in words
    measured  figures
    expected  what the rig or the DBC asks for
    samples   frames in hexadecimal, as they came
    look      where to look
    """

    kind: str
    about: str
    whose: Whose
    what: str
    measured: str
    expected: str
    look: str
    samples: tuple[str, ...] = ()


def result_of(findings: Iterable[Finding]) -> Result:
    """Defects if anything is proven against the robot; sound only if nothing was left open."""
    whose = {finding.whose for finding in findings}
    if "robot" in whose:
        return "defects"
    return "not judged" if whose else "sound"
