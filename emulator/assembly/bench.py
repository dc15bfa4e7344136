"""The compiled plant as the loop's cycle and the virtual stage use it."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.link_specs import gnss_lead_ns, line_baud
from emulator.assembly.plant import build_plant
from emulator.assembly.robot_evidence import (
    frames_heard,
    seen_to_the_end,
    silences_in_words,
    strangers_heard,
    trip_evidence,
)
from emulator.assembly.session import Session
from emulator.config.scenario.schema import Scenario
from emulator.core.compiled import bound, bound_to_other
from emulator.core.frame_buffer import FrameBuffer, frame_buffer
from emulator.core.signals import TICK_NS
from emulator.core.trip_reasons import TripReason
from emulator.events.declaration import Lasts
from emulator.events.progress import ACTIVE
from emulator.events.table import KINDS
from emulator.plant.gnss_receiver import LINE_ns, ReceiverConfig, START_ns, VALID_ns, receiver, take_burst
from emulator.plant.plausibility import monitor_text
from emulator.plant.states import (
    END_NAMES,
    END_STOPPED,
    EV_BEGAN,
    EV_CATCH,
    EV_ENABLE,
    EV_END,
    EV_ENDED,
    EV_FALL,
    EV_GEAR,
    EV_HOLD,
    EV_LAP,
    EV_LIFT,
    EV_MISSED_GEAR,
    EV_MONITOR,
    EV_PEG,
    EV_PERMISSIVE,
    EV_RELEASE,
    EV_REST,
    EV_RUN_OFF,
    EV_SLIDE,
    EV_SPARED,
    EV_STALL,
    EV_STATE,
    EV_TRIP,
    EV_UNIT,
    PERMISSIVE_TEXTS,
    STATE_NAMES,
    acknowledge,
    await_enable,
    go,
    hold,
    stop,
    trip,
)
from emulator.plant.step import REST, TO_SEND, WHOLE, Plant, tick
from emulator.sensors.burst_line import burst_line
from emulator.sensors.gnss import QUALITIES, reported_sigma
from emulator.shared_memory.status import BY_BUTTON, Command
from emulator.wire.nmea import LONGEST_BURST, chosen
from emulator.wire.utc import DAY_ms, NO_LEAP_ms

EVENT_KINDS = {
    **{
        first + number: kind.name + ("" if kind.lasts is Lasts.INSTANT else word)
        for number, kind in enumerate(KINDS)
        for first, word in ((EV_BEGAN, "_on"), (EV_ENDED, "_off"))
        if first == EV_BEGAN or kind.lasts is not Lasts.INSTANT
    },
    **{EV_SPARED + number: f"{kind.name}_spared" for number, kind in enumerate(KINDS)},
    EV_STATE: "state",
    EV_TRIP: "trip",
    EV_RELEASE: "support_released",
    EV_LAP: "lap",
    EV_FALL: "fall",
    EV_GEAR: "gear",
    EV_END: "end",
    EV_MISSED_GEAR: "gear_missed",
    EV_SLIDE: "slide",
    EV_LIFT: "wheel_lifted",
    EV_PEG: "peg_contact",
    EV_RUN_OFF: "run_off",
    EV_STALL: "engine_stalled",
    EV_PERMISSIVE: "permissive",
    EV_HOLD: "hold",
    EV_MONITOR: "monitor",
    EV_REST: "at_rest",
    EV_ENABLE: "local_enable",
    EV_CATCH: "support_caught",
    EV_UNIT: "unit_acts",
}
"""Kinds of events in ``events.jsonl`` by the plant's codes."""


_FALLS = (
    "the front tyre slid away",
    "the rear tyre slid away",
    "high-side, the rear tyre slid and gripped again",
    "lost balance, no tyre at its limit",
    "pitched over",
)
"""By the index of an EV_FALL."""
_UNITS = (
    "antilock lets the front brake off",
    "antilock lets the rear brake off",
    "traction control takes throttle away",
    "wheelie control takes throttle away",
    "quickshifter cuts the ignition",
    "slipper clutch slips",
    "what goes by wheel speeds switches itself off: a wheel reads standstill on a moving bike",
)
"""By the index of an EV_UNIT, the bit of ``unit.acting``."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Bench:
    """One plant with its GNSS receiver: see ``emulator.loop.contract.TickedPlant`` for the contract."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self.plant: Plant = build_plant(session)
        self._run = self.plant.run[0]
        scenario = session.scenario
        self._events = scenario.events
        self._asked = frozenset(session.asked_events.values())
        # in whole numbers: a float of seconds since 1970 is good to a quarter of a microsecond only
        self._utc_ns = (scenario.utc - _EPOCH) // timedelta(microseconds=1) * 1000
        gnss = session.rig.sensors.gnss
        errors = self.plant.rig[0]["gnss_errors"]
        config = ReceiverConfig(
            gnss.satellites,
            gnss.hdop,
            gnss.usual_vdop,
            np.array([reported_sigma(errors[quality]) for quality in range(QUALITIES)]),
            chosen(gnss.sentences),
            scenario.origin.geoid_separation_m,
            gnss.corrections_age_s,
            gnss.corrections_station,
            _leap_ms(scenario),
        )
        line = burst_line(line_baud(session.rig), LONGEST_BURST)
        lead_ns = gnss_lead_ns(session.rig)
        self.receiver = receiver(config, session.origin.frame, self._utc_ns, lead_ns, line)
        """What turns epochs into sentences; ticks that are computed many at a time ask it themselves."""
        self._rx = self._tx = buffer = frame_buffer(1)
        self._tick = bound(tick, (self.plant, buffer, buffer), 0.0, 0.0, WHOLE)
        self._trip: dict[str, Any] = {}
        self._nothing: list[tuple[int, int, float, str]] = []
        # memoryviews: plain numbers, cheaper than numpy scalars in a 1 kHz cycle
        self._memory = self.plant.memory[0]
        self._row = self._memory["row"]
        self._events_emitted = self.plant.memory["event_count"].data
        self._run_words = {name: self.plant.run[name].data for name in self.plant.run.dtype.names or ()}
        self._scenario_tick, self._loop_tick = self._run_words["scenario_tick"], self._run_words["tick"]
        self._finished, self._gnss_ready = self._run_words["finished"], self._run_words["gnss_ready"]
        p = self.plant
        receiving = (self.receiver, p.run, p.memory, p.frame_faults, p.events, p.streams)
        self._take_burst = bound(take_burst, receiving)
        self._burst_view, self._taken = self.receiver.burst.data, self.receiver.taken.data

    @staticmethod
    def rehearse(session: Session) -> None:
        """Call everything compiled once on a bench of its own, so that no tick of a ride has to compile."""
        for code in (Command.STOP, Command.TRIP):
            trial = Bench(session)
            trial.command(Command.HOLD, 0.0)
            trial.command(Command.ARM, BY_BUTTON)
            trial.command(Command.ARM, 0.0)
            trial.command(Command.GO, 0.0)
            trial.tick(frame_buffer(8), frame_buffer(64), 0.0, 0.0)
            trial.command(code, float(TripReason.OPERATOR))
            trial.command(Command.RESET, 0.0)
            trial.tick(frame_buffer(8), frame_buffer(64), 0.0, 0.0)
            trial._run_words["gnss_ready"][0] = 1
            trial.take_gnss()

    # --- the contract of the cycle -----------------------------------------------------------------

    @property
    def row(self) -> NDArray[np.float64]:
        """Signals of the tick last computed."""
        row: NDArray[np.float64] = self._row
        return row

    @property
    def tick_number(self) -> int:
        """Scenario tick last computed; one less than the first before that."""
        return self._scenario_tick[0] - (self._loop_tick[0] == 0)

    @property
    def finished(self) -> bool:
        """At rest after stopping or tripping."""
        return self._finished[0] != 0

    @property
    def state(self) -> int:
        """State of the bench after the tick last computed, see emulator.core.signals."""
        return int(self._run_words["state"][0])

    @property
    def wants_attention(self) -> bool:
        """Whether the tick last computed has events, sentences or the end to tell."""
        words = self._run_words
        return bool(self._events_emitted[0] or words["gnss_ready"][0] or words["finished"][0])

    @property
    def gnss_due_ns(self) -> int:
        """When the burst last taken was due to be handed to the link [ns, scenario time]."""
        return int(self._taken[START_ns])

    @property
    def gnss_valid_ns(self) -> int:
        """Its time of validity [ns, scenario time], or UNTIMED."""
        return int(self._taken[VALID_ns])

    @property
    def gnss_line_ns(self) -> int:
        """How long it is on the line [ns]: its last byte arrives so much later."""
        return int(self._taken[LINE_ns])

    @property
    def utc_ns(self) -> int:
        """UTC of the tick last computed, since 1970-01-01, counted on through a leap second."""
        return self._utc_ns + self.tick_number * TICK_NS

    def tick(self, rx: FrameBuffer, tx: FrameBuffer, lateness_us: float, compute_us: float) -> int:
        """Compute one tick; see :func:`emulator.plant.step.tick`. Other buffers than before take a while."""
        if rx is not self._rx or tx is not self._tx:
            self._hold(rx, tx)
        return self._tick(lateness_us, compute_us, WHOLE)

    def begin_tick(self, rx: FrameBuffer, tx: FrameBuffer) -> None:
        """The part of a tick that comes before its frames can be sent."""
        if rx is not self._rx or tx is not self._tx:
            self._hold(rx, tx)
        self._tick(0.0, 0.0, TO_SEND)

    def finish_tick(self, lateness_us: float, compute_us: float) -> int:
        """What is left of it, on the same buffers."""
        return self._tick(lateness_us, compute_us, REST)

    def _hold(self, rx: FrameBuffer, tx: FrameBuffer) -> None:
        """Have the ticks to come work on these buffers."""
        self._rx, self._tx, self._tick = rx, tx, bound_to_other(self._tick, rx, tx)

    def take_events(self) -> list[tuple[int, int, float, str]]:
        """Events of this tick with their sentences."""
        n: int = self._events_emitted[0]
        if n == 0:
            return self._nothing
        m = self._memory
        return [
            (int(m["code"][i]), int(m["index"][i]), float(m["value"][i]), self._sentence(i)) for i in range(n)
        ]

    def take_gnss(self) -> bytes:
        """The burst to hand to the link in this tick as NMEA sentences, or nothing."""
        if not self._gnss_ready[0]:
            return b""
        return bytes(self._burst_view[: self._take_burst()])

    def command(self, code: int, argument: float) -> None:
        """A ``status.Command`` from the operator or the cycle; takes effect in the next tick."""
        if code == Command.ARM and argument == BY_BUTTON:
            await_enable(self._run)
        elif code == Command.ARM:
            self._run["arm_requested"] = self._run["tick"] + 1
        elif code == Command.STOP:
            stop(self._run, END_STOPPED)
        elif code == Command.TRIP:
            trip(self._run, int(argument))
        elif code == Command.RESET:
            acknowledge(self._run)
        elif code == Command.HOLD:
            hold(self._run, int(argument))
        elif code == Command.GO:
            go(self._run, int(argument))
        elif code in (Command.START_EVENT, Command.END_EVENT) and argument in self._asked:
            e = self.plant.events[int(argument)]
            if code == Command.START_EVENT:
                e["requested"] = 1
            elif e["state"] == ACTIVE:
                e["halted"] = 1

    # --- what the run needs besides ----------------------------------------------------------------

    def frame_counts(self) -> dict[str, dict[str, Any]]:
        """What came from the robot, frame by frame, for the certificate: see robot_evidence.frames_heard."""
        return frames_heard(self.plant, self.session.codec, self.session.rig.limits)

    def outcome(self) -> dict[str, object]:
        """How the ride ended, as the verdict reads it."""
        end, reason = int(self._run["end_reason"]), int(self._run["end_trip"])
        missing = int(self._run["trip_missing"])
        started = int(self._run["start_tick"])
        return {
            "ended": END_NAMES[end],
            "end_tick": int(self._run["ramp_start"]) - started if started > 0 and end else None,
            "trip_code": reason,
            "trip_reason": self._trip_words(reason, missing) if reason else "",
            "trip_evidence": seen_to_the_end(self.plant, self._trip),
            "strangers": strangers_heard(self.plant),
        }

    def _trip_words(self, reason: int, missing: int) -> str:
        """A trip reason; with the permissives that were missing, or what of the robot's was, by name."""
        words = TripReason(reason).in_words(
            ", ".join(text for i, text in enumerate(PERMISSIVE_TEXTS) if missing >> i & 1)
        )
        return ": ".join([words, *([said] if (said := silences_in_words(self._trip)) else [])])

    def _sentence(self, i: int) -> str:
        m = self._memory
        code, index, value = int(m["code"][i]), int(m["index"][i]), float(m["value"][i])
        if code >= EV_SPARED:
            return f"{self._events[index].name}: skipped by its probability ({value:g})"
        if code >= EV_BEGAN:
            event = self._events[index]
            remark = event.declaration.remark(event)
            return f"{event.name}: {remark}" if remark else event.name
        if code == EV_STATE:
            return f"{STATE_NAMES[index]} -> {STATE_NAMES[int(value)]}"
        if code == EV_TRIP:
            self._trip = trip_evidence(self.plant, self.session.codec, index)
            return self._trip_words(index, int(value))
        if code == EV_PERMISSIVE:
            return f"{PERMISSIVE_TEXTS[index]}: {'given' if value else 'not given'}"
        if code == EV_ENABLE:
            return "local enable: the button at the bench was pressed"
        if code == EV_HOLD:
            who = ("", "at the bench", "from afar", "at the bench and from afar")[index]
            return f"held by the operator {who}: armed at most" if index else "hold released"
        if code == EV_MONITOR:
            return monitor_text(index, value)
        if code == EV_RELEASE:
            return f"support released at {value * 3.6:.1f} km/h"
        if code == EV_CATCH:
            return f"support caught the bike at {value * 3.6:.1f} km/h"
        if code == EV_LAP:
            return f"lap {index} complete"
        if code == EV_FALL:
            side = "right" if value > 0.0 else "left"
            return f"fell to the {side}: {_FALLS[index]}"
        if code == EV_REST:
            return f"lies still on its {('right', 'left')[index]} side, {value:.1f} s after it fell"
        if code == EV_MISSED_GEAR:
            return "gear change missed" if index else "gear change ended in neutral"
        if code == EV_SLIDE:
            tyre, how = ("front", "rear")[index // 3], ("slides sideways", "locks", "spins")[index % 3]
            amount = f"{math.degrees(value):.1f} deg of slip" if index % 3 == 0 else f"slip {value:.2f}"
            return f"{tyre} tyre {how}, {amount}"
        if code == EV_LIFT:
            return f"{('front', 'rear')[index]} wheel off the road"
        if code == EV_PEG:
            return f"{('right', 'left')[index]} peg touches at {math.degrees(value):.1f} deg"
        if code == EV_RUN_OFF:
            return f"off the road to the {'left' if value > 0.0 else 'right'}"
        if code == EV_STALL:
            return "engine stalled"
        if code == EV_UNIT:
            return _UNITS[index]
        if code == EV_GEAR:
            return f"gear {index}"
        if code == EV_END:
            return END_NAMES[index]
        return ""


def _leap_ms(scenario: Scenario) -> int:
    """When the scenario's leap second begins [ms since 1970-01-01], as in ``wire.utc``."""
    if scenario.leap_second is None:
        return NO_LEAP_ms
    return (scenario.leap_second + timedelta(days=1) - _EPOCH.date()).days * DAY_ms
