"""Remarks: events that do nothing but stand in the record."""

from __future__ import annotations

from emulator.events.declaration import EventKeys, EventKind, Key, Lasts, RigView, Row, Takes


def _fill(e: Row, _event: EventKeys, _rig: RigView) -> None:
    e["duration"] = 0


def _remark(event: EventKeys) -> str:
    return str(event.text)


KIND = EventKind(
    "mark",
    "A remark in the record.",
    (Key("text", Takes.TEXT, "the remark that stands in the record", required=True),),
    _fill,
    lasts=Lasts.INSTANT,
    remark=_remark,
)
