"""The demo bench with a DBC laid out differently: what a robot written for the shipped one can't ride."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

from tests.support.scripted_robot import SCENARIOS

MODES = {"steering": "alternating", "drive": "low", "imu_force": "nibble", "wheel_speed": "alternating"}
"""Modes of protection that are not the shipped one."""
BARE = "estimate_pose"
"""A frame without protection."""
_SIGNAL = re.compile(r" SG_ (\w+) : (\d+)\|(\d+)@1([+-]) \(([\d.]+),0\)")
_SWAPPED = ("steering", "imu_rates", "imu_force", "estimate_motion")
"""Frames with Motorola signals."""
_COARSER = {"steering_torque_Nm": 2.0, "lean_rad": 2.0, "wheel_front_m_s": 2.0}
_OTHER_ID = ("7685;", "23100;")
"""Data id of a frame whose own the CRC could not tell from another's in its new mode."""
_IMU = (
    ("attitude_deg: [0.0, 0.0, 0.0]", "attitude_deg: [0.0, 0.0, 90.0]"),
    ("position_m: [0.60, 0.0, 0.70]", "position_m: [0.40, 0.05, 0.75]"),
)


def odd_rig(folder: Path) -> Path:
    """Copy the shipped files into a folder and change them; returns the rig file."""
    shutil.copytree(SCENARIOS, folder, dirs_exist_ok=True)
    rig, dbc = folder / "rigs" / "loopback.yaml", folder / "rigs" / "bench.dbc"
    text = dbc.read_text()
    identifiers = {int(i): name for i, name in re.findall(r"^BO_ (\d+) (\w+):", text, re.MULTILINE)}
    lines, frame = [], ""
    for line in text.splitlines():
        if match := re.match(r"BO_ (\d+) (\w+):", line):
            frame = match[2]
        if frame == BARE and re.match(r" SG_ (crc|alive) ", line):
            continue
        lines.append(_signal(line, frame) if line.startswith(" SG_ ") else line)
    text = "\n".join(lines) + "\n"
    for number, name in identifiers.items():
        text = re.sub(rf"\b(BO_|SG_|VAL_) {number}\b", rf"\1 {_elsewhere(number)}", text)
        if name in MODES:
            place = ("both", "alternating", "low", "nibble").index(MODES[name])
            text += f'BA_ "E2EMode" BO_ {_elsewhere(number)} {place};\n'
        if name == BARE:
            text, changed = re.subn(rf'BA_ "DataId" BO_ {_elsewhere(number)} \d+;\n', "", text)
            assert changed == 1
    assert text.count(_OTHER_ID[0]) == 1
    dbc.write_text(text.replace(*_OTHER_ID))
    words = rig.read_text()
    for old, new in _IMU:
        assert words.count(old) == 1, old
        words = words.replace(old, new)
    rig.write_text(words)
    return rig


def _elsewhere(number: int) -> int:
    """Another identifier, of 29 bits for some."""
    return number + 0x300 if number % 2 else 0x80000000 | number << 12


def _signal(line: str, frame: str) -> str:
    match = _SIGNAL.match(line)
    if match is None:
        return line
    name, start, size, sign, factor = match[1], int(match[2]), int(match[3]), match[4], float(match[5])
    order = "1"
    if frame in _SWAPPED and size == 16 and start % 8 == 0:
        start, order = start + 7, "0"
    factor *= _COARSER.get(name, 1.0)
    return f" SG_ {name} : {start}|{size}@{order}{sign} ({factor!r},0)" + line[match.end() :]
