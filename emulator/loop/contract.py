"""What the cycle asks of a plant, what it holds itself to, how it is stopped and how it tells its end."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from emulator.core.frame_buffer import FrameBuffer
from emulator.loop.bus_watch import BusRules


class TickedPlant(Protocol):
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
        """Its time of validity, or ``frame_buffer.UNTIMED`` if a fault changed its timing."""
        ...

    @property
    def gnss_line_ns(self) -> int:
        """How long that burst takes on the line behind the link: an epoch is sent when its last byte is."""
        ...

    @property
    def utc_ns(self) -> int:
        """UTC of the tick last computed since 1970-01-01, for the pulse per second."""
        ...

    def begin_tick(self, rx: FrameBuffer, tx: FrameBuffer) -> None:
        """Compute one tick as far as to the frames that can be sent before the rest of it is known.

        rx           frames received since the last tick, ``time_ns`` in scenario time; empty on missed ticks
        tx           comes empty; to be filled with the frames to send now, ``time_ns`` when each was due
                     and ``valid_ns`` its time of validity (``UNTIMED`` if a fault changed its timing)
        """
        ...

    def finish_tick(self, lateness_us: float, compute_us: float) -> int:
        """Compute the rest of the tick begun and return the bench state after it (0 standby ... 4 tripped).

        If ``tx`` is still empty it may be filled now; else it stays as it is.

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
        """A ``status.Command``; takes effect in the next tick, is ignored where the state forbids it."""
        ...


@dataclass(frozen=True)
class CycleLimits:
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
