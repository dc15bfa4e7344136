"""Sessions that a robot of one's own rides, and their virtual rides."""

from pathlib import Path

from emulator.assembly.session import load_session
from emulator.config.software.stepped_robot import PythonRobot
from emulator.record.writer import RunWriter
from emulator.stages.own_robot.choice import robot_of
from emulator.stages.virtual import VirtualRide
from tests.support.scripted_robot import RIG, RUN, variant

FAILING = Path(__file__).with_name("failing_robots.py")
REFERENCE = Path(__file__).with_name("reference_in_lockstep.py")
BYTES = ("signals.arrow", "frames.arrow", "inputs.arrow", "events.jsonl", "gnss.nmea")


def session_of(file, name, *, seconds=None, run=RUN, rig=RIG, seed=0, **how):
    """A session that class ``name`` of ``file`` rides, ended after so many seconds."""
    robot = PythonRobot(kind="python", file=str(file), name=name, **how)
    session = load_session(rig, run, robot=robot, seed=seed)
    return session if seconds is None else variant(session, scenario={"duration_limit_s": seconds})


def recorded(session, folder, **choice):
    """Ride it virtually into ``folder``; returns the outcome."""
    with robot_of(session, **choice) as robot:
        manifest = session.manifest(stage="virtual") | ({} if robot is None else {"robot": robot.about})
        with RunWriter(folder, manifest) as writer:
            return VirtualRide(session, robot).run(writer)[0]


def bytes_of(folder):
    """The record's bytes by file."""
    return {name: (folder / name).read_bytes() for name in BYTES}
