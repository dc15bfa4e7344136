"""How a campaign came out, counted, and the exit status that follows."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from emulator.campaign.store.schema import COUNTING, ERROR, Row


@dataclass
class Counts:
    """Rows by how they came out.

    as_expected  those that count and are no surprise; it may be that nothing was expected of them
    surprises    those that came out other than expected
    invalid      those that say nothing about the robot, stopped ones among them
    errors       those that could not be ridden or judged
    """

    as_expected: int = 0
    surprises: int = 0
    invalid: int = 0
    errors: int = 0

    @property
    def done(self) -> int:
        """All of them."""
        return self.as_expected + self.surprises + self.invalid + self.errors

    def add(self, row: Row) -> None:
        """Count a row."""
        if row["result"] == ERROR:
            self.errors += 1
        elif row["as_expected"] is False:
            self.surprises += 1
        elif row["as_expected"] or row["result"] in COUNTING:
            self.as_expected += 1
        else:
            self.invalid += 1


def counted(rows: Iterable[Row]) -> Counts:
    """The counts of some rows."""
    counts = Counts()
    for row in rows:
        counts.add(row)
    return counts
