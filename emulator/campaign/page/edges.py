"""Edge curves of a campaign, and margins of the robot over speed, as its pages have them.

A curve is the share of runs lost over the size of what disturbs them.

``edges.json`` in the campaign's folder, an object with a list ``edges``; whoever searches an edge writes it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from emulator.campaign.store.answers import Answer
from emulator.core.errors import RecordError
from emulator.record.documents import read_json_object
from emulator.record.writer import write_json

EDGES_FILE = "edges.json"
"""Its name in a campaign's folder."""


@dataclass(frozen=True)
class EdgePoint:
    """Runs at one size, and how many of them were lost."""

    size: float
    ridden: int
    lost: int


@dataclass(frozen=True)
class CurvePoint:
    """The curve at one size: share lost, 0 to 1, and its interval."""

    size: float
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class Edge:
    """One edge.

    name, quantity, unit  what is lost, over what, in what: 'short_bend · dropout imu_rates', 'duration', 's'
    half, half_low, half_high  size at which half are lost, and its interval; None: not within what was ridden
    confidence            of every interval, 0 to 1
    method                how it was found, in a line
    """

    name: str
    quantity: str
    unit: str
    points: tuple[EdgePoint, ...]
    curve: tuple[CurvePoint, ...]
    half: float | None
    half_low: float | None
    half_high: float | None
    confidence: float
    method: str


def write_edges(folder: Path, edges: Sequence[Edge]) -> Path:
    """Write ``edges.json`` into a campaign's folder. Raises RunFailed."""
    write_json(folder / EDGES_FILE, {"edges": list(edges)})
    return folder / EDGES_FILE


def read_edges(folder: Path) -> tuple[Edge, ...]:
    """The edges of a campaign; none where no file is. Raises RecordError for a file that holds none."""
    path = folder / EDGES_FILE
    if not path.exists():
        return ()
    try:
        return tuple(_edge(item) for item in read_json_object(path)["edges"])
    except (KeyError, TypeError, ValueError) as error:
        raise RecordError(
            f"{path}: expected edges as emulator.campaign.page.edges has them: {error!r}",
            advice="search the edge again, or take the file away",
        ) from error


def _edge(item: Mapping[str, Any]) -> Edge:
    return Edge(
        name=str(item["name"]),
        quantity=str(item["quantity"]),
        unit=str(item["unit"]),
        points=tuple(EdgePoint(float(p["size"]), int(p["ridden"]), int(p["lost"])) for p in item["points"]),
        curve=tuple(
            CurvePoint(float(p["size"]), float(p["share"]), float(p["low"]), float(p["high"]))
            for p in item["curve"]
        ),
        half=_number(item["half"]),
        half_low=_number(item["half_low"]),
        half_high=_number(item["half_high"]),
        confidence=float(item["confidence"]),
        method=str(item["method"]),
    )


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


@dataclass(frozen=True)
class MarginRow:
    """One margin over the speeds of its table; None where it was not looked for."""

    what: str
    unit: str
    answers: tuple[Answer | None, ...]


@dataclass(frozen=True)
class MarginTable:
    """The margins of one question: a row each, over speeds [km/h]."""

    question: str
    speeds_km_h: tuple[float, ...]
    rows: tuple[MarginRow, ...]


def margin_tables(answers: Sequence[Answer]) -> tuple[MarginTable, ...]:
    """A table a question that asks for margins, in the order asked."""
    tables = []
    for question in dict.fromkeys(answer.question for answer in answers if answer.speed_km_h is not None):
        own = [answer for answer in answers if answer.question == question]
        speeds = tuple(sorted({answer.speed_km_h for answer in own if answer.speed_km_h is not None}))
        by_row: dict[tuple[str, str], dict[float | None, Answer]] = {}
        for answer in own:
            by_row.setdefault((answer.quantity, answer.of), {})[answer.speed_km_h] = answer
        rows = tuple(
            MarginRow(f"{quantity} of {of}", next(iter(at.values())).unit, tuple(at.get(v) for v in speeds))
            for (quantity, of), at in by_row.items()
        )
        tables.append(MarginTable(question, speeds, rows))
    return tuple(tables)


def margin_words(answer: Answer | None) -> str:
    """A margin in a cell: what is survived, or why there is no figure."""
    if answer is None:
        return ""
    if answer.borne is None:
        return answer.found
    if answer.survived is None:
        return "lost without any"
    figure = f"{answer.survived:g}"
    return figure if answer.lost is not None else f"all to {figure}"
