"""How a campaign used a bench: every attempt is counted, those that do not count wear it, too."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow.compute as pc

from emulator.campaign.store.folder import result_files
from emulator.campaign.store.reading import read_table
from emulator.campaign.store.schema import SCHEMA, WEAR

_NUMBER = re.compile(r"\d[\d.,]*")
_READ = ["stage", "case_id", "attempt", "cause", "wear", "notices", "began"]


@dataclass(frozen=True)
class BenchUse:
    """What was moved, and what was told beside the rides.

    rides    how many, with those that were ridden again
    again    why rides did not count and were ridden again, with when each began (UTC); one whatever numbers
             the sentence holds, in the words of the first
    wear     times by what was moved, as ``schema.WEAR`` names it
    notices  sentences of those beside a ride, such as a broker that was away, with when each ride began (UTC)
    """

    rides: int
    again: Mapping[str, tuple[datetime, ...]]
    wear: Mapping[str, int]
    notices: Mapping[str, tuple[datetime, ...]]


def bench_use(folder: Path) -> BenchUse | None:
    """Of a campaign's folder; None if nothing in it was ridden on a bench. Raises RecordError."""
    rows: list[dict[str, Any]] = []
    for path in result_files(folder):
        table = read_table(path, SCHEMA).select(_READ)
        rows += table.filter(pc.equal(table["stage"], "bench")).to_pylist()
    if not rows:
        return None
    moved = [field.name for field in WEAR]
    attempts = Counter(row["case_id"] for row in rows)
    notices: dict[str, list[datetime]] = {}
    again: dict[str, list[datetime]] = {}
    words: dict[str, str] = {}
    for row in rows:
        if row["attempt"] < attempts[row["case_id"]]:
            cause = words.setdefault(_NUMBER.sub("#", row["cause"]), row["cause"])
            again.setdefault(cause, []).append(row["began"])
        for text in row["notices"] or ():
            notices.setdefault(text, []).append(row["began"])
    return BenchUse(
        len(rows),
        _in_time(again),
        {name: sum((row["wear"] or {}).get(name) or 0 for row in rows) for name in moved},
        _in_time(notices),
    )


def _in_time(told: Mapping[str, Sequence[datetime]]) -> dict[str, tuple[datetime, ...]]:
    return {text: tuple(sorted(times)) for text, times in told.items()}
