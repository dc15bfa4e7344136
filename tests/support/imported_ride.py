"""What devices measured of a virtual ride, exported and imported as a log of the track."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML

from emulator.core.signals import SIGNALS
from emulator.record.reader import Run
from emulator.runs.from_track import TrackRecord, import_track
from emulator.track.out.export import export


def imported(
    run: Run, folder: Path, name: str, measured: Sequence[str], *more: str, **besides: Any
) -> TrackRecord:
    """Outputs whose names begin with one of ``measured``, and signals ``more``; ``besides``: of the map."""
    export(run, folder / "out", ("parquet",))
    channels = [
        {"channel": s.name, "signal": s.name, "unit": s.unit, "outliers": "kept"}
        for s in SIGNALS
        if s.name.startswith("output.") and s.name.split(".")[1].split("_")[0] in measured
    ]
    units = {s.name: s.unit for s in SIGNALS}
    channels += [{"channel": signal, "signal": signal, "unit": units[signal]} for signal in more]
    asked = {"kind": "track_map", "name": name, "time": {"channel": "time_s"}, "channels": channels}
    with (folder / "map.yaml").open("w") as file:
        YAML().dump(asked | besides, file)
    return import_track([folder / "out" / "signals.parquet"], folder / "map.yaml", folder / "record")
