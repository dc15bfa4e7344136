"""Which descriptions of an interface a robot may have been written for that rides on some rig.

The hash of a description counts every letter of the files it was made from. A rig that is based on another
one, or has values of a campaign's plan over it, so has another hash, and often is the same bench tried
harder: later frames, more noise, narrower limits. Whoever was written for what a rig is based on was written
for the rig, too, as long as every byte that passes between the two is laid out alike. A ride's description,
which holds its line, counts only where line and start are the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from emulator.assembly.session import load_session
from emulator.config.based_on import File, source_of
from emulator.config.rig.file import Rig, load_rig
from emulator.config.rig.frames import read_codec
from emulator.config.scenario.schema import Scenario
from emulator.core.errors import ConfigError
from emulator.core.keeping.in_memory import Remembered
from emulator.inspection.interface.derive import interface_of
from emulator.inspection.line_for_robot import LineForRobot, line_for_robot
from emulator.wire.can_frames import Codec

Parameters: TypeAlias = Mapping[str, int | float]

_MOST = 64  # hashes; those of one plan's files are few
_LINE_STEP_m = 10.0


class Descriptions:
    """Hashes of descriptions, each worked out once: as long as this is kept, files do not change."""

    def __init__(self) -> None:
        self._known: Remembered[str | None] = Remembered(_MOST)

    def written_for(self, rig: File, scenario: File, parameters: Parameters | None = None) -> Iterator[str]:
        """Hashes that the robot of a ride may say, one after another as they are worked out.

        rig, scenario  by path, or as they were read, also with values put over them
        parameters     of the scenario, as it is ridden
        Raises ConfigError for a rig or a scenario that is not right.
        """
        rigs = tuple(_read_alike(rig))
        for file in rigs:
            yield from self._hash(file)
        for ride, values in _same_rides(rig, scenario, parameters):
            for file in rigs:
                yield from self._hash(file, ride, values)

    def _hash(
        self, rig: str, scenario: str | None = None, parameters: Parameters | None = None
    ) -> Iterator[str]:
        """One, or none of files that are a piece of one and can't be described."""

        def worked_out() -> str | None:
            try:
                ride = None if scenario is None else Path(scenario)
                return interface_of(Path(rig), ride, parameters).interface.content_sha256
            except ConfigError:
                return None

        found = self._known.get((rig, scenario, *sorted((parameters or {}).items())), worked_out)
        if found is not None:
            yield found


def _read_alike(rig: File) -> Iterator[str]:
    """Of a rig's file and those it is based on, the ones whose frames and sentences are read as the rig's."""
    source = source_of(rig, Rig)
    ridden = _Wire.of(source)
    for file in (source.path, *source.bases):
        try:
            if ridden.read_as(_Wire.of(file)):
                yield file
        except ConfigError:
            continue  # a piece of a rig


@dataclass(frozen=True)
class _Wire:
    """What passes between a bench and its robot."""

    codec: Codec
    outputs: frozenset[str]
    sentences: tuple[str, ...]

    @classmethod
    def of(cls, rig: File) -> _Wire:
        model, source = load_rig(rig)
        return cls(read_codec(model, source), frozenset(model.outputs), model.sensors.gnss.sentences)

    def read_as(self, other: _Wire) -> bool:
        """Whether a robot that was written for the other one reads this one right, and is read right.

        A frame of the bench that only one of the two has is silence to the robot, or none of its business.
        """
        known = set(other.codec.frames)
        theirs = set(self.codec.frames) - self.outputs
        both = known.intersection(self.codec.frames)
        return (
            self.sentences == other.sentences
            and theirs <= known - other.outputs
            and all(self.codec.layout(name) == other.codec.layout(name) for name in both)
        )


def _same_rides(
    rig: File, scenario: File, parameters: Parameters | None
) -> Iterator[tuple[str, Parameters | None]]:
    """The scenario's file as it is ridden; then it and its bases as they stand, those of the same line."""
    source = source_of(scenario, Scenario)
    if not source.put_over:
        yield source.path, parameters
    ridden = _line(rig, source, parameters)
    for file in (source.path, *source.bases):
        if file == source.path and not source.put_over and not parameters:
            continue  # told already
        try:
            if _line(rig, file, None) == ridden:
                yield file, None
        except ConfigError:
            continue  # a piece of a scenario, or one that does not go with the rig


def _line(rig: File, scenario: File, parameters: Parameters | None) -> LineForRobot:
    session = load_session(rig, scenario, parameters=parameters)
    return line_for_robot(session, _LINE_STEP_m)._replace(name="")
