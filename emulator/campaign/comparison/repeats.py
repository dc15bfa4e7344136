"""What repeats of the same ride say: whose outcome changes from one to the next, nobody can judge by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emulator.campaign.comparison.ridden import Ridden


@dataclass(frozen=True)
class Flaky:
    """Repeats of one ride that did not all come out alike.

    failed  of ``rows``, which all count
    """

    rows: tuple[Ridden, ...]

    @property
    def failed(self) -> int:
        """How many failed."""
        return sum(row.result == "fail" for row in self.rows)


@dataclass(frozen=True)
class Repeats:
    """What was found among repeats.

    rides             how many rides were repeated at all
    flaky             those of more than one outcome
    not_reproducible  rides on the stepped clock whose repeats recorded other signals: there, that is a defect
                      of the robot's software or of this program
    """

    rides: int
    flaky: tuple[Flaky, ...]
    not_reproducible: tuple[Ridden, ...]


def repeats_of(rows: Sequence[Ridden]) -> Repeats:
    """Rows of one campaign, told by everything but the number of the repeat."""
    rides: dict[tuple[object, ...], list[Ridden]] = {}
    for row in rows:
        if row.of_robot:
            key = (row.place[:3], row.rig, row.vehicle, row.robot, row.stage, row.parameters, row.contents)
            rides.setdefault(key, []).append(row)
    repeated = [ride for ride in rides.values() if len(ride) > 1]
    flaky = [Flaky(tuple(ride)) for ride in repeated if len({row.result for row in ride}) > 1]
    other = [
        ride[0]
        for ride in repeated
        if ride[0].stage == "virtual" and len({row.signals_sha256 for row in ride}) > 1
    ]
    return Repeats(len(repeated), tuple(flaky), tuple(other))
