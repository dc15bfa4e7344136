"""Mistakes in a robot's software in Python: ``mine.py``, ridden by ``--robot mine.py:Mine``."""

from tests.support.plausible_mistakes.mistake import Mistake

MINE = """\
import math


class Mine:
    name, version, wants = "mine", "1", "values"

    def begin(self, start):
        self.speed_m_s = start.settings.get("speed_km_h", 60.0) / 3.6

    def act(self, moment):
        wheel_m_s = moment.values.get("wheel_front_m_s", math.nan)
        throttle = 0.1 if wheel_m_s < self.speed_m_s else 0.0
        frames = []
        values = {"steering_torque_Nm": 0.0, "throttle": throttle, "clutch": 1.0, "gear_request": 1}
        return {"values": values, "frames": frames, "notes": {"wheel_m_s": wheel_m_s}}
"""
_RIDE = "run runs/straight.yaml --rig rigs/loopback.yaml --virtual --robot mine.py:Mine"


def m(did: str, old: str, new: str, *says: str, at: str = "") -> Mistake:
    return Mistake(did, _RIDE, {"mine.py": (old, new)}, at, says)


SOFTWARE = [
    m("left out a bracket", "settings.get(", "settings^.get((", "mine.py", "Python"),
    m(
        "imports what is not installed",
        "import math",
        "^import no_such_library\nimport math",
        *("no_such_library", "pip install"),
    ),
    m(
        "called act step",
        "    def act(",
        "    def step(",
        *("act(self, moment)", "Mine"),
        at="mine.py",
    ),
    m(
        "wrote begin without an argument",
        "begin(self, start)",
        "begin(self)",
        "begin(self, start)",
        at="Mine",
    ),
    m(
        "expects time and frames in act",
        "act(self, moment)",
        "act(self, time_ns, frames)",
        "act(self, moment)",
        at="Mine",
    ),
    m(
        "wants an argument to be made",
        "    def begin(",
        "    def __init__(self, rig):\n        self.rig = rig\n\n    def begin(",
        *("without arguments", "settings"),
        at="Mine",
    ),
    m("made act async", "    def act(", "    async def act(", "coroutine", "dict", "async", at="act"),
    m(
        "returns the frames alone",
        'return {"values": values, "frames": frames, "notes": {"wheel_m_s": wheel_m_s}}',
        'return [(0x80, b"12345678")]',
        *("dict", '"frames"'),
        at="act",
    ),
    m(
        "returns the values alone",
        'return {"values": values, "frames": frames, "notes": {"wheel_m_s": wheel_m_s}}',
        "return values",
        *("'steering_torque_Nm'", '{"values": '),
        at="act",
    ),
    m(
        "misspelt a value",
        '"throttle": throttle',
        '"throttel": throttle',
        "did you mean 'throttle'?",
        at="'throttel'",
    ),
    m(
        "gave None for a value it does not know",
        '"throttle": throttle',
        '"throttle": None',
        *("None", "NaN"),
        at="'throttle'",
    ),
    m(
        "gave a text for a number",
        '"throttle": throttle',
        '"throttle": "0.1"',
        "expected a number",
        at="'throttle'",
    ),
    m(
        "gave frames as a dict",
        "frames = []",
        'frames = {0x80: b"12345678"}',
        "(identifier, bytes)",
        at="frames",
    ),
    m(
        "gave a frame's bytes as hexadecimal text",
        "frames = []",
        'frames = [(0x80, "3132")]',
        "bytes",
        at="frames",
    ),
    m(
        "gave a frame's length for its bytes",
        "frames = []",
        "frames = [(0x80, 8)]",
        "bytes",
        "got 8",
        at="frames",
    ),
    m(
        "gave a frame's name for its identifier",
        "frames = []",
        'frames = [("steering", b"12345678")]',
        *("identifier", "number"),
        at="'steering'",
    ),
    m("asked for what is not to be had", '"values"\n', '"value"\n', "values, frames, both", at="'value'"),
    m(
        "reads frames that it did not ask for",
        "frames = []",
        "^frames = [(f.can_id, f.data) for f in moment.frames]",
        'wants = "frames"',
    ),
    m(
        "reads a value before it has arrived",
        'moment.values.get("wheel_front_m_s", math.nan)',
        '^moment.values["wheel_front_m_s"]',
        *("wheel_front_m_s", ".get("),
    ),
    m(
        "reads a value under another name",
        'moment.values.get("wheel_front_m_s", math.nan)',
        '^moment.values["wheel_speed_front"]',
        *("'wheel_speed_front'", "emulator list outputs"),
    ),
    m(
        "reads a file from wherever the command is typed",
        "        self.speed_m_s",
        '        self.gains = ^open("gains.csv").read()\n        self.speed_m_s',
        *("gains.csv", "folder"),
    ),
    m(
        "waits for something in act",
        "        frames = []",
        "        frames = []\n        while True:\n            pass",
        *("step_limit_s", "--patient"),
        at="for a step",
    ),
    m(
        "never commands a gear, with which the heartbeat goes",
        ', "gear_request": 1}',
        "}",
        *("gear_request", "heartbeat"),
        at="frame gear",
    ),
]
