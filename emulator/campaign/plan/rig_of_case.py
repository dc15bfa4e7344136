"""The rig of a case, read and checked for a ride that nobody stands beside."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from emulator.assembly.files import RigSide, read_rig_side
from emulator.campaign.plan.case import Case, CaseFiles, canonical, named_robot
from emulator.config.based_on import File
from emulator.config.software.stepped_robot import SocketRobot
from emulator.core.errors import ConfigError

_WHO_STARTS_IT = (
    "expected the command that starts the robot's program, or a fixed port or path at which it joins anew "
    "for every run: nobody sees the free port of a campaign's runs"
)


def rig_side(case: Case, rig: File, vehicle: File | None) -> RigSide:
    """Raises nothing for what is wrong in the files.

    rig, vehicle  of the case, with what goes over them
    """
    side = read_rig_side(rig, vehicle, stage=case.stage, robot=named_robot(case))
    if side.rig is None or side.source is None or case.robot or case.stage != "virtual":
        return side
    how = side.rig.device_under_test.virtual
    if not isinstance(how, SocketRobot) or how.command or how.port or how.path is not None:
        return side
    loc = ("device_under_test", "virtual", "command")
    return replace(side, problems=(*side.problems, side.source.problem(loc, _WHO_STARTS_IT)))


def one_at_a_time(cases: Iterable[Case], files: CaseFiles) -> bool:
    """Whether a robot of these cases joins at a port or path of its own, where one ride can wait for it."""
    looked_at: set[tuple[str, str]] = set()
    for case in cases:
        key = (str(case.rig), canonical(case.rig_overlay))
        if case.robot or case.stage != "virtual" or key in looked_at:
            continue
        looked_at.add(key)
        try:
            device = files.rig(case).data.get("device_under_test")
        except ConfigError:  # its runs say so
            continue
        how = device.get("virtual") if isinstance(device, dict) else None
        if isinstance(how, dict) and how.get("kind") == "socket" and (how.get("port") or how.get("path")):
            return True
    return False
