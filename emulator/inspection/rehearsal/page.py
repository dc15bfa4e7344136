"""What a rehearsal shows: tables for a terminal, one page that needs nothing else, and plain values.

Whose a finding is stands in words, never in a colour alone.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Group, RenderableType
from rich.text import Text

from emulator.inspection.rehearsal.conduct import Rehearsed
from emulator.inspection.rehearsal.findings import Finding
from emulator.inspection.rehearsal.prompts import REST, Posture
from emulator.record.writer import write_whole
from emulator.report.page import Cell, page_html
from emulator.report.terminal_table import terminal_table

FRAMES = ("frame", "heard", "rate", "due", "every", "99 %", "max", "jitter", "bad", "lost")
RANGES = ("signal", "from", "to")
POSTURES = ("asked to", "signal", "read", "expected", "delay")
SILENCES = ("left out", "the robot showed", "after", "whole again after")
EVIDENCE = ("about", "whose", "found", "measured", "expected", "where to look", "frames")


def result_line(found: Rehearsed) -> str:
    """The result in a line."""
    proven = sum(f.whose == "robot" for f in found.findings)
    left_open = len(found.findings) - proven
    if proven:
        return f"DEFECTS: {proven} proven against the robot, {left_open} left open"
    return f"NOT JUDGED: {left_open} left open" if left_open else "SOUND"


def as_plain(found: Rehearsed) -> dict[str, Any]:
    """Everything as plain values, for JSON."""
    return {
        "result": found.result,
        "rig": found.rig,
        "by_hand": found.by_hand,
        "seconds": found.seconds,
        "bench_late_ms": found.bench_late_ms,
        "findings": [asdict(f) for f in found.findings],
        "frames": [asdict(f) for f in found.frames],
        "postures": [asdict(p) for p in found.postures],
        "silences": [asdict(r) for r in found.reactions],
    }


def rehearsal_tables(found: Rehearsed) -> RenderableType:
    """For a terminal: what was measured, what was found with its evidence, last the result."""
    parts: list[RenderableType] = [terminal_table("Frames of the robot (ms, Hz)", FRAMES, _frames(found))]
    if found.postures:
        parts.append(terminal_table("Postures", POSTURES, _postures(found)))
    if found.reactions:
        parts.append(terminal_table("Silence of one sensor after another", SILENCES, _silences(found)))
    if found.findings:
        rows: list[list[str | Text]] = [[f.about, f.whose, _in_lines(f)] for f in found.findings]
        parts.append(terminal_table("Found", ("about", "whose", "evidence"), rows))
    return Group(*parts, Text(result_line(found), style="bold"))


def _in_lines(f: Finding) -> Text:
    lines = [Text(f.what, style="bold red" if f.whose == "robot" else "bold yellow")]
    evidence = {"measured": f.measured, "expected": f.expected, "where to look": f.look}
    lines += [Text(f"{head}: {text}") for head, text in evidence.items()]
    lines += [Text(f"frames: {' '.join(f.samples)}")] if f.samples else []
    return Text("\n").join(lines)


def write_page(found: Rehearsed, path: Path) -> None:
    """Write the page. Raises RunFailed if the file can't be written."""
    write_whole(path, rehearsal_html(found))


def rehearsal_html(found: Rehearsed) -> str:
    """The page as one HTML document."""
    return page_html(
        "rehearsal.html",
        f"Rehearsal on {found.rig}",
        {},
        result=result_line(found),
        late=f"{found.bench_late_ms:.1f} ms",
        evidence_heads=EVIDENCE,
        evidence=[_evidence(f) for f in found.findings],
        frame_heads=FRAMES,
        frames=_frames(found),
        range_heads=RANGES,
        ranges=_ranges(found),
        posture_heads=POSTURES,
        postures=_postures(found),
        silence_heads=SILENCES,
        silences=_silences(found),
    )


def _evidence(f: Finding) -> list[str | Cell]:
    code = Cell(" ".join(f.samples), code=True) if f.samples else ""
    return [f.about, Cell(strong=f.whose), f.what, f.measured, f.expected, f.look, code]


def _number(value: float, digits: int = 2) -> str:
    return "" if not math.isfinite(value) else f"{value:.{digits}f}"


def _frames(found: Rehearsed) -> list[list[str]]:
    return [
        [
            f.name,
            str(f.frames),
            _number(f.rate_hz),
            _number(f.expected_hz),
            *(_number(value) for value in f.interval_ms),
            _number(f.jitter_ms),
            str(f.wrong_crc),
            str(f.missed),
        ]
        for f in found.frames
    ]


def _ranges(found: Rehearsed) -> list[list[str]]:
    return [
        [signal, *(("never available", "") if span is None else (f"{span[0]:.6g}", f"{span[1]:.6g}"))]
        for f in found.frames
        for signal, span in f.ranges.items()
    ]


def _postures(found: Rehearsed) -> list[list[str]]:
    return [_posture(p) for p in found.postures if p.prompt.key != REST]


def _posture(posture: Posture) -> list[str]:
    prompt, reading = posture.prompt, posture.reading
    if reading is None:
        return [prompt.words, prompt.signal, "left out", "", ""]
    low, high = prompt.band(by_hand=posture.by_hand)
    value = reading.values.get(prompt.signal, math.nan)
    return [
        prompt.words,
        prompt.signal,
        "nothing" if math.isnan(value) else f"{value:.5g}{prompt.of_unit}",
        f"{low:.5g} to {high:.5g}{prompt.of_unit}",
        "" if reading.delay_ms is None else f"{reading.delay_ms:.0f} ms",
    ]


def _silences(found: Rehearsed) -> list[list[str]]:
    return [
        [
            r.output,
            r.shown or "nothing",
            "" if r.delay_ms is None else f"{max(0.0, r.delay_ms):.0f} ms",
            "never" if not r.recovered else "" if r.recovered_ms is None else f"{r.recovered_ms:.0f} ms",
        ]
        for r in found.reactions
    ]
