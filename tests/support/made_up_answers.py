"""Answers to questions that nobody asked."""

from __future__ import annotations

from typing import Any

from emulator.campaign.store.answers import Answer


def margin(of: str, speed_km_h: float, survived: float | None, **changes: Any) -> Answer:
    """A delay margin of at most 100 ms, in steps of 1."""
    given: dict[str, Any] = {
        "question": "over speed",
        "kind": "margins",
        "of": of,
        "quantity": "delay",
        "unit": "ms",
        "found": "lost at the mildest" if survived is None else "edge",
        "sentence": "delay / ms: as it is",
        "method": "halving in steps of 1, one seed; 4 probes agree",
        "rides": 11,
        "speed_km_h": speed_km_h,
        "mildest": 0.0,
        "harshest": 100.0,
        "resolution": 1.0,
        "survived": survived,
        "lost": 0.0 if survived is None else survived + 1.0,
        "borne": survived or 0.0,
        "monotone": True,
    }
    return Answer(**(given | changes))


def other(question: str, kind: str, sentence: str, **changes: Any) -> Answer:
    """An answer that is no margin over speed."""
    given: dict[str, Any] = {
        "question": question,
        "kind": kind,
        "of": "gust",
        "quantity": "",
        "unit": "",
        "found": "estimated",
        "sentence": sentence,
        "method": "number of rides fixed, exact interval",
        "rides": 100,
    }
    return Answer(**(given | changes))
