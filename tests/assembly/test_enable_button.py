"""The bench's button as the local enable, through whole ticks: only a press that follows a release arms."""

import numpy as np
import pytest

from emulator.assembly.bench import EVENT_KINDS
from emulator.core.signals import ARMED, RUNNING, STANDBY, TRIPPED
from emulator.plant.states import MISSING_ENABLE
from emulator.shared_memory.status import BY_BUTTON, Command
from emulator.wire.can_frames import protect
from tests.support.scripted_robot import Ride, demo_session, variant

UP, DOWN = 0.0, 1.0


class Bench(Ride):
    """A ride whose bench says every 10 ms how its button stands; None: it says nothing."""

    def __init__(self, session):
        limits = session.rig.limits.model_copy(update={"arming_timeout_s": 1.0, "ramp_to_rest_s": 0.3})
        rig = {"local_enable": "enable_pressed", "permissives": (), "limits": limits}
        super().__init__(variant(session, rig=rig))
        self.button = UP

    def step(self, ticks=1, then=None):
        state = -1
        for _ in range(ticks):
            if self.button is not None and self.count % 10 == 0:
                self.say(self.button)
            state = super().step(1, then)
        return state

    def say(self, button):
        return self.robot.send(self.rx, "bench_inputs", {"enable_pressed": button})

    def wait_for_it(self):
        """As the supervisor does where the rig names the button."""
        self.bench.command(Command.ARM, BY_BUTTON)

    def press(self, ticks=100):
        self.button = DOWN
        return self.step(ticks)

    def told(self):
        return [text for _, code, _, _, text in self.events if EVENT_KINDS[code] == "local_enable"]


@pytest.fixture
def bench():
    return Bench(demo_session())


def test_a_press_after_a_release_arms_and_is_told_once(bench):
    bench.step(20)
    bench.wait_for_it()
    assert bench.step(100) == STANDBY
    assert bench["bench.permissives_missing"] == MISSING_ENABLE
    assert bench.press() == ARMED
    assert bench.told() == ["local enable: the button at the bench was pressed"]
    assert bench["bench.permissives_missing"] == 0.0
    bench.button = UP  # a button, not one that has to be held: letting go of it changes nothing
    while bench.step() != RUNNING:
        assert bench.count < 3000
    bench.press(50)
    assert bench.states[-1] == RUNNING
    assert len(bench.told()) == 1


def test_whatever_a_page_can_ask_for_nothing_leaves_standby(bench):
    bench.step(20)
    bench.wait_for_it()
    for command in (c for c in Command if c not in (Command.ARM, Command.STOP, Command.TRIP)):
        for argument in (0.0, 1.0, 2.0):
            bench.bench.command(command, argument)
            assert bench.step(50) == STANDBY, (command, argument)
    assert set(bench.states) == {STANDBY}
    assert bench.press() == ARMED


def test_a_button_that_is_not_waited_for_arms_nothing(bench):
    bench.step(20)
    bench.press()
    bench.button = UP
    bench.step(50)
    assert set(bench.states) == {STANDBY}
    # what was pressed before it was waited for counts for nothing either
    bench.press(50)
    bench.wait_for_it()
    assert bench.step(500) == STANDBY
    bench.button = UP
    bench.step(50)
    assert bench.press() == ARMED


def _stuck(bench):
    bench.press(400)


def _never_available(bench):
    for bench.button in (np.nan, DOWN, np.nan, DOWN):
        bench.step(100)


def _silent_in_between(bench):
    bench.step(50)
    bench.button = None
    bench.step(int(bench.session.rig.limits.permissive_timeout_ms) + 20)
    bench.press()


def _unknown_in_between(bench):
    for bench.button in (UP, np.nan, DOWN):
        bench.step(50)


def _beyond_its_range(bench):
    bench.step(50)
    bench.button = None
    row = bench.say(UP)
    _set_bits(bench, row, 2)
    bench.step(50)


def _damaged(bench):
    bench.step(50)
    bench.button = None
    for _ in range(20):
        row = bench.say(DOWN)
        bench.rx.data[row, 0] ^= 0x5A
        bench.step(5)


def _repeated(bench):
    """A press from before is played back, byte for byte."""
    bench.button = DOWN
    bench.step(1)
    row = bench.say(DOWN)
    old, length = bench.rx.data[row].copy(), int(bench.rx.length[row])
    bench.button = UP
    bench.step(50)
    bench.button = None
    row = bench.say(UP)
    newest = bench.rx.data[row].copy()
    bench.step()
    for payload in (newest, newest | np.array([0, 0, 0x10] + [0] * (len(old) - 3), np.uint8)):
        row = bench.say(UP)
        bench.rx.data[row], bench.rx.length[row] = payload, length
        bench.robot.alive["bench_inputs"] -= 1
        bench.step(5)


def _set_bits(bench, row, value):
    data, f = bench.rx.data[row], bench.session.codec.frame("bench_inputs")
    data[2] |= value << 4
    alive = int(data[1]) & 15
    data[0] = data[1] = 0
    protect(bench.session.codec.table, f, alive, data)


@pytest.mark.parametrize(
    "tampering",
    [
        _stuck,
        _never_available,
        _silent_in_between,
        _unknown_in_between,
        _beyond_its_range,
        _damaged,
        _repeated,
    ],
    ids=lambda f: f.__name__.strip("_"),
)
def test_what_is_no_press_of_a_person_arms_nothing(bench, tampering):
    if tampering is _stuck:
        bench.press(20)
    bench.wait_for_it()
    tampering(bench)
    assert set(bench.states) == {STANDBY}
    assert bench.told() == []
    bench.button = UP
    bench.step(100)
    assert bench.press() == ARMED  # and what is one still does


def test_a_robot_that_sends_the_input_under_its_own_frames_presses_nothing(bench):
    bench.wait_for_it()
    bench.button = None
    for _ in range(30):
        row = bench.robot.send(bench.rx, "gear", {"gear_request": 1.0, "heartbeat": 1.0})
        bench.rx.can_id[row] = bench.session.codec.table.can_id[bench.session.codec.frame("bench_inputs")]
        bench.step(5)
    assert set(bench.states) == {STANDBY}


def test_what_is_missing_at_the_press_has_the_time_that_arming_has(bench):
    bench.every = 0  # no robot
    bench.step(20)
    bench.wait_for_it()
    bench.step(50)
    assert bench.press(900) == STANDBY
    assert bench.step(200) == TRIPPED


def test_a_rig_that_names_no_button_hears_none():
    bench = Bench(demo_session())
    with_none = variant(bench.session, rig={"local_enable": "terminal", "permissives": ("guard_closed",)})
    ride = Ride(with_none)
    ride.bench.command(Command.ARM, BY_BUTTON)
    for button in (UP, DOWN, UP, DOWN):
        ride.robot.send(ride.rx, "bench_inputs", {"enable_pressed": button, "guard_closed": 1.0})
        assert ride.step(30) == STANDBY
