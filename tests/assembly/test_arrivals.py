"""Rides on a bus with a bit rate: ages on arrival as the budget says, for bench and robot alike."""

import dataclasses

import numpy as np
import pytest

from emulator.assembly.bench import Bench
from emulator.assembly.link_specs import bus_words, output_specs
from emulator.assembly.session import mission
from emulator.config.rig.bus_load import rig_wire_times
from emulator.config.rig.outputs import Output
from emulator.core.signals import RUNNING
from emulator.loop.certificate import TimingAccounts
from emulator.stages.stepped_bus import RecordedBus, bus_of
from emulator.stages.virtual import VirtualRide
from tests.support.scripted_robot import Ride, variant

MS = 1_000_000


def on_bus(session, bit_rate, **outputs):
    bus = session.rig.bus.model_copy(update={"bitrate": bit_rate})
    steady = {name: {"jitter_ms": 0.0} for name in session.outputs}
    return variant(
        session, rig={"bus": bus}, outputs={**steady, **outputs}, scenario={"duration_limit_s": 2.0}
    )


def alone(session, ticks):
    """The certificate of a bench that has the bus to itself: nobody's frames but its own."""
    nobody = np.zeros(0, np.int64)
    timing = TimingAccounts(output_specs(session), times=rig_wire_times(session.rig, session.codec))
    bus = RecordedBus(
        bus_of(session), timing.frame_accounts, nobody, nobody, nobody, np.zeros((0, 64), np.uint8)
    )
    ride = Ride(session)

    def carry(r):
        tick = r.bench.tick_number
        # what was under way when the bench was switched on is gone by the start
        bus.tick(r.count - 1, r.tx, (r.count - 1 - tick) * MS, counts=tick >= 0, off=False)

    ride.step(1, carry)
    ride.arm()
    while ride.step(1, carry) != RUNNING:
        assert ride.count < 5000
    ride.step(ticks, carry)
    return timing.certificate(None)


@pytest.mark.parametrize("bit_rate", [500_000, 1_000_000])
def test_every_outputs_age_on_arrival_is_what_the_budget_says(session, bit_rate):
    """But for the stuff bits, of which nobody knows beforehand: half of the 24 that eight bytes can have, in
    each of the frames that go one behind the other."""
    session = on_bus(session, bit_rate)
    budget = session.bus
    certificate = alone(session, 2000)
    for name in session.outputs:
        kept, frame = certificate["outputs"][name], budget.line(name)
        least, _, most = frame.arrivals.error_ns
        assert kept["wire_us"] == frame.usual_ns * 1e-3
        row = round(frame.arrivals.queue_ns / frame.usual_ns) + 1
        unknown_us = row * 12 * 1e6 / bit_rate
        assert abs(kept["age_error_us_min"] - least * 1e-3) <= unknown_us, name
        assert abs(kept["age_error_us_max"] - most * 1e-3) <= unknown_us, name
        if bit_rate == 1_000_000:
            assert max(abs(least), abs(most)) <= MS // 2, name
        assert (kept["late"], kept["lost"], kept["disordered"]) == (0, 0, 0)
        assert kept["judged"] >= kept["sent"] - 1  # one may still be under way
        assert kept["sent"] > 90


def test_without_a_bit_rate_nothing_is_sent_early(session):
    assert session.bus is None
    assert "bus_budget" not in session.manifest(stage="virtual")
    ride = Ride(session)
    assert not ride.bench.plant.out["wire_ns"].any()
    assert all(spec.wire_ns == 0 for spec in output_specs(session))
    assert mission(session).lean_age_s == pytest.approx(0.008 + 0.020)


def test_the_robot_is_told_the_mean_age_on_arrival(session):
    plain, told = mission(session), on_bus(session, 500_000)
    # behind two frames, three of 0.246 ms: handed over at 8 ms, there at 8.738
    assert told.bus.line("lean").arrivals.error_ns == (738_000, 738_000.0, 738_000)
    assert mission(told).lean_age_s - plain.lean_age_s == pytest.approx(738e-6)
    assert mission(told).gnss_age_s == plain.gnss_age_s


def test_the_bus_is_not_handed_a_gnss_epoch(session):
    plant = Bench(on_bus(session, 500_000)).plant
    assert (plant.out["wire_ns"][:-1] == 246_000).all()
    assert plant.out["wire_ns"][-1] == 0


def test_the_manifest_and_the_screen_tell_the_bit_rate(session):
    session = on_bus(session, 500_000)
    assert session.manifest(stage="bench")["bus_budget"]["bit_rate"] == 500_000
    assert bus_words(session.rig, 1234).endswith(":1234 (socketcand protocol), standing for 500 kbit/s")


def test_in_the_virtual_stage_the_robot_hears_a_frame_once_it_has_arrived(session):
    # one output, handed over in the tick it is sampled in: 0.984 ms on a bus of 125 kbit/s
    only = dict.fromkeys(n for n in session.outputs if n not in ("lean", "emulator_state"))
    lean = Output(rate_hz=50.0, latency_ms=1.0, jitter_ms=0.0)
    session = variant(
        session,
        rig={"bus": session.rig.bus.model_copy(update={"bitrate": 125_000})},
        outputs={**only, "lean": lean.model_dump(), "emulator_state": {"rate_hz": 1.0}},
    )
    ages = []
    for bit_rate in (None, 125_000):
        bus = session.rig.bus.model_copy(update={"bitrate": bit_rate})
        ride = VirtualRide(dataclasses.replace(session, rig=session.rig.model_copy(update={"bus": bus})))
        ages.append(_heard_after(ride))
    # 1 ms old it is handed over at an odd tick and heard at the next even one. On the bus it leaves at once,
    # at an even tick, with all of the robot's: 0.984 ms each for steering, drive, gear, steering again (that
    # of 2 ms), and its own. It is there at 4.92 ms and heard at 6.
    assert ages == [2, 6]


def _heard_after(ride):
    """Ticks from a lean sample until the rider's step that hears it."""
    from emulator.core.signals import SIGNALS
    from emulator.events.progress import NEVER
    from emulator.robot.records import Z_LEAN
    from emulator.stages.stepped_epochs import epoch_way
    from emulator.stages.stepped_loop import FRAME_COLUMNS, taken_bursts
    from emulator.stages.stepped_ticks import on_the_bus
    from emulator.stages.virtual import compiled_ticks

    rows, frames, payloads = (
        np.zeros((1, len(SIGNALS))),
        np.zeros((1000, FRAME_COLUMNS), np.int64),
        np.zeros((1000, 8), np.uint8),
    )
    plant, rider = ride.bench.plant, ride.rider.rider
    way = epoch_way(ride.bench.receiver, ride.rider.ears, taken_bursts())
    memory = (ride.timing.frame_accounts, rows, frames, payloads, way)
    arguments = (plant, rider, *on_the_bus(ride.bench.session), *memory)
    go = compiled_ticks(*arguments)
    for tick in range(120):
        before = int(rider.received[Z_LEAN])
        go(0, 0, NEVER)
        if tick > 40 and int(rider.received[Z_LEAN]) != before:
            return tick % 20
    return None
