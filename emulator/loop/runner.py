"""The cycle: wake on an absolute deadline, receive, tick the plant, send, publish. Every millisecond.

Plant time stays locked to the wall clock. After a stall the missed ticks are computed at once, with the
inputs held (of ``CycleLimits.deaf_ticks`` of them in a row nothing is received) and counted; beyond
``CycleLimits.overrun_ns`` the rig trips. A stall too long to make up for is cut, and the ticks left out are
counted as skipped.

Nothing here waits for another process and nothing is allocated for good: the steady cycle works on buffers
made before it starts. The way out is always the same: the plant is told to stop, ramps to rest, and says so.
"""

from __future__ import annotations

import os

import numpy as np
from numpy.typing import NDArray

from emulator.core.clock import Clock, first_deadline
from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import CanLink, GnssLink, PulseLink
from emulator.core.signals import ARMED, RUNNING, TRIPPED, in_the_ride
from emulator.loop.bus_watch import BusWatch
from emulator.loop.certificate import GNSS, TimingAccounts, edges_us
from emulator.loop.contract import CycleLimits, Outcome, StopRequest, TickedPlant
from emulator.shared_memory.block import Snapshot
from emulator.shared_memory.rings import RX, TX
from emulator.shared_memory.stalls import Role
from emulator.shared_memory.status import Command, LoopEvent, LoopState, RecorderState, Status

# Words written again and again: to look an enumeration's member up by name costs more than the writing.
_TICK_ZERO_NS, _LOOP_HEARTBEAT, _TICK, _BENCH_STATE = map(
    int, (Status.TICK_ZERO_NS, Status.LOOP_HEARTBEAT, Status.TICK, Status.BENCH_STATE)
)
_FRAMES_SENT, _FRAMES_RECEIVED, _SEND_LOST = map(
    int, (Status.FRAMES_SENT, Status.FRAMES_RECEIVED, Status.SEND_LOST)
)
_RECEIVE_LOST, _BUS_ERRORS, _BUS_FAULTS = map(
    int, (Status.RECEIVE_LOST, Status.BUS_ERRORS, Status.BUS_FAULTS)
)
_GNSS_SENT, _GNSS_LOST, _FRAMES_CUT = map(int, (Status.GNSS_SENT, Status.GNSS_LOST, Status.FRAMES_CUT))
_SKIPPED_TICKS, _OVERRUNS, _MISSED_TICKS = map(
    int, (Status.SKIPPED_TICKS, Status.OVERRUNS, Status.MISSED_TICKS)
)
_RECORDER_HEARTBEAT, _RECORDER_STATE = map(int, (Status.RECORDER_HEARTBEAT, Status.RECORDER_STATE))


def run_cycle(
    plant: TickedPlant,
    can: CanLink,
    gnss: GnssLink,
    snapshot: Snapshot,
    clock: Clock,
    limits: CycleLimits,
    timing: TimingAccounts,
    stop: StopRequest | None = None,
    supervisor_pid: int = 0,
    pulse: PulseLink | None = None,
) -> Outcome:
    """Run until the plant has come to rest; see the module's text.

    supervisor_pid  the parent whose death means stop; 0 for none
    pulse           control line that shows the whole seconds of UTC; None for none
    """
    return _Cycle(plant, can, gnss, snapshot, clock, limits, timing, stop, supervisor_pid, pulse).run()


class _Cycle:
    """The links, the plant and the accounts of one run; ``run`` says in which order a tick uses them."""

    def __init__(
        self,
        plant: TickedPlant,
        can: CanLink,
        gnss: GnssLink,
        snapshot: Snapshot,
        clock: Clock,
        limits: CycleLimits,
        timing: TimingAccounts,
        stop: StopRequest | None,
        supervisor_pid: int,
        pulse: PulseLink | None,
    ) -> None:
        self.plant, self.can, self.gnss, self.pulse = plant, can, gnss, pulse
        self.snapshot, self.status, self.clock = snapshot, snapshot.status, clock
        self.stalls = snapshot.stall_writer(Role.LOOP)
        self.limits, self.timing, self.period = limits, timing, limits.period_ns
        self.stop = stop or StopRequest()
        self.supervisor_pid = supervisor_pid
        self.outcome = Outcome()
        self.rx, self.tx = frame_buffer(limits.rx_rows), frame_buffer(limits.tx_rows)
        # memoryviews: plain integers in and out, several times cheaper than numpy scalars
        self.rx_count, self.tx_count = self.rx.count.data, self.tx.count.data
        self.watch = BusWatch(limits.bus_rules, _own_ids(timing), self.period)
        self.taken = self.handed_over_ns = 0
        self.cycle = self.skipped = self.frames_cut = self.frames_received = self.deaf = 0
        self.tick, self.state, self.stop_cycle = plant.tick_number, 0, -1
        self.stalled = self.link_dead = self.recorder_gone = False
        self.recorder_beat, self.recorder_beat_cycle = self.status[_RECORDER_HEARTBEAT], 0
        # Empty as they are: whoever holds the buffers lays them out now and not in the first tick.
        can.send(self.tx)
        timing.frames(self.tx, 0, 0)
        self.watch.frames(self.rx)
        for direction, frames in ((RX, self.rx), (TX, self.tx)):
            snapshot.write_frames(0, direction, frames)

    def run(self) -> Outcome:
        """Tick by tick to rest."""
        clock, timing, status, period = self.clock, self.timing, self.status, self.period
        stalls = self.stalls
        self.snapshot.lateness_edges_us[:] = edges_us()
        status[Status.LOOP_PID] = os.getpid()
        status[Status.LOOP_STATE] = LoopState.CYCLING
        compute_ns, ended = 0, False
        deadline = first_deadline(clock.now_ns(), period)
        while True:
            now = clock.sleep_until(deadline)
            stalls.turn(now)
            lateness = now - deadline
            self._receive(now, deadline, lateness)
            left_out = self._stall(lateness) if lateness >= period else 0
            self.stalled = self.stalled and lateness >= period
            deadline, lateness = deadline + left_out, lateness - left_out
            self._take_commands()
            self._begin()
            self._finish(lateness, compute_ns)
            self._send(deadline)
            self._publish()
            ended = self._has_ended()
            self._spread_out()
            compute_ns = clock.now_ns() - now
            timing.tick(lateness, compute_ns)
            if ended:
                return self._final()
            deadline += period

    # --- a tick, in this order ---------------------------------------------------------------------

    def _receive(self, now: int, deadline: int, lateness: int) -> None:
        """Frames since the last tick; none on ticks that only make up for a stall, but for every so many."""
        self.rx_count[0] = 0
        self.deaf += 1
        if lateness < self.period or self.deaf > self.limits.deaf_ticks:
            self.deaf = 0
            origin = deadline - (self.tick + 1) * self.period  # loop clock at scenario tick 0
            self.can.receive(self.rx, now - origin)

    def _stall(self, lateness: int) -> int:
        """Trip beyond the limit, once a stall; returns the time [ns] that can't be made up for."""
        limits, period = self.limits, self.period
        if lateness <= limits.overrun_ns or self.stalled:
            return 0
        self.stalled = True
        self._give(Command.TRIP, float(limits.reason_overrun))
        text = f"the loop stalled for {lateness * 1e-6:.1f} ms (limit {limits.overrun_ns * 1e-6:.1f} ms)"
        self._tell(LoopEvent.STALL, lateness * 1e-9, text)
        self.outcome.problems.append(text)
        excess = max(0, lateness // period - limits.catch_up_ticks)
        self.skipped += excess
        return excess * period

    def _take_commands(self) -> None:
        """The supervisor's commands, and a stop asked for by a signal."""
        while (command := self.snapshot.pop_command()) is not None:
            code, argument = command
            if code == Command.MARK:
                self._tell(LoopEvent.MARK, argument, f"mark {argument:.0f}, made by hand")
                continue
            self._give(code, argument)
            self._tell(LoopEvent.COMMAND, argument, f"command {_command_name(code)}", code)
            if code == Command.STOP:
                self._ask_to_stop("command")
        if self.stop.cause and self.stop_cycle < 0:
            self._ask_to_stop(self.stop.cause)

    def _begin(self) -> None:
        """Frames in and, before the bike moves and is measured, those out that do not wait for that."""
        self.tx_count[0], self.handed_over_ns = 0, 0
        self.plant.begin_tick(self.rx, self.tx)
        if self.tx_count[0]:
            self._hand_over()

    def _hand_over(self) -> None:
        """Frames to their link."""
        self.taken = self.can.send(self.tx)
        self.handed_over_ns = self.clock.now_ns()

    def _finish(self, lateness: int, compute_ns: int) -> None:
        """The rest of the plant's tick, and the pulse that its second begins with."""
        plant = self.plant
        self.state = plant.finish_tick(lateness * 1e-3, compute_ns * 1e-3)
        if self.pulse is not None and not self.pulse.follow(plant.utc_ns, on_time=lateness < self.period):
            self.pulse = None
            text = "the pulse per second's line is gone"
            self._tell(LoopEvent.LINK_DEAD, 0.0, text)
            self.outcome.problems.append(text)
        self.tick, before = plant.tick_number, self.tick
        if self.tick != before + 1:
            self.timing.restart()
            self.watch.restart()
        if self.state > RUNNING:
            self.timing.end_of_ride()

    def _send(self, deadline: int) -> None:
        """What is left to be sent, and of all what it promised and when it went."""
        tick, timing, clock, snapshot = self.tick, self.timing, self.clock, self.snapshot
        origin = deadline - tick * self.period
        self.status[_TICK_ZERO_NS] = origin
        if self.tx_count[0]:
            if not self.handed_over_ns:
                self._hand_over()
            sent_ns = self.handed_over_ns - origin
            timing.frames(self.tx, self.taken, sent_ns)
            self.tx_count[0] = self.taken
            self.frames_cut += snapshot.write_frames(tick, TX, self.tx, sent_ns, self.cycle)
        burst = self.plant.take_gnss()
        if burst:
            sent = self.gnss.send(burst)
            line_ns = self.plant.gnss_line_ns
            sent_ns = clock.now_ns() - origin + line_ns
            timing.gnss(self.plant.gnss_due_ns + line_ns, self.plant.gnss_valid_ns, sent_ns, taken=sent)
            if sent:
                snapshot.write_gnss(tick, burst)

    def _publish(self) -> None:
        """Everything of this tick into the shared memory."""
        tick, status, snapshot = self.tick, self.status, self.snapshot
        if self.rx_count[0]:
            self.frames_received += self.rx_count[0]
            self.watch.frames(self.rx)
            self.frames_cut += snapshot.write_frames(tick, RX, self.rx, 0, self.cycle)
        snapshot.write_signals(tick, self.plant.row)
        for code, index, value, text in self.plant.take_events():
            snapshot.write_event(tick, code, index, value, text)
        if self.state == TRIPPED and self.outcome.trip_tick is None:
            self.outcome.trip_tick = tick
        self.cycle += 1
        status[_LOOP_HEARTBEAT] = self.cycle
        status[_TICK] = tick
        status[_BENCH_STATE] = self.state

    def _has_ended(self) -> bool:
        """Whether the plant is at rest, or took too long to get there."""
        if self.plant.finished:
            return True
        ramp_ticks = self.limits.ramp_ticks
        if self.stop_cycle < 0 or self.cycle - self.stop_cycle <= ramp_ticks:
            return False
        text = f"not at rest {ramp_ticks * self.period * 1e-9:.1f} s after the stop; ended all the same"
        self._tell(LoopEvent.RAMP_TOO_LONG, 0.0, text)
        self.outcome.problems.append(text)
        return True

    def _spread_out(self) -> None:
        """What need not be done every tick, so that no tick carries all of it."""
        phase = self.cycle % 64
        if phase % 8 == 1:
            self._look_at_bus()
        elif phase % 8 == 2:
            self._look_at_ends()
        elif phase == 3:
            self._publish_counts()
        elif phase == 4:
            self._look_at_recorder()
        elif self.cycle % 512 == 5:
            _publish_spread(self.status, self.timing)

    # --- every few ticks ---------------------------------------------------------------------------

    def _look_at_bus(self) -> None:
        """What the link saw since the last look, into status, events and, while it counts, an answer."""
        status, watch, counts = self.status, self.watch, self.can.counts()
        status[_FRAMES_SENT] = counts.sent
        status[_FRAMES_RECEIVED] = self.frames_received
        status[_SEND_LOST] = counts.send_lost
        status[_RECEIVE_LOST] = counts.receive_lost
        status[_BUS_ERRORS] = counts.bus_errors
        for h in watch.poll(self.cycle, self.plant.tick_number, counts):
            code = LoopEvent.BUS_FAULT if h.begins else LoopEvent.BUS_FAULT_OVER
            self._tell(code, h.value, h.text, h.fault)
        if watch.present or status[_BUS_FAULTS]:
            status[_BUS_FAULTS] = watch.present
            status[Status.BUS_OFFS] = counts.bus_offs
            status[Status.INTERFACE_DOWNS] = counts.downs
            status[Status.SEND_FULL] = counts.send_full
            status[Status.OWN_FRAMES] = watch.own_frames
            if ARMED <= self.state <= RUNNING and watch.asks_for_trip():
                self._give(Command.TRIP, float(self.limits.reason_bus))
        if not counts.alive and not self.link_dead:
            self.link_dead = True
            self._give(Command.TRIP, float(self.limits.reason_bus))
            self._tell(LoopEvent.LINK_DEAD, 0.0, "the CAN link is gone")
            self.outcome.problems.append("the CAN link is gone")

    def _look_at_ends(self) -> None:
        """Whether the supervisor is gone or enough ticks have been computed."""
        if self.stop_cycle >= 0:
            return
        if self.supervisor_pid and os.getppid() != self.supervisor_pid:
            self._ask_to_stop("supervisor gone")
        elif self.limits.max_ticks and self.cycle >= self.limits.max_ticks:
            self._ask_to_stop("tick limit")

    def _publish_counts(self) -> None:
        status, timing, counts = self.status, self.timing, self.gnss.counts()
        status[_GNSS_SENT] = counts.sent
        status[_GNSS_LOST] = counts.send_lost
        status[_FRAMES_CUT] = self.frames_cut
        status[_SKIPPED_TICKS] = self.skipped
        status[_OVERRUNS] = timing.overruns
        status[_MISSED_TICKS] = timing.missed_ticks

    def _look_at_recorder(self) -> None:
        """Whether the recorder still beats; the loop goes on without it, and says so."""
        beat, silent = self.status[_RECORDER_HEARTBEAT], self.cycle - self.recorder_beat_cycle
        if beat != self.recorder_beat:
            self.recorder_beat, self.recorder_beat_cycle = beat, self.cycle
            if self.recorder_gone:
                self.recorder_gone = False
                self._tell(LoopEvent.RECORDER_BACK, 0.0, "recorder back")
            return
        failed = self.status[_RECORDER_STATE] == RecorderState.FAILED
        if beat and not self.recorder_gone and (silent > self.limits.recorder_gone_ticks or failed):
            self.recorder_gone = True
            self._tell(LoopEvent.RECORDER_GONE, 0.0, "recorder gone")
            self.outcome.problems.append(f"recorder gone {in_the_ride(self.tick)}")

    # --- what several of these do ------------------------------------------------------------------

    def _tell(self, code: int, value: float, text: str, index: int = 0) -> None:
        """An event of the cycle's own."""
        self.snapshot.write_event(self.plant.tick_number, code, index, value, text)

    def _give(self, code: int, argument: float) -> None:
        """Hand the plant a command; with the frames received these are all that ever reaches it."""
        self.plant.command(code, argument)
        self.snapshot.write_applied(self.cycle, code, argument)

    def _ask_to_stop(self, cause: str) -> None:
        self.outcome.stop_cause = self.outcome.stop_cause or cause
        if self.stop_cycle < 0:
            self.stop_cycle = self.cycle
            if cause != "command":
                self._give(Command.STOP, 0.0)
                self._tell(LoopEvent.STOP_ASKED, 0.0, f"stopping: {cause}")

    def _final(self) -> Outcome:
        """Accounts closed, and how it ended."""
        self.stalls.end()
        self._look_at_bus()
        outcome, status, timing = self.outcome, self.status, self.timing
        outcome.problems += self.watch.problems()
        outcome.bus = self.watch.as_dict()
        _publish_spread(status, timing)
        status[_OVERRUNS], status[_MISSED_TICKS] = timing.overruns, timing.missed_ticks
        status[_SKIPPED_TICKS], status[_FRAMES_CUT] = self.skipped, self.frames_cut
        if self.frames_cut:
            outcome.problems.append(f"{self.frames_cut} frames are longer than the record keeps")
        outcome.final_state, outcome.at_rest = self.state, self.plant.finished
        outcome.ticks, outcome.last_tick = self.cycle, self.plant.tick_number
        outcome.skipped_ticks = self.skipped
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
