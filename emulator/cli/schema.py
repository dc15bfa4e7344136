"""``emulator schema``."""

from __future__ import annotations

import sys
from typing import Annotated, Literal

import typer


def schema(
    kind: Annotated[
        Literal[
            "scenario",
            "rig",
            "vehicle",
            "circuit",
            "data_sheet",
            "campaign",
            "acknowledged",
            "track_map",
            "calibration",
            "telemetry",
        ],
        typer.Argument(help="which kind of file; telemetry: the messages of a run over MQTT"),
    ],
) -> None:
    """Print the JSON Schema of a kind of file, for editors that complete, explain and check YAML by it.

    It knows keys, types and bounds; what several values say together only `emulator check` knows.
    telemetry: a property a topic, with the schema of its messages, for programs that listen.
    """
    if kind == "telemetry":
        from emulator.telemetry.messages import schema_text as telemetry_text

        sys.stdout.write(telemetry_text())
        return
    from emulator.config.editor_schema import schema_text

    sys.stdout.write(schema_text(kind))
