"""Mistakes in scenarios for a robot of one's own, and in what is typed."""

from tests.support.plausible_mistakes.mistake import CHECK, RIDE, Mistake

_RUN = "runs/straight.yaml"
_NOTE = "  - {kind: holds, name: near, that: {always: {signal: ^notes.offset_m, at_most: 1}}}\n"


def m(did: str, typed: str, at: str, *says: str) -> Mistake:
    return Mistake(did, typed, {}, at, says)


TYPED = [
    Mistake(
        "named a track of points as the circuit",
        "check runs/first_lap.yaml",
        {"runs/first_lap.yaml": ("../circuits/ostrevel.yaml", "^../my.gpx")},
        "",
        ("a circuit file", "emulator circuit import"),
    ),
    Mistake(
        "judges a note of its own",
        CHECK,
        {
            _RUN: (
                "  - kind: speed_error\n",
                _NOTE + "  - kind: speed_error\n",
            )
        },
        "",
        ("notes", "emulator list signals"),
    ),
    Mistake(
        "named the robot in the scenario",
        CHECK,
        {_RUN: ("kind: scenario\n", "kind: scenario\n^robot: mine.py:Mine\n")},
        "",
        ("unknown key", "device_under_test.virtual", "--robot"),
    ),
    m("named a file without its class", f"{RIDE} --robot mine.py", "--robot", "FILE:CLASS", "mine.py"),
    m(
        "wants its class to ride the bench",
        f"run {_RUN} --rig rigs/mine.yaml --robot mine.py:Mine",
        "--robot",
        *("--virtual", "joins the bus"),
    ),
    m(
        "swapped scenario and rig",
        f"run rigs/mine.yaml --rig {_RUN} --virtual",
        f"{_RUN}:",
        *("expected rig", "swapped"),
    ),
    m("described a scenario", f"interface {_RUN}", f"{_RUN}:", "expected rig", "--scenario"),
    m("wants a line without a rig", f"line {_RUN}", "--rig", "Missing option"),
    m("rehearses from a script", "rehearse rigs/mine.yaml", "--yes", "cautions"),
    Mistake(
        "asks by a frame that the DBC does not have",
        "rehearse rigs/mine.yaml --yes",
        {
            "rigs/mine.yaml": "based_on: loopback.yaml\nname: mine\n"
            "rehearsal: {request_frame: ^rehearsal_requests}\n"
        },
        "",
        ("a frame of the DBC", "did you mean 'rehearsal_request'?"),
    ),
    m(
        "gave a length in kilometres",
        "circuit import my.csv --width-m 9 --length-m 5.3",
        "--length-m",
        *("20", "metres"),
    ),
    m(
        "wants a data sheet described",
        "vehicle describe data_sheets/upright_twin.yaml",
        "data_sheets/upright_twin.yaml:",
        *("expected", "emulator vehicle new"),
    ),
]
