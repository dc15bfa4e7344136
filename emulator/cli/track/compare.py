"""``emulator track compare``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.progress import Progress

from emulator.cli.output import console_of_stdout, progress_columns
from emulator.cli.written_file import check_folder

if TYPE_CHECKING:
    from emulator.inspection.comparison.conduct import Compared


def compare(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="run folder, of any stage")],
    other: Annotated[
        Path | None,
        typer.Argument(metavar="OTHER", help="another one of the same line, such as of the bench"),
    ] = None,
    rig: Annotated[
        Path | None,
        typer.Option("--rig", help="rig to take the model from; needed for a record of the track"),
    ] = None,
    scenario: Annotated[
        Path | None, typer.Option("--scenario", help="scenario instead of the record's")
    ] = None,
    vehicle: Annotated[Path | None, typer.Option("--vehicle", help="vehicle instead of the record's")] = None,
    every: Annotated[
        float,
        typer.Option("--every", metavar="SECONDS", min=0.1, help="from one prediction's start to the next"),
    ] = 1.0,
    ride: Annotated[
        bool, typer.Option("--ride/--no-ride", help="ride the line virtually where no other record is named")
    ] = True,
    out: Annotated[
        Path | None, typer.Option("--out", help="page to write [default: comparison.html in the record]")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print figures as JSON, and nothing else")] = False,
) -> None:
    """Lay a record beside the model: short predictions, closed loop, steady turns.

    The model is started again from smoothed states of the record, and played with the recorded inputs over
    0.2 to 4 s; errors are told over what the record's noise explains, offset and gain of the torque taken
    out, and what number of the bike would explain them. Beside it two rides at equal stations: the record and
    the other one, or a virtual ride of its line. Nothing is passed or failed by it.
    """
    from emulator.inspection.comparison.conduct import compare as lay_beside
    from emulator.inspection.comparison.page import console_tables, write_comparison

    page = out or record / "comparison.html"
    if out is not None:
        check_folder(out)
    console = console_of_stdout()
    with Progress(
        *progress_columns(console), console=console, transient=True,
        disable=as_json or not console.is_terminal,
    ) as bar:  # fmt: skip
        task = bar.add_task("short predictions", total=1.0)
        compared = lay_beside(
            record,
            other,
            rig=rig,
            scenario=scenario,
            vehicle=vehicle,
            every_s=every,
            ride=ride,
            progress=lambda share: bar.update(task, completed=share),
        )
    write_comparison(compared, page)
    if as_json:
        console.print(json.dumps(_as_dict(compared), indent=1, ensure_ascii=False), markup=False)
        return
    console.print(console_tables(compared))
    console.print(f"page: {page}", markup=False)


def _as_dict(compared: Compared) -> dict[str, Any]:
    from emulator.inspection.comparison.page import headline
    from emulator.record.writer import jsonable

    said, closed = compared.said, compared.closed
    return dict(
        jsonable(
            {
                "record": compared.name,
                "other": compared.other,
                "says": headline(compared),
                "short_predictions": None
                if said is None
                else {
                    "starts": said.starts,
                    "times_noise": said.times_noise,
                    "size": said.size._asdict(),
                    "white": said.white._asdict(),
                    "noisy": said.noisy,
                    "torque_offset_Nm": said.offset._asdict(),
                    "torque_gain": said.gain._asdict(),
                    "late_s": [one._asdict() for one in said.late],
                    "explained": [{**one._asdict(), "by": one.by._asdict()} for one in said.explained],
                },
                "equal_stations": None
                if closed is None
                else {
                    "from_m": closed.from_m,
                    "to_m": closed.to_m,
                    "longer_s": closed.seconds,
                    "differences": [
                        {
                            "column": d.signal.column,
                            "rms": d.rms,
                            "most": d.most,
                            "at_m": d.at_m,
                            "noise": d.noise,
                        }
                        for d in closed.differences
                    ],
                    "corners": [
                        {
                            "from_m": c.from_m,
                            "to_m": c.to_m,
                            "longer_s": c.seconds,
                            "ratings": {s.column: r.whole for s, r in c.ratings},
                        }
                        for c in closed.corners
                    ],
                },
                "follows": [None if one is None else one._asdict() for one in compared.follows],
                "remarks": list(compared.remarks),
            }
        )
    )
