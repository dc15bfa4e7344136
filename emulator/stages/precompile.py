"""Compile everything a run needs, in two chains side by side, so that a person sees what takes so long once.

Each step runs in a worker process and leaves its result in the compiler's cache on disk; the next step, in
whichever process, starts from there. The chains share nothing that takes long to compile.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import time
import traceback
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path

import numpy as np

from emulator.assembly.session import Session, load_session
from emulator.core.collector import seldom_collect
from emulator.core.compiler import bound_form, kept, processor_name
from emulator.core.errors import StartFailed
from emulator.loop.host import die_with_parent


def _session() -> Session:
    folder = Path(__file__).with_name("precompile_session")
    return load_session(folder / "rig.yaml", folder / "run.yaml")


def _vehicle() -> None:
    from emulator.lap.steady_limits import limits_on
    from emulator.vehicle.equilibrium import steady_motion
    from emulator.vehicle.linearise import linearise

    vehicle = _session().vehicle
    limits_on(vehicle, 1.0, speeds=(20.0,), n_angles=3)
    linearise(vehicle, steady_motion(vehicle, 20.0))


def _line() -> None:
    from emulator.lap.ideal_lap import bike_of, grip_along, ideal_lap
    from emulator.lap.steady_limits import blank_limits

    session = _session()
    ideal_lap(
        session.line, bike_of(session.vehicle, blank_limits()), grip=grip_along(session.road, session.line)
    )


def _plant() -> None:
    from emulator.assembly.bench import Bench

    Bench.rehearse(_session())


def _loop() -> None:
    from emulator.loop.process import warm

    warm()


def _links() -> None:
    """What joins a bus that is text, and what reads the loop's shared memory beside it."""
    from contextlib import closing

    from emulator.core.signals import SIGNALS
    from emulator.links.can_text import TextLink
    from emulator.shared_memory.block import Snapshot
    from emulator.shared_memory.layout import Sizes

    with closing(Snapshot.create(Sizes(2, 2, 2, 2))) as scratch:
        scratch.write_signals(0, np.zeros(len(SIGNALS)))
        scratch.latest()
        scratch.event_reader().read()
    TextLink(_NOWHERE, lambda: None, serial=False).close()


def _robot() -> None:
    from emulator.assembly.session import mission
    from emulator.robot.design import blank_design
    from emulator.robot.mission import ReferenceRider

    ReferenceRider(mission(_session()), design=blank_design()).rehearse()


def _virtual() -> None:
    from emulator.assembly.bench import Bench
    from emulator.assembly.link_specs import output_specs
    from emulator.assembly.session import mission
    from emulator.core.frame_buffer import frame_buffer
    from emulator.core.signals import SIGNALS
    from emulator.loop.certificate import TimingAccounts
    from emulator.record.frame_columns import TX
    from emulator.record.packed.packing import PackedBlock
    from emulator.record.writer import SIGNAL_SCHEMA
    from emulator.robot.design import blank_design
    from emulator.robot.mission import ReferenceRider
    from emulator.stages.stepped_epochs import epoch_way
    from emulator.stages.stepped_loop import FRAME_COLUMNS, Block, taken_bursts
    from emulator.stages.stepped_ticks import on_the_bus
    from emulator.stages.virtual import compiled_ticks

    session = _session()
    rows, frames, payloads = (
        np.zeros((2, len(SIGNALS))),
        np.zeros((1000, FRAME_COLUMNS), np.int64),
        np.zeros((1000, 8), np.uint8),
    )
    bench, robot = Bench(session), ReferenceRider(mission(session), design=blank_design())
    accounts = TimingAccounts(output_specs(session)).frame_accounts
    memory = accounts, rows, frames, payloads, epoch_way(bench.receiver, robot.ears, taken_bursts())
    compiled_ticks(bench.plant, robot.rider, *on_the_bus(session), *memory)
    packed = PackedBlock(SIGNAL_SCHEMA, len(rows))
    packed.put(0, np.arange(len(rows)), rows)
    packed.columns(len(rows))
    one_frame = frame_buffer(1)
    one_frame.count[0] = 1
    Block(1, 1, 8, 1).add_frames(0, TX, one_frame)


_VIRTUAL = "virtual stage"
_NOWHERE = -1  # a descriptor that is none: what is compiled by opening a link reads nothing yet
_STEPS: dict[str, Callable[[], None]] = {
    "vehicle": _vehicle,
    "plant, sensors and frames": _plant,
    "line and speed profile": _line,
    "loop": _loop,
    "links": _links,
    "reference robot": _robot,
    _VIRTUAL: _virtual,
}
_CHAINS = (
    ("vehicle", "plant, sensors and frames", _VIRTUAL),
    ("line and speed profile", "loop", "links", "reference robot"),
)


def compiling_first(*, virtual: bool, robot_alone: bool = False) -> str:
    """What a person should know who starts a run: that it compiles first, and how long; empty if not.

    virtual      a run on the virtual stage
    robot_alone  the reference robot without a bench
    """
    found = [kept(function) for function in _begun_with(virtual=virtual, robot_alone=robot_alone)]
    if all(here for here, _ in found):
        return ""
    others = all(anywhere for _, anywhere in found)
    why = "the code kept is for another processor, other libraries or settings; " if others else ""
    return f"{why}compiling for this processor ({processor_name()}), once: one to two minutes"


def _begun_with(*, virtual: bool, robot_alone: bool) -> Iterator[Callable[..., object]]:
    """The largest functions that such a run begins with; nothing is imported that it would not use."""
    if virtual or robot_alone:
        from emulator.robot.rider import step

        yield bound_form(step, 0)  # as the mission and the virtual stage call it
    if not robot_alone:
        from emulator.plant.step import tick

        yield bound_form(tick, 3)  # as both call it
    if virtual:
        from emulator.stages.virtual import run_ticks

        yield run_ticks


def _compile(name: str) -> float:
    started = time.monotonic()
    _STEPS[name]()
    return time.monotonic() - started


def warm(*, virtual: bool = True) -> Iterator[tuple[str, float]]:
    """Compile what is not in the cache yet; yields (name, seconds) as each step is done.

    virtual  also the loop of the virtual stage, which a bench run does without

    Whoever leaves it before its end, as by Ctrl-C, ends the processes that compile with it: one function may
    take a quarter of a minute of the compiler, which hears nothing meanwhile. What they had kept by then is
    whole. Raises what a step raised, and StartFailed where a process was lost.
    """
    context = multiprocessing.get_context("spawn")
    working: dict[Connection, BaseProcess] = {}
    try:
        for chain in _CHAINS:
            names = tuple(name for name in chain if virtual or name != _VIRTUAL)
            ours, theirs = context.Pipe(duplex=False)
            process = context.Process(
                target=_compile_all, args=(theirs, names, _compile, os.getpid()), daemon=True
            )
            working[ours] = process
            with _unheard_by_the_started():
                process.start()
            theirs.close()
        while working:
            told_of = wait(list(working))
            for heard in [ours for ours in working if ours in told_of]:
                try:
                    told = heard.recv()
                except EOFError:
                    raise _lost(working[heard]) from None
                if told is None:
                    working.pop(heard).join()
                elif isinstance(told, Exception):
                    raise told
                else:
                    yield told
    finally:
        for left in working.values():
            if left.pid is not None:
                left.kill()
                left.join()


def _compile_all(
    connection: Connection, names: tuple[str, ...], compiled: Callable[[str], float], parent: int
) -> None:
    """What a process does: compiles one after another and tells of each; None at the end, or the error."""
    if not die_with_parent(parent, signal.SIGKILL):
        return
    seldom_collect()
    try:
        for name in names:
            connection.send((name, compiled(name)))
    except Exception as error:
        error.add_note("".join(traceback.format_exception(error)))
        connection.send(error)
    else:
        connection.send(None)


@contextlib.contextmanager
def _unheard_by_the_started() -> Iterator[None]:
    """A terminal tells all its processes of Ctrl-C and of its end: those begun in here leave that to us."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, (signal.SIGINT, signal.SIGHUP))
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _lost(process: BaseProcess) -> StartFailed:
    process.join()
    return StartFailed(
        f"a process that compiles was lost (exit {process.exitcode})",
        advice="something ended it, perhaps for want of memory (`dmesg` tells); then the same command again",
    )
