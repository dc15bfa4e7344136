"""Surprises that somebody has acknowledged (emulator.config.campaign.acknowledged), and those nobody has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from emulator.campaign.comparison.ridden import Ridden
from emulator.config.campaign.acknowledged import Entry


@dataclass(frozen=True)
class Borne:
    """An entry and the surprises it means; ``expired``: they are surprises all the same."""

    entry: Entry
    rows: tuple[Ridden, ...]
    expired: bool


def sort_out(
    surprises: Sequence[Ridden], entries: Sequence[Entry], today: date
) -> tuple[tuple[Ridden, ...], tuple[Borne, ...]]:
    """Surprises that nobody has acknowledged, or no longer, and every entry with those it means.

    today  the day the runs are judged by; an entry holds on its last day
    """

    def means(entry: Entry, row: Ridden) -> bool:
        return entry.means(row.case_id, *row.group)

    meant: dict[int, list[Ridden]] = {}
    left: list[Ridden] = []
    for row in surprises:
        holding = (i for i, entry in enumerate(entries) if means(entry, row) and today <= entry.until)
        expired = (i for i, entry in enumerate(entries) if means(entry, row) and today > entry.until)
        first = next(holding, None)
        if first is None:
            left.append(row)
            first = next(expired, None)
        if first is not None:
            meant.setdefault(first, []).append(row)
    borne = [Borne(entry, tuple(meant.get(i, ())), today > entry.until) for i, entry in enumerate(entries)]
    return tuple(left), tuple(borne)
