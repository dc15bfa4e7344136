"""What root has to set up on this very machine, as a shell script to be read and then run.

Limits for the user who rides, udev rules for its CAN interfaces and serial lines, and a unit of systemd that
rides. Nothing is changed here. Files go below ``$DESTDIR``, if that is set.

Sources: limits.conf(5), udev(7), systemd.exec(5), systemd.kill(5), ip-link(8).
"""

from __future__ import annotations

import getpass
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from emulator.config.rig.buses import SocketcanBus
from emulator.config.rig.file import load_rig
from emulator.core.keeping.code_store import cache_folder

UNIT = "emulator.service"
_USUAL_BITRATE = 500_000
_ARPHRD_CAN = 280  # <linux/if_arp.h>
_SPARED = 4
"""Cores from which on the first is left to the rest of the machine."""


@dataclass(frozen=True)
class Line:
    """Bit rates of a CAN interface [bit/s]; data_bitrate 0: no CAN FD."""

    bitrate: int = _USUAL_BITRATE
    data_bitrate: int = 0


@dataclass(frozen=True)
class Machine:
    """What the recipe is made for.

    user        who rides
    program     the command line's path
    folder      where it is started, with runs/ in it
    kept        folder of compiled code
    cores       that rides may use, rising; the loop takes the last
    interfaces  CAN interfaces by name; None: one of no line, such as vcan0, which has no bit rate
    guessed     whether there is no CAN interface, so that one is taken for granted
    ip          path of the program of that name
    rig         as the unit names it, from the folder; empty if nobody named one
    """

    user: str
    program: str
    folder: str
    kept: str
    cores: tuple[int, ...]
    interfaces: Mapping[str, Line | None]
    guessed: bool
    ip: str
    rig: str


def this_machine(rig_file: Path | None = None, root: Path | str = "/") -> Machine:
    """What this machine is like.

    rig_file  its bus's interface and bit rates are taken
    root      where ``sys`` lies

    Raises ConfigError if the rig is wrong.
    """
    interfaces: dict[str, Line | None] = {}
    network = Path(root) / "sys/class/net"
    for path in sorted(network.iterdir()) if network.is_dir() else []:
        kind = path / "type"
        if kind.is_file() and kind.read_text().strip() == str(_ARPHRD_CAN):
            interfaces[path.name] = Line() if (path / "device").exists() else None
    there = set(interfaces)
    if rig_file is not None and isinstance(bus := load_rig(rig_file)[0].bus, SocketcanBus):
        line = Line(bus.bitrate or _USUAL_BITRATE, bus.data_bitrate or 0)
        virtual = bus.channel in there and interfaces[bus.channel] is None
        interfaces[bus.channel] = None if virtual else line
    guessed = not interfaces
    cores = sorted(os.sched_getaffinity(0))
    return Machine(
        user=os.environ.get("SUDO_USER") or getpass.getuser(),
        program=str(Path(sys.executable).with_name("emulator")),
        folder=os.getcwd(),
        kept=str(cache_folder()),
        cores=tuple(cores[1:] if len(cores) >= _SPARED else cores),
        interfaces=interfaces or {"can0": Line()},
        guessed=guessed,
        ip=shutil.which("ip") or "/usr/sbin/ip",
        rig="" if rig_file is None else os.path.relpath(rig_file),
    )


def limits_text(machine: Machine) -> str:
    """/etc/security/limits.d: what the user's shells may have from the next log-in on."""
    return (
        f"# the 1 kHz loop goes before other programs, and none of its memory goes to the disk\n"
        f"{machine.user} - rtprio 95\n"
        f"{machine.user} - memlock unlimited\n"
    )


def rules_text(machine: Machine) -> str:
    """/etc/udev/rules.d: what happens when an interface or an adapter appears."""
    lines = ["# CAN interfaces come up with their bit rate and room for a burst of frames"]
    if machine.guessed:
        lines.append("# (none is there now: can0 is taken for granted)")
    for name, line in machine.interfaces.items():
        if line is None:
            lines.append(f"# {name} is a virtual one: it has no bit rate, and is made and brought up by hand")
            continue
        rate = f"bitrate {line.bitrate}"
        if line.data_bitrate:
            rate += f" dbitrate {line.data_bitrate} fd on"
        when = f'ACTION=="add", SUBSYSTEM=="net", KERNEL=="{name}"'
        lines.append(
            f'{when}, RUN+="{machine.ip} link set {name} type can {rate}", '
            f'RUN+="{machine.ip} link set {name} txqueuelen 1000 up"'
        )
    lines += [
        "# serial adapters hand over each byte at once instead of after 16 ms",
        'ACTION=="add", SUBSYSTEM=="usb-serial", DRIVERS=="ftdi_sio", ATTR{latency_timer}="1"',
        "# cores are kept awake while the loop lives, by whoever may use the serial lines",
        'ACTION=="add", SUBSYSTEM=="misc", KERNEL=="cpu_dma_latency", GROUP="dialout", MODE="0660"',
    ]
    return "\n".join(lines) + "\n"


def unit_text(machine: Machine) -> str:
    """/etc/systemd/system: a ride as a service.

    It is not enabled, and nothing starts it again: a person who has looked at the bench does.
    """
    devices = [
        f"sys-subsystem-net-devices-{name}.device"
        for name, line in machine.interfaces.items()
        if line is not None
    ]
    bound = f"BindsTo={' '.join(devices)}\nAfter={' '.join(devices)}\n" if devices else ""
    cores = ",".join(map(str, machine.cores))
    return f"""\
[Unit]
Description=a ride on the bench
Documentation=file:{machine.folder}/README.md
{bound}
[Service]
Type=exec
User={machine.user}
SupplementaryGroups=dialout
WorkingDirectory={machine.folder}
EnvironmentFile=/etc/default/emulator
Environment=EMULATOR_CACHE={machine.kept}
ExecStart={machine.program} run ${{SCENARIO}} --rig ${{RIG}}
# the loop takes the last of these cores (loop.cpu: auto), everything else the others
CPUAffinity={cores}
LimitRTPRIO=95
LimitMEMLOCK=infinity
# asked to stop, the signals go to rest and the record is closed before it ends
KillMode=mixed
TimeoutStopSec=20
Restart=no
NoNewPrivileges=yes
ProtectSystem=strict
ReadWritePaths=-{machine.folder}/runs -{machine.kept}
"""


def defaults_text(machine: Machine) -> str:
    """/etc/default: what the unit rides."""
    rig = shlex.quote(machine.rig or "scenarios/rigs/mine.yaml")
    return f"SCENARIO=scenarios/runs/straight.yaml\nRIG={rig}\n"


def script(machine: Machine) -> str:
    """The whole recipe."""
    files = {
        "/etc/security/limits.d/emulator.conf": limits_text(machine),
        "/etc/udev/rules.d/60-emulator.rules": rules_text(machine),
        "/etc/default/emulator": defaults_text(machine),
        f"/etc/systemd/system/{UNIT}": unit_text(machine),
    }
    parts = [
        "#!/bin/sh\n"
        f"# For user {machine.user} on this machine. Read it, then run it as root: sh FILE\n"
        "set -eu\n"
        "write() {\n"
        '    mkdir -p "${DESTDIR:-}$(dirname "$1")"\n'
        '    cat >"${DESTDIR:-}$1"\n'
        '    echo "wrote ${DESTDIR:-}$1"\n'
        "}\n"
    ]
    parts += [f"\nwrite {path} <<'END'\n{text}END\n" for path, text in files.items()]
    parts.append(
        f"""
[ -z "${{DESTDIR:-}}" ] || exit 0
usermod --append --groups dialout {shlex.quote(machine.user)}
install --directory --owner={shlex.quote(machine.user)} {shlex.quote(machine.folder + "/runs")}
udevadm control --reload
udevadm trigger --action=add --subsystem-match=net --subsystem-match=usb-serial
udevadm trigger --action=add --sysname-match=cpu_dma_latency
systemctl daemon-reload
echo "limits hold from the next log-in on; a ride: systemctl start {UNIT}"
"""
    )
    return "".join(parts)


def complaints(machine: Machine) -> list[str] | None:
    """What `systemd-analyze verify` has to say of the unit, by line; None where it is not installed."""
    verify = shutil.which("systemd-analyze")
    if verify is None:
        return None
    with tempfile.TemporaryDirectory() as folder:
        unit = Path(folder) / UNIT
        unit.write_text(unit_text(machine))
        done = subprocess.run(
            [verify, "verify", "--man=no", str(unit)], capture_output=True, text=True, timeout=60, check=False
        )
    said = [line.replace(f"{folder}/", "") for line in (done.stdout + done.stderr).splitlines()]
    return said if said or done.returncode == 0 else [f"status {done.returncode}"]
