"""The request frame of a rehearsal as a robot has to know it: layout, samples, what each number asks for."""

from __future__ import annotations

import dataclasses
from pathlib import Path

from emulator.assembly.session import Session
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import request_codec
from emulator.config.rig.outputs import GNSS_OUTPUT, REQUEST_HOLDS_ms
from emulator.core.signals import ROBOT_COMMANDS
from emulator.inspection.interface.description import Rehearsal
from emulator.inspection.interface.frames import frame_of, sample_of, words_of
from emulator.inspection.rehearsal.prompts import Prompt, prompts_of, request_number

_AT_REST = "all at rest"


def rehearsal_of(session: Session, rig_path: Path, dbc: Path) -> Rehearsal | None:
    """What a rehearsal asks this rig's robot for; None where a person is asked."""
    codec = request_codec(*load_rig(rig_path))
    if codec is None:
        return None
    name, prompts = codec.frames[0], prompts_of(session)
    largest: dict[str, Prompt] = {}
    for prompt in prompts:
        largest.setdefault(prompt.signal, prompt)
    shown = [prompts[0], largest.get("front_brake_Pa", prompts[-1])]
    samples = tuple(
        sample_of(
            *(codec, name, prompt.words, {"prompt": float(request_number(prompt)), "amount": prompt.amount}),
            counter,
        )
        for counter, prompt in enumerate(shown)
    )
    asked = [s for s in ROBOT_COMMANDS if s in largest]
    numbers = {str(request_number(largest[s])): s for s in asked}
    notices = session.rig.rehearsal.notices
    return Rehearsal(
        request=frame_of(dataclasses.replace(session, codec=codec), words_of(dbc, name), name, samples, None),
        holds_ms=REQUEST_HOLDS_ms,
        asks={"0": _AT_REST, **numbers},
        notices=notices,
        rules=(
            "Take requests only while the bench is not running.",
            "Hold the value that prompt asks for at amount, in that value's unit, and all others at rest: "
            "clutch pulled, first gear, the rest 0. Send your frames and heartbeat as ever.",
            "Of the steering angle: turn the fork to the stop on that side, and send the angle measured "
            "there, whatever amount says.",
            f"Let go when none has come for {REQUEST_HOLDS_ms:g} ms. A number you do not know asks for rest.",
            *(
                [
                    f"Show that {', '.join(map(_silent, notices))} fell silent: hold the heartbeat, send a "
                    "value as not available, or stop a frame; and come back when it does."
                ]
                if notices
                else []
            ),
        ),
    )


def _silent(output: str) -> str:
    return "the GNSS port" if output == GNSS_OUTPUT else output
