"""What ``emulator track compare`` does: short predictions, closed loop and steady figures of a record."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from emulator.assembly.provenance import session_of_record
from emulator.assembly.session import Session, load_session
from emulator.core.errors import RecordError
from emulator.record.reader import Run, read_run
from emulator.report.beside import beside
from emulator.report.figures.drawing import Figure
from emulator.runs.in_memory import ride_in_memory
from emulator.stages.virtual import without_permissives
from emulator.track.comparison.actuation import Following, following
from emulator.track.comparison.equal_stations import Beside, equal_stations
from emulator.track.comparison.misfit import Misfit, misfit
from emulator.track.comparison.short_predictions import Predictions, model_of, predictions
from emulator.track.comparison.steady_figures import Turn, steady_turns


class Compared(NamedTuple):
    """What came of it.

    name, other  folders' names; the other one is a virtual ride of the same line where none was named, and
                 empty where there is none
    bike         name of the model's vehicle file
    found, said  short predictions and what they say; None: the record allows none, ``remarks`` say why
    closed       the two rides at equal stations, and panels over station
    follows      of both, how the torque on the bike follows its command; None: not recorded
    """

    run: Run
    name: str
    other: str
    bike: str
    found: Predictions | None
    said: Misfit | None
    closed: Beside | None
    panels: tuple[tuple[str, Figure], ...]
    follows: tuple[Following | None, Following | None]
    turns: tuple[Turn, ...]
    remarks: tuple[str, ...]


def compare(
    folder: Path,
    other: Path | None = None,
    *,
    rig: Path | None = None,
    scenario: Path | None = None,
    vehicle: Path | None = None,
    every_s: float = 1.0,
    ride: bool = True,
    progress: Callable[[float], None] = lambda _share: None,
) -> Compared:
    """Lay a record beside the model it was ridden with, or that is named.

    other    another record of the same line; None: the model is ridden on it, unless ``ride`` is False
    rig      needed for a record of the track, which has none
    every_s  how often predictions are begun
    progress told what share of the predictions is made
    Raises RecordError or ConfigError; EmulatorError as a ride does.
    """
    run = read_run(folder)
    session = session_for(folder, run, rig=rig, scenario=scenario, vehicle=vehicle)
    closed, name = None, ""
    panels: tuple[tuple[str, Figure], ...] = ()
    beside_it = None if other is None else read_run(other)
    if other is not None and beside_it is not None:  # first: predictions of a long record take minutes
        name = other.resolve().name
        closed, panels = equal_stations(run, beside_it), tuple(beside(run, beside_it))
    remarks: list[str] = list(run.losses)
    found = said = None
    model = model_of(session)
    try:
        found = predictions(run, model, every_s, progress)
    except RecordError as error:
        remarks.append(f"no short predictions: {error}")
    else:
        said = misfit(found)
        remarks += _of_predictions(found)
    if other is None and ride:
        beside_it, name = ride_in_memory(without_permissives(session)).run, "virtual ride"
        beside_it = _on_the_same_line(beside_it, run)
        try:
            closed = equal_stations(run, beside_it)
            panels = tuple(beside(run, beside_it))
        except RecordError as error:
            remarks.append(f"no closed loop: {error}")
    return Compared(
        run,
        folder.resolve().name,
        name if closed is not None else "",
        session.vehicle_file.name,
        found,
        said,
        closed,
        panels,
        (following(run), None if beside_it is None else following(beside_it)),
        steady_turns(run, session.vehicle),
        tuple(remarks),
    )


def session_for(
    folder: Path, run: Run, *, rig: Path | None, scenario: Path | None, vehicle: Path | None
) -> Session:
    """The session a record is laid beside: of a run the one it was ridden with, with what is named instead.

    Raises RecordError where a record of the track has no rig named, or no scenario; ConfigError.
    """
    if run.manifest.get("stage") != "track":
        return session_of_record(folder, run.manifest, rig=rig, scenario=scenario, vehicle=vehicle)
    if rig is None:
        raise RecordError(
            f"{folder} is a record of the track: it names no rig",
            advice="name one with --rig, and its vehicle",
        )
    if scenario is None:
        place = run.manifest.get("copies", {}).get("scenario")
        if place is None:
            raise RecordError(
                f"{folder} names no scenario, so no line", advice="name one with --scenario, or in the map"
            )
        scenario = folder / place
    return load_session(rig, scenario, vehicle=vehicle)


def _on_the_same_line(ridden: Run, run: Run) -> Run:
    """A ride of the record's own scenario: its line is the record's, in the record's own words."""
    line = run.manifest.get("line")
    if line is not None:
        ridden.manifest["line"] = line
    return ridden


def _of_predictions(found: Predictions) -> list[str]:
    out = []
    if found.refused:
        why: dict[str, int] = {}
        for _tick, words in found.refused:
            why[words] = why.get(words, 0) + 1
        told = "; ".join(f"{count} times: {words}" for words, count in why.items())
        out.append(f"no prediction was begun at {len(found.refused)} starts, {told}")
    return out
