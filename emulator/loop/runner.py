"""The cycle: wake on an absolute deadline, receive, tick the plant, send, publish. Every millisecond.

Plant time stays locked to the wall clock. After a stall the missed ticks are computed at once, with the
inputs held (of ``Limits.deaf_ticks`` of them in a row nothing is received) and counted; beyond
``Limits.overrun_ns`` the rig trips. A stall too long to make up for is cut, and the ticks left out are
counted as skipped.

Nothing here waits for another process and nothing is allocated for good: the steady cycle works on buffers
made before it starts. The way out is always the same: the plant is told to stop, ramps to rest, and says so.
"""

from __future__ import annotations

import os
from dataclasses import asdict, dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from emulator.core.clock import Clock
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.link_protocols import CanLink, GnssLink, PulseLink
from emulator.core.signals import ARMED, RUNNING, TRIPPED
from emulator.loop.bus_watch import BusRules, BusWatch
from emulator.loop.certificate import GNSS, TimingAccounts, edges_us
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.rings import RX, TX
from emulator.shared_memory.status import Command, LoopEvent, LoopState, RecorderState, Status


class Plant(Protocol):
    """The emulated motorcycle as the cycle sees it. No method raises, waits or allocates for good.

    All times it takes and gives are *scenario time* in nanoseconds: tick number times the period.
    """

    @property
    def row(self) -> NDArray[np.float64]:
        """(len(SIGNALS),) values of the tick last computed; the same array for ever."""
        ...

    @property
    def tick_number(self) -> int:
        """Scenario tick last computed, negative before running starts; rises by at least 1 a tick.

        It may jump (once it is known when the ride starts, and back when a hold puts that off): all times
        given by the plant then jump with it, in that very tick. Before the first tick: one less than the
        first.
        """
        ...

    @property
    def finished(self) -> bool:
        """True once at rest after stopping or tripping: the loop may end."""
        ...

    @property
    def gnss_due_ns(self) -> int:
        """When the burst last given by ``take_gnss`` was due to be handed to the link."""
        ...

    @property
    def gnss_valid_ns(self) -> int:
        """Its time of validity, or ``ports.UNTIMED`` if a fault changed its timing."""
        ...

    @property
    def gnss_line_ns(self) -> int:
        """How long that burst takes on the line behind the link: an epoch is sent when its last byte is."""
        ...

    @property
    def utc_ns(self) -> int:
        """UTC of the tick last computed since 1970-01-01, for the pulse per second."""
        ...

    def tick(self, rx: FrameBuffer, tx: FrameBuffer, lateness_us: float, compute_us: float) -> int:
        """Compute one tick and return the bench state after it (0 standby ... 4 tripped).

        rx           frames received since the last tick, ``time_ns`` in scenario time; empty on missed ticks
        tx           comes empty; to be filled with the frames to send now, ``time_ns`` when each was due
                     and ``valid_ns`` its time of validity (``ports.UNTIMED`` if a fault changed its timing)
        lateness_us  how long after its deadline this tick starts
        compute_us   how long the tick before took altogether
        """
        ...

    def take_events(self) -> list[tuple[int, int, float, str]]:
        """What happened in this tick, as (code, index, value, text); nearly always the same empty list."""
        ...

    def take_gnss(self) -> bytes:
        """Sentences to send in this tick; nearly always empty."""
        ...

    def command(self, code: int, argument: float) -> None:
        """A ``snapshot.Command``; takes effect in the next tick, is ignored where the state forbids it."""
        ...


@dataclass(frozen=True)
class Limits:
    """What the cycle holds itself to.

    reason_overrun, reason_bus   trip reasons handed to the plant with Command.TRIP
    overrun_ns                   [ns] a stall beyond this trips the rig
    catch_up_ticks               most missed ticks made up for after one stall
    deaf_ticks                   after so many missed ticks in a row the bus is read all the same: a loop that
                                 is always late still has to hear the robot
    recorder_gone_ticks          a recorder that did not beat for this long is reported as gone
    ramp_ticks                   longest time to rest once asked to stop; then the cycle ends all the same
    max_ticks                    stop (orderly) after so many cycles; 0 never
    """

    reason_overrun: int
    reason_bus: int
    period_ns: int = 1_000_000
    overrun_ns: int = 20_000_000
    catch_up_ticks: int = 1000
    deaf_ticks: int = 10
    recorder_gone_ticks: int = 2000
    ramp_ticks: int = 30_000
    max_ticks: int = 0
    bus_rules: BusRules = field(default_factory=BusRules)
    rx_rows: int = 256
    tx_rows: int = 256


class StopRequest:
    """Set from a signal handler; the cycle looks at it every tick."""

    def __init__(self) -> None:
        self.cause = ""

    def ask(self, cause: str) -> None:
        """Ask for an orderly stop; the first cause is kept."""
        self.cause = self.cause or cause


@dataclass
class Outcome:
    """How the cycle ended.

    final_state  bench state after the last tick
    at_rest      the plant said it was at rest; False only when ramping took too long
    stop_cause   why the cycle asked the plant to stop: '' (it did so by itself), 'command', a signal's
                 name, 'supervisor gone', 'tick limit'
    trip_tick    scenario tick in which the rig tripped, None if it did not
    problems     what went wrong with the rig itself, in sentences
    bus          what was seen of each fault of the bus, see ``bus_watch.BusWatch.as_dict``
    """

    final_state: int = 0
    at_rest: bool = False
    ticks: int = 0
    last_tick: int = 0
    skipped_ticks: int = 0
    stop_cause: str = ""
    trip_tick: int | None = None
    problems: list[str] = field(default_factory=list)
    bus: dict[str, Any] = field(default_factory=dict)

    def as_dict(self) -> dict[str, Any]:
        """The same as plain values."""
        return asdict(self)


def run_cycle(
    plant: Plant,
    can: CanLink,
    gnss: GnssLink,
    snapshot: Snapshot,
    clock: Clock,
    limits: Limits,
    timing: TimingAccounts,
    stop: StopRequest | None = None,
    supervisor_pid: int = 0,
    pulse: PulseLink | None = None,
) -> Outcome:
    """Run until the plant has come to rest; see the module's text.

    supervisor_pid  the parent whose death means stop; 0 for none
    pulse           control line that shows the whole seconds of UTC; None for none
    """
    stop = stop or StopRequest()
    outcome = Outcome()
    period = limits.period_ns
    rx, tx = frame_buffer(limits.rx_rows), frame_buffer(limits.tx_rows)
    # memoryviews: plain integers in and out, several times cheaper than numpy scalars
    rx_count, tx_count = rx.count.data, tx.count.data
    watch = BusWatch(limits.bus_rules, _own_ids(timing), period)
    status = snapshot.status
    snapshot.lateness_edges_us[:] = edges_us()
    status[Status.LOOP_PID] = os.getpid()
    status[Status.LOOP_STATE] = LoopState.CYCLING

    cycle = compute_ns = skipped = frames_cut = frames_received = deaf = 0
    state = 0
    stop_cycle = -1
    stalled = link_dead = recorder_gone = False
    recorder_beat, recorder_beat_cycle = status[Status.RECORDER_HEARTBEAT], 0
    tick = plant.tick_number
    deadline = clock.now_ns() + period

    def tell(code: int, value: float, text: str, index: int = 0) -> None:
        snapshot.write_event(plant.tick_number, code, index, value, text)

    def give(code: int, argument: float) -> None:
        """Hand the plant a command; with the frames received these are all that ever reaches it."""
        plant.command(code, argument)
        snapshot.write_applied(cycle, code, argument)

    def look_at_bus() -> None:
        """What the link saw since the last look, into status, events and, while it counts, an answer."""
        nonlocal link_dead
        counts = can.counts()
        status[Status.FRAMES_SENT] = counts.sent
        status[Status.FRAMES_RECEIVED] = frames_received
        status[Status.SEND_LOST] = counts.send_lost
        status[Status.RECEIVE_LOST] = counts.receive_lost
        status[Status.BUS_ERRORS] = counts.bus_errors
        for h in watch.poll(cycle, plant.tick_number, counts):
            tell(LoopEvent.BUS_FAULT if h.begins else LoopEvent.BUS_FAULT_OVER, h.value, h.text, h.fault)
        if watch.present or status[Status.BUS_FAULTS]:
            status[Status.BUS_FAULTS] = watch.present
            status[Status.BUS_OFFS] = counts.bus_offs
            status[Status.INTERFACE_DOWNS] = counts.downs
            status[Status.SEND_FULL] = counts.send_full
            status[Status.OWN_FRAMES] = watch.own_frames
            if ARMED <= state <= RUNNING and watch.asks_for_trip():
                give(Command.TRIP, float(limits.reason_bus))
        if not counts.alive and not link_dead:
            link_dead = True
            give(Command.TRIP, float(limits.reason_bus))
            tell(LoopEvent.LINK_DEAD, 0.0, "the CAN link is gone")
            outcome.problems.append("the CAN link is gone")

    def ask_to_stop(cause: str) -> None:
        nonlocal stop_cycle
        outcome.stop_cause = outcome.stop_cause or cause
        if stop_cycle < 0:
            stop_cycle = cycle
            if cause != "command":
                give(Command.STOP, 0.0)
                tell(LoopEvent.STOP_ASKED, 0.0, f"stopping: {cause}")

    while True:
        now = clock.sleep_until(deadline)
        lateness = now - deadline
        origin = deadline - (tick + 1) * period  # loop clock at scenario tick 0
        rx_count[0] = 0
        deaf += 1
        if lateness < period or deaf > limits.deaf_ticks:
            deaf = 0
            can.receive(rx, now - origin)
        if lateness < period:
            stalled = False
        elif lateness > limits.overrun_ns and not stalled:
            stalled = True
            give(Command.TRIP, float(limits.reason_overrun))
            text = f"the loop stalled for {lateness * 1e-6:.1f} ms (limit {limits.overrun_ns * 1e-6:.1f} ms)"
            tell(LoopEvent.STALL, lateness * 1e-9, text)
            outcome.problems.append(text)
            excess = lateness // period - limits.catch_up_ticks
            if excess > 0:
                skipped += excess
                deadline += excess * period
                lateness -= excess * period

        while (command := snapshot.pop_command()) is not None:
            code, argument = command
            give(code, argument)
            tell(LoopEvent.COMMAND, argument, f"command {_command_name(code)}", code)
            if code == Command.STOP:
                ask_to_stop("command")
        if stop.cause and stop_cycle < 0:
            ask_to_stop(stop.cause)

        tx_count[0] = 0
        state = plant.tick(rx, tx, lateness * 1e-3, compute_ns * 1e-3)
        if pulse is not None and not pulse.follow(plant.utc_ns, on_time=lateness < period):
            pulse = None
            text = "the pulse per second's line is gone"
            tell(LoopEvent.LINK_DEAD, 0.0, text)
            outcome.problems.append(text)
        tick, before = plant.tick_number, tick
        if tick != before + 1:
            timing.restart()
            watch.restart()
        origin = deadline - tick * period

        if tx_count[0]:
            taken = can.send(tx)
            sent_ns = clock.now_ns() - origin
            timing.frames(tx, taken, sent_ns)
            tx_count[0] = taken
            frames_cut += snapshot.write_frames(tick, TX, tx, sent_ns, cycle)
        burst = plant.take_gnss()
        if burst:
            sent = gnss.send(burst)
            line_ns = plant.gnss_line_ns
            sent_ns = clock.now_ns() - origin + line_ns
            timing.gnss(plant.gnss_due_ns + line_ns, plant.gnss_valid_ns, sent_ns, taken=sent)
            if sent:
                snapshot.write_gnss(tick, burst)
        if rx_count[0]:
            frames_received += rx_count[0]
            watch.frames(rx)
            frames_cut += snapshot.write_frames(tick, RX, rx, 0, cycle)
        snapshot.write_signals(tick, plant.row)
        for code, index, value, text in plant.take_events():
            snapshot.write_event(tick, code, index, value, text)

        if state == TRIPPED and outcome.trip_tick is None:
            outcome.trip_tick = tick
        cycle += 1
        status[Status.LOOP_HEARTBEAT] = cycle
        status[Status.TICK] = tick
        status[Status.BENCH_STATE] = state
        ended = plant.finished
        if not ended and stop_cycle >= 0 and cycle - stop_cycle > limits.ramp_ticks:
            ended = True
            text = f"not at rest {limits.ramp_ticks * period * 1e-9:.1f} s after the stop; ended all the same"
            tell(LoopEvent.RAMP_TOO_LONG, 0.0, text)
            outcome.problems.append(text)

        # What need not be done every tick is spread out, so that no tick carries all of it.
        phase = cycle % 64
        if phase % 8 == 1:
            look_at_bus()
        elif phase % 8 == 2:
            if supervisor_pid and os.getppid() != supervisor_pid and stop_cycle < 0:
                ask_to_stop("supervisor gone")
            if limits.max_ticks and cycle >= limits.max_ticks and stop_cycle < 0:
                ask_to_stop("tick limit")
        elif phase == 3:
            gnss_counts = gnss.counts()
            status[Status.GNSS_SENT] = gnss_counts.sent
            status[Status.GNSS_LOST] = gnss_counts.send_lost
            status[Status.FRAMES_CUT] = frames_cut
            status[Status.SKIPPED_TICKS] = skipped
            status[Status.OVERRUNS] = timing.overruns
            status[Status.MISSED_TICKS] = timing.missed_ticks
        elif phase == 4:
            beat = status[Status.RECORDER_HEARTBEAT]
            if beat != recorder_beat:
                recorder_beat, recorder_beat_cycle = beat, cycle
                if recorder_gone:
                    recorder_gone = False
                    tell(LoopEvent.RECORDER_BACK, 0.0, "recorder back")
            elif (
                beat
                and not recorder_gone
                and (
                    cycle - recorder_beat_cycle > limits.recorder_gone_ticks
                    or status[Status.RECORDER_STATE] == RecorderState.FAILED
                )
            ):
                recorder_gone = True
                tell(LoopEvent.RECORDER_GONE, 0.0, "recorder gone")
                outcome.problems.append(f"recorder gone at tick {tick}")
        elif cycle % 512 == 5:
            _publish_spread(status, timing)

        compute_ns = clock.now_ns() - now
        timing.tick(lateness, compute_ns)
        if ended:
            break
        deadline += period

    look_at_bus()
    outcome.problems += watch.problems()
    outcome.bus = watch.as_dict()
    _publish_spread(status, timing)
    status[Status.OVERRUNS], status[Status.MISSED_TICKS] = timing.overruns, timing.missed_ticks
    status[Status.SKIPPED_TICKS], status[Status.FRAMES_CUT] = skipped, frames_cut
    if frames_cut:
        outcome.problems.append(f"{frames_cut} frames are longer than the record keeps")
    outcome.final_state, outcome.at_rest = state, plant.finished
    outcome.ticks, outcome.last_tick, outcome.skipped_ticks = cycle, plant.tick_number, skipped
    return outcome


def _own_ids(timing: TimingAccounts) -> NDArray[np.int64]:
    """Identifiers that only the bench sends."""
    return np.array([o.can_id for o in timing.outputs if o.can_id != GNSS], np.int64)


def _command_name(code: int) -> str:
    try:
        return Command(code).name.lower()
    except ValueError:
        return f"number {code}"


def _publish_spread(status: memoryview, timing: TimingAccounts) -> None:
    """Percentiles of lateness and compute time into the status block."""
    for first, spread in (
        (Status.LATENESS_P50_NS, timing.lateness_ns()),
        (Status.COMPUTE_P50_NS, timing.compute_ns()),
    ):
        for offset, value in enumerate(spread):
            status[first + offset] = value
