"""Every fault on every signal and frame: bytes on the wire against a statement in a line of numpy.

The robot of these rides does the same whatever it is shown, so the plant's state is that of the ride without
faults, and what a fault did is all there is between the two.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.config.rig.file import frames_of
from emulator.config.rig.outputs import Output
from emulator.config.scenario.event_needs import rig_view
from emulator.config.scenario.events import FAULTY_SIGNALS, Intermittent, Trigger
from emulator.core.random_streams import normal, stream_start, uniform
from emulator.core.signals import OUTPUT_VALUES, TICK_NS, V_GNSS_X
from emulator.events.sample_faults import SAMPLE_EFFECTS
from emulator.shared_memory.status import Command
from emulator.wire.can_frames import pack, protect
from emulator.wire.dbc_frames import load_codec
from tests.support.events import FaultEvent, FrameEvent
from tests.support.scripted_robot import RIG, Ride, demo_session, variant

ON, OFF = 300, 700  # scenario ticks the faults are on from and off at
TICKS = 1100
SEED = 7


@functools.cache
def full_session() -> Session:
    """The demo rig with every frame its DBC has for the robot, three of them slow, no jitter."""
    session = demo_session()
    timing = {
        "levers": Output(rate_hz=100.0, latency_ms=4.0),
        "suspension": Output(rate_hz=100.0, latency_ms=3.0),
        "drive_torque": Output(rate_hz=100.0, latency_ms=4.0),
        "wheel_pulses_front": Output(rate_hz=100.0, latency_ms=2.0),
        "wheel_pulses_rear": Output(rate_hz=100.0, latency_ms=2.0),
    }
    outputs = {**session.rig.outputs, **timing}
    outputs["wheel_speed"] = outputs["wheel_speed"].model_copy(update={"jitter_ms": 0.0})
    rig = session.rig.model_copy(update={"outputs": outputs})
    codec = load_codec(RIG.parent / rig.dbc, frames_of(rig))
    session = variant(session, rig={"outputs": outputs})
    return session.__class__(**{**vars(session), "codec": codec, "outputs": tuple(outputs)})


class Watched(Ride):
    """A ride that also keeps the clean samples of each output, as they are measured."""

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.samples: dict[str, list[tuple[int, np.ndarray]]] = {name: [] for name in session.outputs}
        self.epochs: list[tuple[int, np.ndarray]] = []

    def step(self, ticks=1, then=None):
        out, state = self.plant.out, -1
        for _ in range(ticks):
            before = out["sampled"].copy()
            state = super().step(1, then)
            values = self.plant.memory[0]["values"]
            for i in np.flatnonzero(out["sampled"] > before):
                chosen = out[i]["value_of"]
                sample = (self.bench.tick_number, values[chosen[chosen >= 0]].copy())
                (self.epochs if i == len(out) - 1 else self.samples[self.session.outputs[i]]).append(sample)
        return state


def ridden(*events: object) -> Watched:
    ride = Watched(variant(full_session(), scenario={"events": events}))
    ride.start(TICKS)
    return ride


@functools.cache
def clean() -> Watched:
    return ridden()


def expected_bytes(ride: Watched, frame: str, change) -> list[tuple[int, bytes]]:
    """(sampling tick, payload) of a frame; ``change`` takes ticks (N,), values (N,) and a signal's name.

    Encoding and protection are held against cantools and other implementations in tests/wire.
    """
    codec = ride.session.codec
    f, names = codec.frame(frame), codec.signals[codec.frame(frame)]
    ticks = np.array([t for t, _ in ride.samples[frame]])
    table = np.array([v for _, v in ride.samples[frame]])
    table = np.column_stack([change(ticks, table[:, k], name) for k, name in enumerate(names)])
    out = []
    for n, (tick, row) in enumerate(zip(ticks, table, strict=True)):
        data = np.zeros(64, np.uint8)
        pack(codec.table, f, np.ascontiguousarray(row), data)
        protect(codec.table, f, n % 15, data)
        out.append((int(tick), data[: codec.table.length[f]].tobytes()))
    return out


def sent(ride: Watched, frame: str) -> list[bytes]:
    return [payload for _, name, payload, _, _ in ride.frames if name == frame]


def within(ticks: np.ndarray) -> np.ndarray:
    return (ticks >= ON) & (ticks < OFF)


def stream(name: str) -> np.ndarray:
    return np.array([stream_start(SEED, name)], np.uint64)


def fault(signal: str, effect: str, **values: object) -> FaultEvent:
    return FaultEvent.model_validate(
        {"kind": "fault", "name": signal, "signal": signal, "effect": effect, "at": Trigger(time_s=ON / 1000)}
        | ({"duration_s": (OFF - ON) / 1000} if "duration_s" not in values else {})
        | values
    )


def held(ticks, v):
    first = int(np.argmax(ticks >= ON))
    return v[first]


def shifted(ticks, v, delay_ticks):
    """The sample taken so much earlier; at a rate, that is so many samples."""
    n = round(delay_ticks / np.median(np.diff(ticks)))  # ticks leap when the start becomes known
    return np.concatenate([np.full(n, v[0]), v])[: len(v)]


def ramp(ticks, ticks_to_full=100):
    return np.minimum(1.0, (ticks - ON) / ticks_to_full)


STATEMENTS = {
    "dropout": ({}, lambda t, v, name: np.full_like(v, np.nan)),
    "freeze": ({}, lambda t, v, name: np.full_like(v, held(t, v))),
    "stuck": ({"value": 1.25}, lambda t, v, name: np.full_like(v, 1.25)),
    "offset": ({"value": 0.5, "ramp_s": 0.1}, lambda t, v, name: v + ramp(t) * 0.5),
    "gain": ({"value": 1.5, "ramp_s": 0.1}, lambda t, v, name: v * (1.0 + ramp(t) * 0.5)),
    "drift": ({"value": 3.0}, lambda t, v, name: v + 3.0 * ((t - ON) * (TICK_NS * 1e-9))),
    "noise": ({"value": 0.2}, None),
    "spike": ({"value": 2.0, "share": 0.3}, None),
    "saturation": ({"low": -0.01, "high": 0.02}, lambda t, v, name: np.clip(v, -0.01, 0.02)),
    "quantisation": ({"value": 0.25}, lambda t, v, name: np.round(v / 0.25) * 0.25),
    "delay": ({"delay_ms": 60}, lambda t, v, name: shifted(t, v, 60)),
    "sign_change": ({}, lambda t, v, name: -v),
}


def drawn(effect: str, t: np.ndarray, v: np.ndarray, name: str) -> np.ndarray:
    """The effects that draw: one number a sample in the window, from the event's own streams."""
    out, noise, chance = v.copy(), stream(f"event/{name}"), stream(f"event/{name}/chance")
    for n in np.flatnonzero(within(t)):
        if effect == "noise":
            out[n] = v[n] + 0.2 * normal(noise, 0)
        elif uniform(chance, 0) < 0.3:
            out[n] = v[n] + 2.0
    return out


def carried() -> set[str]:
    session = full_session()
    return set(rig_view(session.rig, session.codec).rates_hz)


CARRIED = tuple(name for name in FAULTY_SIGNALS if name in carried() and name[:5] != "gnss_")


def test_every_signal_that_can_be_faulty_is_carried_here_but_those_of_gnss():
    by_angle = {
        "fork_angle_rad",
        "reaction_torque_Nm",
    }  # carried in tests/plant/test_fork.py
    gnss = {n for n in FAULTY_SIGNALS if n.startswith("gnss_")}
    assert set(FAULTY_SIGNALS) - set(CARRIED) == gnss | by_angle
    # an effect without a statement here has the one of its row on the page of faults
    assert set(STATEMENTS) <= set(SAMPLE_EFFECTS)


def test_without_faults_the_statement_is_what_is_sent():
    ride = clean()
    for frame in ride.session.outputs:
        got, stated = sent(ride, frame), expected_bytes(ride, frame, lambda t, v, name: v)
        assert len(got) > 10
        assert got == [payload for _, payload in stated][: len(got)], frame


@pytest.mark.parametrize("effect", STATEMENTS)
def test_a_faulty_signal_is_on_the_wire_as_stated_and_the_others_as_without(effect):
    """All signals at once, each with a fault of its own."""
    values, statement = STATEMENTS[effect]
    rings = ("wheel_front_m_s", "wheel_rear_m_s")  # their faults also turn the rings behind the pulse frames
    for some in ([s for s in CARRIED if s not in rings], rings):
        ride = ridden(*(fault(s, effect, **values) for s in some))
        assert [t for t, code, *_ in ride.events if code == 100] == [ON] * len(some)

        def change(t, v, name, some=some):
            if name not in some:
                return v
            shown = drawn(effect, t, v, name) if statement is None else statement(t, v, name)
            return np.where(within(t), shown, v)

        for frame in ride.session.outputs:
            if frame.startswith("wheel_pulses") and some is rings:
                continue  # tests/plant/test_pulses.py
            got, without = sent(ride, frame), sent(clean(), frame)
            stated = expected_bytes(clean(), frame, change)
            assert got == [payload for _, payload in stated][: len(got)], frame
            for (tick, _), one, other in zip(stated, got, without, strict=False):
                assert one == other or ON <= tick < OFF, (frame, tick)


@pytest.mark.parametrize("effect", STATEMENTS)
def test_a_faulty_gnss_value_is_in_the_epoch_as_stated(effect):
    values, statement = STATEMENTS[effect]
    names = ("gnss_x_m", "gnss_y_m", "gnss_z_m", "gnss_speed_m_s")
    events = tuple(fault(s, effect, **values) for s in names)
    ride, seen = Watched(variant(full_session(), scenario={"events": events})), []
    ride.start(0)
    latency_ticks = round(ride.session.rig.sensors.gnss.latency_ms)

    def note(r):
        if r.bursts and r.bursts[-1][0] == r.bench.tick_number:
            seen.append(r.plant.memory[0]["gnss"].copy())

    ride.step(TICKS, note)
    ticks = np.array([t for t, _ in ride.epochs])
    # epochs said before the ride began are not looked at; those sampled last are still on their way
    first = int(np.argmax(ticks + latency_ticks >= 1))
    assert len(seen) > 8
    for name in names:
        k = OUTPUT_VALUES.index(name)
        v = np.array([s[k - V_GNSS_X] for _, s in ride.epochs])
        shown = drawn(effect, ticks, v, name) if statement is None else statement(ticks, v, name)
        stated = np.where(within(ticks), shown, v)
        np.testing.assert_array_equal([s[k] for s in seen], stated[first : first + len(seen)])


def test_an_intermittent_fault_acts_in_its_live_parts():
    pauses = Intermittent(on_s=0.03, off_s=0.05)
    ride = ridden(fault("lean_rad", "offset", value=0.5, intermittent=pauses))

    def change(t, v, name):
        return np.where(within(t) & ((t - ON) % 80 < 30), v + 0.5, v) if name == "lean_rad" else v

    got = sent(ride, "lean")
    assert got == [payload for _, payload in expected_bytes(clean(), "lean", change)][: len(got)]


# ---- frames ----------------------------------------------------------------------------------------------


def frame_event(frame: str, effect: str, **values: object) -> FrameEvent:
    return FrameEvent.model_validate(
        {
            "kind": "frame",
            "name": f"{frame} {effect}",
            "frame": frame,
            "effect": effect,
            "at": Trigger(time_s=ON / 1000),
            "duration_s": (OFF - ON) / 1000,
            **values,
        }
    )


def on_the_wire(ride: Ride) -> list[tuple[int, str, bytes]]:
    return [(tick, name, payload) for tick, name, payload, _, _ in ride.frames]


def state_frame(effect: str, frame: str, wire: list[tuple[int, str, bytes]]) -> list[tuple[int, str, bytes]]:
    """What the robot gets of ``frame`` instead of what is in ``wire``: a few lines an effect."""
    mine = [(t, p) for t, name, p in wire if name == frame]
    on = [ON <= t < OFF for t, _ in mine]
    hit = list(zip(mine, on, strict=True))
    if effect == "loss":
        got = [f for f, h in hit if not h]
    elif effect == "repetition":
        got = [f for f, h in hit for _ in range(3 if h else 1)]
    elif effect == "delay":
        got = sorted(
            [(t + 25, p) for (t, p), h in hit if h] + [f for f, h in hit if not h], key=lambda f: f[0]
        )
    elif effect == "corruption":
        got = [(t, bytes([p[0], p[1] ^ 0x81, *p[2:]]) if h else p) for (t, p), h in hit]
    elif effect == "insertion":
        extra = [(t, bytes.fromhex("00ff17")) for t in range(ON, OFF, 20)]
        got = sorted(mine + extra, key=lambda f: f[0])
    elif effect == "incorrect_sequence":
        got, k = [], 0
        while k < len(mine):
            if on[k] and k + 1 < len(mine):
                got += [mine[k + 1], (mine[k + 1][0], mine[k][1])]
                k += 2
            else:
                got.append(mine[k])
                k += 1
    else:
        shown, last, got = "engine" if frame != "engine" else "lean", b"", []
        for tick, name, payload in wire:
            last = payload if name == shown else last
            if name == frame:
                got.append((tick, last if ON <= tick < OFF and last else payload))
    return [(t, frame, p) for t, p in got]


FRAME_KEYS = {
    "loss": {},
    "repetition": {"copies": 2},
    "delay": {"delay_ms": 25},
    "insertion": {"payload": "00 ff 17", "every_ms": 20},
    "masquerade": {},
    "incorrect_sequence": {},
    "corruption": {"mask": "00 81"},
}


@pytest.mark.parametrize("effect", sorted(set(FRAME_KEYS) - {"masquerade"}))
def test_a_faulty_frame_is_on_the_wire_as_stated(effect):
    """All frames at once, each with a fault of its own."""
    frames = full_session().outputs
    ride = ridden(*(frame_event(frame, effect, **FRAME_KEYS[effect]) for frame in frames))
    got, wire = on_the_wire(ride), on_the_wire(clean())
    last = max(t for t, _, _ in wire)
    for frame in frames:
        mine, stated = [f for f in got if f[1] == frame], state_frame(effect, frame, wire)
        assert mine == [f for f in stated if f[0] <= last], frame
        assert mine != [f for f in wire if f[1] == frame], frame


@functools.cache
def fd_session() -> Session:
    """The demo rig on CAN FD."""
    session = demo_session(RIG.parent / "can_fd.yaml")
    return variant(session, outputs={"wheel_speed": {"jitter_ms": 0.0}})


@functools.cache
def clean_fd() -> Watched:
    ride = Watched(fd_session())
    ride.start(TICKS)
    return ride


def test_long_frames_are_sent_as_stated():
    ride = clean_fd()
    for frame, length in (("imu_rates", 16), ("imu_force", 16), ("lean", 8)):
        stated, got = expected_bytes(ride, frame, lambda t, v, name: v), sent(ride, frame)
        assert {len(p) for p in got} == {length}
        assert [p for _, p in stated][: len(got)] == got
        assert len(got) > len(stated) - 5


@pytest.mark.parametrize("effect", FRAME_KEYS)
def test_a_faulty_fd_frame_is_on_the_wire_as_stated(effect):
    """Its last byte flipped, a long frame put in, one of 8 bytes shown for one of 16."""
    keys = {**FRAME_KEYS[effect]}
    if effect == "corruption":
        keys["mask"] = "00" * 15 + "81"
    elif effect == "insertion":
        keys["payload"] = "a5" * 12
    elif effect == "masquerade":
        keys["shows"] = "engine"
    frame, wire = "imu_force", on_the_wire(clean_fd())
    ride = Watched(variant(fd_session(), scenario={"events": (frame_event(frame, effect, **keys),)}))
    ride.start(TICKS)
    got, last = on_the_wire(ride), max(t for t, _, _ in wire)
    mine, plain = [f for f in got if f[1] == frame], [f for f in wire if f[1] == frame]
    assert [f for f in got if f[1] != frame] == [f for f in wire if f[1] != frame]
    assert mine != plain
    if effect == "corruption":
        stated = [(t, n, bytes([*p[:15], p[15] ^ 0x81]) if ON <= t < OFF else p) for t, n, p in plain]
    elif effect == "insertion":
        extra = [(t, frame, bytes.fromhex("a5" * 12)) for t in range(ON, OFF, 20)]
        stated = sorted([*plain, *extra], key=lambda f: f[0])
    else:
        stated = state_frame(effect, frame, wire)
    assert mine == [f for f in stated if f[0] <= last]


@pytest.mark.parametrize("frame", full_session().outputs)
def test_a_masquerade_is_on_the_wire_as_stated_and_other_frames_as_without(frame):
    ride = ridden(frame_event(frame, "masquerade", shows="engine" if frame != "engine" else "lean"))
    got, wire = on_the_wire(ride), on_the_wire(clean())
    assert [f for f in got if f[1] != frame] == [f for f in wire if f[1] != frame]
    mine = [f for f in got if f[1] == frame]
    assert mine == state_frame("masquerade", frame, wire)
    assert mine != [f for f in wire if f[1] == frame]


def test_two_faults_of_one_frame_act_in_the_order_of_the_file():
    """Repeated and then corrupted, both copies are; corrupted in a third and then repeated, alike pairs."""
    twice = frame_event("lean", "repetition", copies=1)
    spoilt = frame_event("lean", "corruption", flips=1)
    one = [p for t, name, p in on_the_wire(ridden(twice, spoilt)) if name == "lean" and ON <= t < OFF]
    other = [p for t, name, p in on_the_wire(ridden(spoilt, twice)) if name == "lean" and ON <= t < OFF]
    assert all(a != b for a, b in zip(one[::2], one[1::2], strict=True))
    assert all(a == b for a, b in zip(other[::2], other[1::2], strict=True))


@pytest.mark.parametrize(
    ("effect", "keys", "column", "rows"),
    [
        ("loss", {}, "accepted", lambda n, hit: n - hit),
        ("repetition", {"copies": 2}, "repeated", lambda n, hit: 2 * hit),
        ("corruption", {"mask": "ff"}, "damaged", lambda n, hit: hit),
        ("masquerade", {"shows": "gear"}, "damaged", lambda n, hit: hit),
        ("insertion", {"payload": "00 00", "every_ms": 10}, "damaged", lambda n, hit: hit),
    ],
)
def test_faults_of_the_robots_frames_stand_between_it_and_the_plant(effect, keys, column, rows):
    # shorter than the rig's command time-out
    ride = ridden(frame_event("drive", effect, duration_s=0.1, **keys))
    counts, usual = ride.bench.frame_counts()["drive"], clean().bench.frame_counts()["drive"]
    hit = 100 // ride.every
    assert counts[column] == rows(usual["accepted"] if column == "accepted" else 0, hit)
    assert ride.bench.frame_counts()["gear"] == clean().bench.frame_counts()["gear"]


def test_a_frame_lost_on_its_way_from_the_robot_leaves_the_last_command():
    event = frame_event("drive", "loss")
    ride = Watched(variant(full_session(), scenario={"events": (event,)}))
    ride.start(ON - 50)
    ride.commands = {**ride.commands, "drive": {**ride.commands["drive"], "throttle": 0.4}}
    ride.step(40)
    before = ride["robot.throttle"]
    ride.step(20)
    ride.commands = {**ride.commands, "drive": {**ride.commands["drive"], "throttle": 0.9}}
    ride.step(100)
    assert before == pytest.approx(0.4, abs=1e-3)
    assert ride["robot.throttle"] == before


def test_what_a_gate_holds_back_is_dropped_when_the_ride_ends(session):

    event = frame_event("lean", "delay", delay_ms=500)
    ride = Watched(variant(full_session(), scenario={"events": (event,)}))
    ride.start(600)
    assert ride.plant.frame_faults[0]["tail"] > ride.plant.frame_faults[0]["head"]
    ride.bench.command(Command.STOP, 0.0)
    ride.step(2)
    assert ride.plant.frame_faults[0]["tail"] == ride.plant.frame_faults[0]["head"]
