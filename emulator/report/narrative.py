"""What happened to the bike, in a sentence or two: which tyre slid, when, where, on what; why it fell.

The causes are the plant's (emulator.plant.fall_causes), told in the event log; here they are put together
with place, speed, the road under that tyre and the scenario's events of that moment.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from emulator.record.reader import Event, Run
from emulator.report.bands import Band

TOLD = ("fall", "slide", "run_off", "peg_contact", "wheel_lifted", "engine_stalled", "gear_missed")
"""Kinds of events that happen to the bike, the gravest first."""
_AT_ONCE_S = 3.0  # what began so long before a fall belongs to it
_BARE = 0.02  # less of a road's grip than this missing is not worth telling


def what_happened(run: Run, bands: Sequence[Band]) -> list[str]:
    """Sentences, the gravest first; none for a ride on which nothing happened to the bike.

    A fall is told with the slide before it; without one, slides tyre by tyre; then the rest in one sentence.
    """
    said = []
    fall = next((e for e in run.events if e.kind == "fall"), None)
    slides = [e for e in run.events if e.kind == "slide"]
    if fall is not None:
        text = f"The bike {fall.text}, {_where(run, fall)}"
        led = [e for e in slides if fall.time_s - _AT_ONCE_S <= e.time_s <= fall.time_s]
        if led:
            first = led[0]
            before = fall.time_s - first.time_s
            text += f"; {before:.2f} s before, the {_slide(run, first)}, {_where(run, first)}"
        said.append(f"{text}{_during(led[0] if led else fall, bands)}.")
        rest = next((e for e in run.events if e.kind == "at_rest"), None)
        if rest is not None:
            said.append(f"It {rest.text}.")
        # a bike that is down slides on
        slides = [e for e in slides if e not in led and e.time_s <= fall.time_s]
    for tyre in ("front", "rear"):
        of = [e for e in slides if e.tyre == tyre]
        if of:
            times = "," if len(of) == 1 else f", {len(of)} times, first"
            text = f"The {_slide(run, of[0])}{times} {_where(run, of[0])}{_during(of[0], bands)}."
            said.append(text)
    besides = []
    for kind in TOLD[2:]:
        of = [e for e in run.events if e.kind == kind]
        if of:
            when = f"at {of[0].time_s:.1f} s"
            besides.append(f"{of[0].text} " + (when if len(of) == 1 else f"(first {when}, {len(of)} times)"))
    if besides:
        said.append(f"Besides: {'; '.join(besides)}." if said else f"{_capital('; '.join(besides))}.")
    return said


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _slide(run: Run, event: Event) -> str:
    """The tyre, how it slid, and the road under it if it was not what it is elsewhere."""
    grip = _value(run, f"truth.grip_{event.tyre}", event)
    base = _usual_grip(run, event.tyre)
    words = event.text
    if math.isfinite(grip) and math.isfinite(base) and grip < base - _BARE:
        words += f" on grip {grip:.2f} (elsewhere {base:.2f})"
    return words


def _usual_grip(run: Run, tyre: str) -> float:
    grip = run.signals.get(f"truth.grip_{tyre}", np.empty(0))
    grip = grip[np.isfinite(grip)]
    return float(np.median(grip)) if len(grip) else math.nan


def _where(run: Run, event: Event) -> str:
    text = f"{event.time_s:.1f} s into the ride"
    station, speed = (_value(run, name, event) for name in ("line.station_m", "truth.speed_m_s"))
    if math.isfinite(station):
        text += f" at station {station:.0f} m"
    return f"{text}, at {speed * 3.6:.0f} km/h" if math.isfinite(speed) else text


def _value(run: Run, name: str, event: Event) -> float:
    values = run.signals.get(name)
    if values is None or not len(values):
        return math.nan
    return float(values[int(np.searchsorted(run.tick, event.tick).clip(0, len(values) - 1))])


def _during(event: Event, bands: Sequence[Band]) -> str:
    active = [b for b in bands if b.from_s <= event.time_s <= b.to_s and b.to_s > b.from_s]
    words = dict.fromkeys(f"{b.label} {b.name}" for b in active)
    return f", during {' and '.join(words)}" if words else ""
