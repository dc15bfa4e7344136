"""Faults of the bus: when they begin, when they are over, what answers them."""

import numpy as np
import pytest

from emulator.core.frame_buffer import frame_buffer
from emulator.core.link_protocols import LinkCounts
from emulator.loop.bus_watch import OVER_TICKS, TEXTS, BusFault, BusRules, BusWatch, count_own

QUIET = LinkCounts(0, 0, 0, 0, 0, alive=True)
OWN = np.array([0x120, 0x121], np.int64)


def watch(**rules):
    answers = {fault: rules.pop(fault.name.lower(), "mark") for fault in BusFault}
    return BusWatch(BusRules(answers, **rules), OWN)


class Link:
    """Looks every eight ticks, as the cycle does."""

    def __init__(self, watched):
        self.watch, self.cycle, self.counts = watched, 1, QUIET
        self.told = []
        self.poll()

    def poll(self, times=1, **growth):
        """``growth`` is added to the counts at each look; bools are set."""
        for _ in range(times):
            self.counts = self.counts._replace(
                **{k: v if isinstance(v, bool) else getattr(self.counts, k) + v for k, v in growth.items()}
            )
            self.told += [
                (self.cycle, h.fault, h.begins, h.value)
                for h in self.watch.poll(self.cycle, self.cycle, self.counts)
            ]
            self.cycle += 8
        return self


def receive(watched, *ids):
    rx = frame_buffer(8)
    rx.count[0], rx.can_id[: len(ids)] = len(ids), ids
    watched.frames(rx)


@pytest.mark.parametrize(
    ("fault", "growth"),
    [
        (BusFault.BUS_OFF, {"bus_offs": 1}),  # back before anyone looked
        (BusFault.BUS_OFF, {"bus_off": True}),
        (BusFault.INTERFACE_DOWN, {"downs": 1}),
        (BusFault.INTERFACE_DOWN, {"down": True}),
        (BusFault.TRANSMIT_FULL, {"send_full": 3, "send_lost": 3}),
        (BusFault.ERROR_FRAMES, {"bus_errors": 11}),
        (BusFault.FLOOD, {"received": 10_001}),
        (BusFault.RECEIVE_LOST, {"receive_lost": 2}),
    ],
)
def test_each_fault_begins_once_is_over_once_and_is_in_the_account(fault, growth):
    link = Link(watch()).poll(5).poll(**growth)
    seen = link.cycle - 8
    assert not link.watch.problems()
    assert not link.watch.asks_for_trip()
    assert link.watch.problems()[0].startswith(TEXTS[fault])
    link.poll(**{k: False for k, v in growth.items() if v is True})
    first = next(iter(growth.values()))
    amount = 0.0 if first is True else float(first)
    assert link.told == [(seen, fault, True, amount)]
    assert link.watch.present == 1 << fault
    link.poll(100)
    assert [entry[1:3] for entry in link.told] == [(fault, True), (fault, False)]
    # one frame beyond a rate's limit is forgotten within a tenth of a second
    slack = 8 + (112 if fault in (BusFault.FLOOD, BusFault.ERROR_FRAMES) else 0)
    assert OVER_TICKS < link.told[1][0] - seen <= OVER_TICKS + slack
    assert link.watch.present == 0
    account = link.watch.as_dict()[fault.name.lower()]
    assert (account["episodes"], account["first_tick"], account["answer"]) == (1, seen, "mark")
    others = [f for f, a in link.watch.as_dict().items() if a["episodes"] and f != fault.name.lower()]
    assert others == []


def test_frames_that_were_lost_for_another_reason_are_no_full_queue():
    assert Link(watch()).poll(send_lost=5).told == []


@pytest.mark.parametrize(("per_look", "told"), [(0.8, False), (1.6, True)])
def test_a_rate_of_error_frames_is_judged_over_seconds(per_look, told):
    """The limit of 100 a second is 0.8 a look."""
    link = Link(watch(error_frames_per_s=100.0))
    for n in range(500):
        link.poll(bus_errors=int(per_look * (n + 1)) - int(per_look * n))
    assert bool(link.told) is told
    if told:  # a second's worth in hand, filled at another 100 a second
        assert link.told[0][0] == pytest.approx(1000, abs=20)


def test_what_waited_before_the_first_look_is_no_fault():
    w = watch()
    assert w.poll(1, 1, QUIET._replace(received=50_000, receive_lost=900)) == []


def test_a_fault_that_stays_is_one_event_and_its_time_is_counted():
    link = Link(watch()).poll(bus_offs=1, bus_off=True).poll(100).poll(bus_off=False)
    assert len(link.told) == 1
    account = link.watch.as_dict()["bus_off"]
    assert (account["episodes"], account["count"], account["lasted_ms"]) == (1, 1, 800.0)


def test_a_flapping_bus_tells_a_bounded_number_of_events():
    link = Link(watch())
    for _ in range(125 * 10):  # ten seconds, off and on again at every look
        link.poll(bus_offs=1)
    assert len(link.told) == 1
    assert link.watch.as_dict()["bus_off"]["count"] == 1250


@pytest.mark.parametrize(
    ("answer", "trips", "problems"), [("trip", True, 1), ("mark", False, 1), ("note", False, 0)]
)
def test_answers(answer, trips, problems):
    link = Link(watch(transmit_full=answer)).poll(send_full=1)
    assert link.watch.asks_for_trip() is trips
    assert len(link.watch.problems()) == problems
    assert len(link.told) == 1  # told in any case


def test_arming_forgets_what_was_and_answers_what_is_still_there():
    link = Link(watch(bus_off="trip")).poll(send_full=4).poll(bus_offs=1, bus_off=True)
    link.watch.restart()
    assert not link.watch.asks_for_trip()
    link.poll()
    assert link.watch.asks_for_trip()
    assert link.watch.problems() == [
        "bus off: the controller has left the bus (1 times, first 0.0 s into the ride)"
    ]
    assert link.watch.as_dict()["transmit_full"]["count"] == 0


def test_identifiers_that_only_we_send():
    w = watch(own_identifier="trip")
    link = Link(w)
    receive(w, 0x100, 0x7FF, 0x120 | 1 << 31)  # the 29-bit one is another
    assert link.poll().told == []
    receive(w, 0x121, 0x10, 0x120)
    assert link.poll().told == [(link.cycle - 8, BusFault.OWN_IDENTIFIER, True, 2.0)]
    assert w.asks_for_trip()
    assert w.own_frames == 2


def test_counting_looks_at_filled_rows_only():
    rx = frame_buffer(4)
    rx.can_id[:] = 0x120
    rx.count[0] = 3
    assert count_own(OWN, rx) == 3


@pytest.mark.parametrize(
    ("tick", "words"), [(-999_995_900, "first before the ride"), (12_300, "first 12.3 s into")]
)
def test_when_it_began_is_told_in_the_ride_s_time_or_as_before_it(tick, words):
    watched = watch()
    watched.poll(1, tick - 8, QUIET)
    watched.poll(9, tick, QUIET._replace(receive_lost=2))
    watched.asks_for_trip()
    (problem,) = watched.problems()
    assert words in problem
    assert "-9" not in problem
