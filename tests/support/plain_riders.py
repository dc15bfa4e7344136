"""The plain rider as a Python class, at a socket (C packed, Python by lines), and as a unit of the C."""

import re
import runpy
import shutil
import subprocess
import zipfile
from pathlib import Path

from emulator.assembly.session import load_session
from tests.support.scripted_robot import RIG

ROBOTS = RIG.parents[1] / "robots"
UNIT = Path(__file__).with_name("plain_rider_fmi.c")
HEARD = runpy.run_path(str(ROBOTS / "plain_rider.py"))["HEARD"]
COMMANDS = (
    *("steering_torque_Nm", "throttle", "front_brake_Pa", "rear_brake_Pa", "clutch", "gear_request"),
    *("estimate_x_m", "estimate_y_m", "estimate_heading_rad", "estimate_roll_rad", "estimate_speed_m_s"),
)
NOTES = ("offset_m", "roll_target_rad")
PARAMETERS = ("speed_km_h", "radius_m", "start_east_m", "start_north_m", "start_heading_rad")
_COMPILE = ("gcc", "-O2", "-ffp-contract=off", f"-I{ROBOTS}")
KINDS = ("python", "socket", "fmi")


def build(folder: Path) -> None:
    """The program and the unit in ``folder``."""
    shutil.copy(ROBOTS / "plain_rider.py", folder)
    shutil.copy(ROBOTS / "line_client.py", folder)
    rider = str(ROBOTS / "plain_rider.c")
    program = str(ROBOTS / "line_client.c")
    subprocess.run(
        [*_COMPILE, "-Wall", "-Wextra", "-Werror", "-o", folder / "rider", program, rider, "-lm"], check=True
    )
    import fmpy

    headers = Path(fmpy.__file__).parent / "c-code"
    library, rest = folder / "unit.so", folder / "rest.c"
    rest.write_text(_rest(headers / "fmi3Functions.h"))
    unit = [f"-I{headers}", "-shared", "-fPIC", "-o", library, UNIT, rest, rider, "-lm"]
    subprocess.run([*_COMPILE, *unit], check=True)
    with zipfile.ZipFile(folder / "rider.fmu", "w") as fmu:
        fmu.writestr("modelDescription.xml", _description())
        fmu.write(library, "binaries/x86_64-linux/unit.so")


def _rest(header: Path) -> str:
    """Every function that a unit has to export and ours does not use: it fails."""
    names = set(re.findall(r"^FMI3_Export fmi3\w+TYPE\s+(fmi3\w+);", header.read_text(), re.MULTILINE))
    used = set(re.findall(r"\b(fmi3\w+)\(", UNIT.read_text()))
    return "".join(f"int {name}(void) {{ return 3; }}\n" for name in sorted(names - used))


def _description() -> str:
    variables = [
        *((name, "input", "discrete") for name in HEARD),
        *((f"out_{name}", "output", "discrete") for name in COMMANDS),
        *((name, "output", "discrete") for name in NOTES),
        *((name, "parameter", "fixed") for name in PARAMETERS),
    ]
    clock = 'causality="independent" variability="continuous"'
    time = f'<Float64 name="time" valueReference="{len(variables)}" {clock}/>'
    rows = time + "".join(
        f'<Float64 name="{name}" valueReference="{i}" causality="{causality}" variability="{variability}"'
        + (' start="0"/>' if causality != "output" else "/>")
        for i, (name, causality, variability) in enumerate(variables)
    )
    outputs = "".join(
        f'<Output valueReference="{i}"/>'
        for i, (_, causality, _) in enumerate(variables)
        if causality == "output"
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<fmiModelDescription fmiVersion="3.0" modelName="plain rider" version="1" '
        'instantiationToken="plain-rider"><CoSimulation modelIdentifier="unit"/>'
        f"<ModelVariables>{rows}</ModelVariables><ModelStructure>{outputs}</ModelStructure></fmiModelDescription>"
    )


def session_of(kind, folder, *, run, speed, radius=0.0, rig=RIG, seed=0, **how):
    """A session that the rider of a kind rides, by a rig file written beside what was built."""
    settings = f"{{speed_km_h: {speed}, radius_m: {radius}}}"
    what = {
        "python": "kind: python, file: plain_rider.py, name: PlainRider, process: ours",
        "own process": "kind: python, file: plain_rider.py, name: PlainRider",
        "socket": "kind: socket, command: [rider]",
        "lines": "kind: socket, command: [python3, line_client.py]",
        "fmi": f"kind: fmi, file: rider.fmu, inputs: {{{', '.join(f'{n}: {n}' for n in HEARD)}}}, "
        f"outputs: {{{', '.join(f'out_{n}: {n}' for n in COMMANDS)}}}, notes: [{', '.join(NOTES)}]",
    }[kind]
    more = "".join(f", {key}: {value}" for key, value in how.items())
    path = folder / f"{kind.replace(' ', '_')}.yaml"
    path.write_text(
        f"based_on: {rig}\nname: rig of {kind}\n"
        f"device_under_test: {{kind: external, virtual: {{{what}, settings: {settings}{more}}}}}\n"
    )
    return load_session(path, run, seed=seed), path
