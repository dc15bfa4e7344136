"""What a rig and the reference robot's own period take out of its loop: the times of a linear loop.

Ages are counted as on the stepped clock, where bench and robot step together: a control period begins with
the tick's frames, every second tick, and what it sends acts from the next tick on. A sample waits until its
frame has arrived (with the rig's bit rate, where that is known) and the next period looks; until the next one
comes it grows older. What counts is the mean over the control periods. On a bench the robot has a clock of
its own: there a sample waits half a control period on the mean, and a torque half a tick instead of one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from emulator.config.rig.bus_load import bus_load, schedule, wire_ns
from emulator.config.rig.file import Rig
from emulator.config.rig.hand_overs import Periodic, common_ticks, passages
from emulator.config.rig.outputs import Output, commands_in
from emulator.core.signals import TICK_NS
from emulator.robot.tuning import STEP
from emulator.vehicle.imposed_angle import FOLLOWER_RATE
from emulator.wire.can_frames import Codec

_NEEDED = ("rate_x_rad_s", "force_x_m_s2", "steering_angle_rad")
"""A signal of each frame that the robot can't ride without."""

_TORQUE, _ANGLE = "steering_torque_Nm", "steering_angle_rad"
_TICK = TICK_NS * 1e-9
_EVERY = round(STEP / _TICK)  # ticks of a control period


class LoopTiming(NamedTuple):
    """What the loop takes beside the bike itself; seconds. Ages are those in a control period, on the mean.

    rates_s         age of the gyro's rates, the unit's low-pass included
    estimate_s      age of attitude and position, which are integrated from the unit's samples
    told_s          age the robot takes its estimate to have: it brings its position to now by so much
    steer_s         age of the steering angle and its rate
    command_s       from the control period to the middle of the time its command is held
    actuator_lag_s  first-order lag of the steering actuator, or of the fork's position control
    follower        [rad/s] rate at which the bike's steering follows an imposed angle; 0: steered by torque
    """

    rates_s: float
    estimate_s: float
    told_s: float
    steer_s: float
    command_s: float
    actuator_lag_s: float
    follower: float = 0.0


def loop_timing(rig: Rig, codec: Codec) -> LoopTiming:
    """The timing of a rig's loop with the reference robot; ``codec`` of the rig's frames.

    - A rate is summed up to an angle at the end of each period for all of it, so the angle is half a period
      younger than the rate; speed and position follow suit.
    - The inertial unit's low-pass is a delay below its corner.
    - A command stands from the tick after its period for a period: one tick and half of what is left of the
      period on the mean. The actuator moves at ticks, the bike feels it for a tick: with a time constant
      T well above a tick that is a lag T, to which :func:`_tick_by_tick` adds what is left. A stand-in for
      the fork is such an actuator of an angle. Of a real fork nothing is known but what the rig says: none.

    Frames are known by the signals they carry: what the DBC calls them is its own affair. Forces are taken to
    be as old as rates. Raises ValueError for a rig on which the reference robot can't ride.
    """
    by_angle, fork = rig.steering == "angle_driven", rig.actuators.fork
    if by_angle and fork is None:
        raise ValueError(
            "the reference robot has no fork to turn: this angle-driven rig has no actuators.fork"
        )
    rates, force, steer = (output_carrying(rig, codec, signal) for signal in _NEEDED)
    if rates is None or force is None or steer is None:
        missing = [s for s, out in zip(_NEEDED, (rates, force, steer), strict=True) if out is None]
        raise ValueError(f"the reference robot needs signals that no output carries: {', '.join(missing)}")
    ages = dict(zip(rig.outputs, ages_heard(_as_drawn(rig, codec)), strict=True))
    low_pass, bus = rig.sensors.imu.rate_delay_s, bus_load(rig, codec)
    arrive = None if bus is None else bus.line(rates).arrivals
    lag = (rig.actuators.steering if fork is None else fork).time_constant_ms * 1e-3
    command = _ANGLE if by_angle else _TORQUE
    taken = commands_in(codec.frames)
    frame = next((name for name in taken if command in codec.signals[codec.frame(name)]), None)
    if frame is None:
        raise ValueError(f"the reference robot steers by {command}, which no frame of the robot carries")
    sent = max(1, -(-wire_ns(rig, codec, frame) // TICK_NS))  # ticks; its frame wins the bus
    return LoopTiming(
        rates_s=ages[rates] + low_pass,
        estimate_s=ages[rates] + low_pass - 0.5 * STEP,
        told_s=rig.outputs[rates].latency_ms * 1e-3
        + (0.0 if arrive is None else arrive.error_ns[1] * 1e-9)
        + low_pass,
        steer_s=ages[steer],
        command_s=sent * _TICK + 0.5 * (STEP - _TICK) + _tick_by_tick(lag),
        actuator_lag_s=lag,
        follower=FOLLOWER_RATE if by_angle else 0.0,
    )


def output_carrying(rig: Rig, codec: Codec, signal: str) -> str | None:
    """The fastest output that carries a signal."""
    carrying = [name for name in rig.outputs if signal in codec.signals[codec.frame(name)]]
    return max(carrying, key=lambda name: rig.outputs[name].rate_hz, default=None)


def _as_drawn(rig: Rig, codec: Codec) -> list[Periodic]:
    """The rig's outputs with the mean of their drawn jitter (half-normal) in the latency."""

    def drawn_ns(output: Output) -> int:
        return round(output.jitter_ms * 1e6 * math.sqrt(2.0 / math.pi))

    return [
        periodic._replace(latency_ns=periodic.latency_ns + drawn_ns(output))
        for periodic, output in zip(schedule(rig, codec), rig.outputs.values(), strict=True)
    ]


def ages_heard(outputs: Sequence[Periodic], every: int = _EVERY, tick_ns: int = TICK_NS) -> list[float]:
    """Mean age [s] of the newest sample a receiver has of each output, who looks every so many ticks.

    outputs  in the rig's order
    """
    return list(_ages_heard(tuple(outputs), every, tick_ns))


@lru_cache(maxsize=64)  # longer than a ride of seconds, and asked for of each ride on a rig
def _ages_heard(outputs: tuple[Periodic, ...], every: int, tick_ns: int) -> tuple[float, ...]:
    common = math.lcm(common_ticks(outputs, tick_ns), every)
    period = max((math.ceil(1e9 / float(o.rate) / tick_ns) for o in outputs), default=0)
    settle = 2 + period + max((o.latency_ns for o in outputs), default=0) // tick_ns
    settle += -settle % every
    passed, _ = passages(outputs, settle + common, tick_ns)
    ages: list[list[int]] = [[] for _ in outputs]
    newest: list[int | None] = [None] * len(outputs)
    arriving = iter(passed)
    following = next(arriving, None)
    for look in range(0, settle + common, every):
        now = look * tick_ns
        while following is not None and following.arrived_ns <= now:
            newest[following.output] = following.valid_ns
            following = next(arriving, None)
        for age, valid in zip(ages, newest, strict=True):
            if look >= settle and valid is not None:
                age.append(now - valid)
    return tuple(sum(age) / len(age) * 1e-9 if age else math.inf for age in ages)


def _tick_by_tick(lag: float) -> float:
    """Delay [s] beyond ``lag`` [s] of a first-order actuator that moves at ticks and is felt for a tick each.

    At a tick it goes 1 - exp(-tick / lag) of the way: a delay of tick / (exp(tick / lag) - 1) at low
    frequency; what it then delivers is felt until the next tick, half a tick later on the mean.
    """
    moving = _TICK / math.expm1(min(_TICK / lag, 100.0)) if lag > 0.0 else 0.0
    return moving + 0.5 * _TICK - lag
