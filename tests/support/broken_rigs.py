"""Right files, broken in one place each, that only show their fault when a rig and a scenario meet or ride.

The scenario is ``runs/first_lap.yaml`` on ``rigs/loopback.yaml``; everything lies below a copy of the shipped
folder. Broken scenarios by themselves: tests.support.broken_scenarios.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

RIG, RUN = "rigs/loopback.yaml", "runs/first_lap.yaml"
DBC, VEHICLE, CIRCUIT = "rigs/bench.dbc", "vehicles/demo_racer.yaml", "circuits/ostrevel.yaml"


class Broken(NamedTuple):
    """What is replaced in a file, where the problem is told ("" below the shipped folder), and its words.

    bench_only  a ride on the stepped clock does not mind
    """

    file: str
    old: str
    new: str
    told_in: str
    words: tuple[str, ...]
    bench_only: bool = False


def b(file: str, old: str, new: str, told_in: str, *words: str, bench_only: bool = False) -> Broken:
    return Broken(file, old, new, told_in, words, bench_only)


_BUS = "port: 0 # any free one\n"
_OWN = "  virtual: {kind: python, file: ../robots/plain_rider.py, name: PlainRider}\n"
_LEAN = ' SG_ lean_rad : 16|16@1- (0.0001,0) [-3.2767|3.2767] "rad" ROBOT\n'
_NINE = (
    "rate_x_rad_s",
    "rate_y_rad_s",
    "rate_z_rad_s",
    "force_x_m_s2",
    "gear",
    "throttle",
    "emulated",
    "state",
    "heartbeat",
)
_CROWDED = "".join(f' SG_ {n} : {16 + 4 * i}|4@1+ (1,0) [0|14] "1" ROBOT\n' for i, n in enumerate(_NINE))
_MQTT = "telemetry: {kind: mqtt, host: 127.0.0.1, username: bench, password_file: password%s}\nlimits:\n"
_SIGNED = ", commands: true, command_key_file: %s"

BROKEN = [
    # ---- the DBC against what the program knows
    b(
        DBC,
        " SG_ steering_torque_Nm :",
        " SG_ steering_torque_Nmm :",
        DBC,
        "expected one of steering_torque_Nm",
        "did you mean 'steering_torque_Nm'?",
    ),
    b(DBC, " SG_ throttle : 12|10", " SG_ gas : 12|10", DBC, "expected one of steering_torque_Nm", "'gas'"),
    b(
        DBC,
        ' SG_ heartbeat : 16|16@1+ (1,0) [0|65535] "1" EMULATOR\n',
        "",
        RIG,
        "has heartbeat",
        "trips without it",
    ),
    b(
        DBC,
        ' SG_ steering_torque_Nm : 16|16@1- (0.01,0) [-327.67|327.67] "N m" EMULATOR\n',
        "",
        RIG,
        "has steering_torque_Nm",
    ),
    b(DBC, ' SG_ throttle : 12|10@1+ (0.001,0) [0|1] "1" EMULATOR\n', "", RIG, "has throttle"),
    b(DBC, " SG_ rate_x_rad_s :", " SG_ rate_x :", RIG, "signals that the bench can measure", "rate_x"),
    b(DBC, _LEAN, _CROWDED, RIG, "at most 8 signals", "9"),
    b(
        DBC,
        "BO_ 129 drive:",
        "BO_ 129 driver:",
        DBC,
        "expected a frame of this name",
        "did you mean 'driver'?",
    ),
    b(DBC, "BO_ 129 drive:", "BO_ 128 drive:", DBC, "identifier"),
    b(DBC, 'VERSION ""', "VERSION", DBC, "DBC syntax"),
    # ---- rig by itself
    b(RIG, "dbc: bench.dbc", "dbc: none.dbc", RIG, "no such file"),
    b(
        RIG,
        "vehicle: ../vehicles/demo_racer.yaml",
        "vehicle: ../vehicles/demo_racr.yaml",
        RIG,
        "no such file",
    ),
    b(
        RIG,
        "vehicle: ../vehicles/demo_racer.yaml",
        "vehicle: ../runs/first_lap.yaml",
        RUN,
        "expected vehicle",
    ),
    b(
        RIG,
        "command_timeout_ms: 150.0",
        "command_timeout_ms: 109.0",
        RIG,
        "expected at least 110 ms",
        "overrun_limit_ms, 100",
        "drive",
        "got 109",
        "lower overrun_limit_ms",
        bench_only=True,
    ),
    b(
        RIG,
        "overrun_limit_ms: 100.0",
        "overrun_limit_ms: 140.5",
        RIG,
        "expected at least 150.5 ms",
        "silence",
        "got 150",
        bench_only=True,
    ),
    b(
        RIG,
        "heartbeat_timeout_ms: 200.0",
        "heartbeat_timeout_ms: 119.0",
        RIG,
        "expected at least 120 ms",
        "gear",
        "got 119",
        bench_only=True,
    ),
    b(
        RIG,
        "  kind: reference\n",
        "  kind: external\n  periods_ms: {steering: 60}\n" + _OWN,
        RIG,
        "expected at least 160 ms",
        "steering (60 ms)",
        "got 150",
        bench_only=True,
    ),
    b(RIG, _BUS, _BUS + "  bitrate: 125000\n", RIG, "carries"),
    b(RIG, "torque_driven", "torque_drivn", RIG, "did you mean 'torque_driven'?"),
    # ---- the scenario against the rig, its vehicle and its course
    b(RUN, "laps: 1\n", "laps: 1\nvehicle: {fuel_kg: 90}\n", RUN, "at most the tank's", "got 90"),
    b(RUN, "top_speed_km_h: 200.0", "top_speed_km_h: 0.01", RUN, "limits that can be ridden"),
    b(RUN, "signal: wheel_front_m_s", "signal: fork_travel_m", RUN, "a signal of this rig's outputs"),
    b(VEHICLE, "  mass: {value: 124.0,", "  mass: {value: -124.0,", VEHICLE, "got -124"),
    b(CIRCUIT, "kind: circuit\n", "kind: circuit\nlanes: 2\n", CIRCUIT, "unknown key"),
    # ---- what only the bench needs
    b(
        RIG,
        "  kind: pty\n",
        "  kind: serial\n  device: /dev/none\n  baud: 115200\n",
        RIG,
        "the reference robot can't read a serial line",
        bench_only=True,
    ),
    b(RIG, "limits:\n", _MQTT % "", RIG, "no such file: ", "password", bench_only=True),
    b(
        RIG,
        "limits:\n",
        _MQTT.replace("file: password", "file: .") % "",
        RIG,
        "this is a folder",
        bench_only=True,
    ),
    b(
        RIG,
        "limits:\n",
        _MQTT.replace("file: password", "file: secret.txt") % ", ca_file: bench.dbc",
        RIG,
        "PEM file",
        bench_only=True,
    ),
    b(
        RIG,
        "limits:\n",
        _MQTT.replace("file: password", "file: secret.txt") % (_SIGNED % "short"),
        RIG,
        "no such file: ",
        "short",
        bench_only=True,
    ),
]


def renamed_signals(dbc: str, rig_frames: tuple[str, ...]) -> Iterator[tuple[str, str]]:
    """(FRAME.SIGNAL, the DBC with that signal called something else) of each signal of these frames."""
    lines = Path(dbc).read_text().splitlines(keepends=True)
    frame = ""
    for n, line in enumerate(lines):
        words = line.split()
        if words[:1] == ["BO_"]:
            frame = words[2].rstrip(":")
        elif words[:1] == ["SG_"] and frame in rig_frames and words[1] not in ("crc", "alive"):
            changed = [
                other.replace(f" {words[1]} ", f" {words[1]}_x ")
                if n == k or _names(other, frame, lines)
                else other
                for k, other in enumerate(lines)
            ]
            yield f"{frame}.{words[1]}", "".join(changed)


def _names(line: str, frame: str, lines: list[str]) -> bool:
    """Whether a line says something of a signal of that frame: a remark, a table of values."""
    number = next(other.split()[1] for other in lines if other.startswith("BO_ ") and f" {frame}:" in other)
    return line.startswith((f"CM_ SG_ {number} ", f"VAL_ {number} "))
