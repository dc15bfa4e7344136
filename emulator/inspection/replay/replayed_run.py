"""What `emulator replay` does: a record's inputs through the plant again, and what came of it.

With other files than it was ridden with, the same inputs answer what that model would have done with those
commands; then nothing is expected to agree, and the largest differences are what is asked for.
"""

from __future__ import annotations

import os
import platform
from collections.abc import Callable
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

from emulator.assembly.provenance import copies, manifest_of, session_of_record
from emulator.config.rig.bus_load import BY_CONTENT
from emulator.core.errors import RecordError
from emulator.core.keeping.code_key import code_key
from emulator.inspection.replay.comparison import Comparison, Replayed
from emulator.loop.machine import processor
from emulator.plant.step import tick
from emulator.record.documents import read_outcome
from emulator.record.inputs import read_inputs
from emulator.record.reader import Run, read_run
from emulator.record.writer import CERTIFICATE_FILE, LONG_BLOCK_TICKS, OUTCOME_FILE, RunWriter, write_json
from emulator.runs.one import judge_run
from emulator.stages.replay import Replay, write_inputs
from emulator.stages.stepped_loop import write_block
from emulator.stages.virtual import without_permissives

_OTHER_ARRIVALS = (
    "recorded when frames on the virtual bus took a time that did not depend on their bytes: times of "
    "arrival are others now, and not compared"
)


def replay(
    folder: Path,
    *,
    rig: Path | None = None,
    scenario: Path | None = None,
    vehicle: Path | None = None,
    out: Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> Replayed:
    """Replay the run in ``folder`` and compare.

    rig, scenario, vehicle  other files than it was ridden with
    out                     run folder for the replay's own record, judged and with its report
    progress                called about once a second of ride with the scenario time [s]
    Raises RecordError or ConfigError if it can't be replayed, StartFailed or RunFailed for ``out``.
    """
    run = read_run(folder)
    inputs = read_inputs(folder)
    if inputs.cycles == 0:
        raise RecordError(f"{folder}: no tick of the loop is recorded as whole; there is nothing to replay")
    session = session_of_record(folder, run.manifest, rig=rig, scenario=scenario, vehicle=vehicle)
    stage = run.manifest.get("replay_of", run.manifest).get("stage")
    if stage == "virtual":
        session = without_permissives(session)
    labels = map(session.codec.label, session.codec.frames)
    names = dict(zip(session.codec.table.can_id.tolist(), labels, strict=True))
    again = Replay(session, inputs)
    by_content = (run.manifest.get("bus_budget") or {}).get("frame_times") == BY_CONTENT
    comparison = Comparison(run, names, arrivals=again.on_bus and by_content)
    writer = None
    if out is not None:
        of = {"run": folder.resolve().name, "stage": stage}
        manifest = {**manifest_of(session, stage="replay"), "replay_of": of}
        kept = copies(session.files, session.paths)
        writer = RunWriter(out, manifest, kept, block_ticks=LONG_BLOCK_TICKS, packed=True)
    try:
        if writer is not None:
            write_inputs(writer, inputs)
        for block in again.blocks():
            comparison.feed(block)
            if writer is not None:
                write_block(writer, block)
            if progress is not None and len(block.tick):
                progress(float(block.tick[-1]) * 1e-3)
    finally:
        if writer is not None:
            writer.close()
    result = comparison.end(finished=again.finished)
    result.other_files = bool(rig or scenario or vehicle)
    result.notes = [*_doubts(run), *result.notes]
    if again.on_bus and not by_content:
        result.notes.append(_OTHER_ARRIVALS)
    if out is not None:
        write_json(out / CERTIFICATE_FILE, again.certificate())
        judge_run(session, out, {**again.outcome(), **_bench_then(run)})
    return result


def _bench_then(run: Run) -> dict[str, Any]:
    """What was known of the bench when it was ridden: replayed frames come no better than they came then."""
    if run.manifest.get("stage") == "virtual":
        return {}
    then = read_outcome(run.folder) if os.path.lexists(run.folder / OUTCOME_FILE) else {}
    return {
        key: then.get(key) for key in ("setting", "processes", "left", "waited", "bus_events", "time_base")
    }


def _version(name: str) -> str:
    try:
        return version(name)
    except (PackageNotFoundError, ValueError):
        return "none"


def _doubts(run: Run) -> list[str]:
    """What about the code and the host may make a replay differ."""
    code, notes = run.manifest.get("code", {}), []
    now = code_key(tick)[:16]
    python = str(run.manifest.get("host", {}).get("python", "")).split(".")[:2]
    if code.get("plant") != now:
        if python not in ([""], platform.python_version().split(".")[:2]):
            notes.append(f"recorded with Python {'.'.join(python)}, so whether by this code can't be told")
        else:
            notes.append(
                f"recorded by another version of the code (plant {code.get('plant')} then, {now} now)"
            )
    then = run.manifest.get("versions", {})
    now_of = {name: _version(name) for name in then}
    other = [f"{name} {then[name]} then, {now_of[name]} now" for name in then if now_of[name] != then[name]]
    if other:
        notes.append(f"other libraries than it was ridden with: {', '.join(other)}")
    before = run.manifest.get("host", {}).get("processor", "")
    if before and before != processor():
        notes.append(f"another processor than it was ridden on ({before}): last bits may differ")
    return notes
