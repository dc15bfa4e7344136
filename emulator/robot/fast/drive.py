"""Engine, brakes, clutch and gears when riding fast: each tyre is given its share of the force along.

Braking as hard as the rear wheel nearly lifts, what the rear tyre bears is less than what a closed throttle
brakes: then the throttle opens so far that the engine takes no more than that. So the wheels are braked in
proportion to their loads, the rear a little less, and neither locks before the other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record, jit
from emulator.robot.fast.pace import DOWN_TO, UP
from emulator.robot.records import Z_ENGINE, Z_GEAR
from emulator.vehicle.driveline import engine_torque

LAUNCHED = 400
"""Of ``launch_steps``: the clutch has stopped slipping."""
_LAUNCH_ENGINE = 420.0  # [rad/s] held while the clutch slips
_LAUNCH_FROM = 220.0  # [rad/s] from which on it is loaded
_LAUNCH_MARGIN = 20.0  # [rad/s] the input shaft that near the engine: the clutch lets go of no more
_REAR_USED = 0.6  # of what its load would be worth, braking
_RISES = 0.08  # [rad/s] of pitch, nose up, from which on the drive is cut ...
_LIFT_GAIN, _LIFTS_MOST = 2.5, 0.6  # ... by so much of it per rad/s, and at most so much
_CLUTCH_STEPS = 40  # from pulled to released, 80 ms
_ALIKE = 60.0  # [rad/s] the engine that near its new speed: let go
_TO_GEAR, _SLIPPING, _CLOSING = 1, 2, 3  # phases of a change
_PARTED = 0.8  # lever of a clutch that carries nothing, and soon does again
_SLIP_STEPS = 150  # 0.3 s, after which it is let go whatever
_GIVEN_UP_STEPS = 500  # of waiting for the gearbox, 1 s
_ENOUGH = 1.05  # of the force that may be asked for, which a gear has to give
_BETTER = 1.03  # so much more force is worth changing down for
_UPRIGHT = math.radians(38.0)  # most roll to change gear at


@jit
def ratio_of(k: Record, gear: int) -> float:
    """Engine speed over wheel speed."""
    return float(k.primary * k.gears[gear] * k.final)


@jit
def _pull(k: Record, body: Record, wheel: float, gear: int) -> float:
    """Full-throttle force [N] in a gear at a wheel speed [rad/s], less what the crankshaft takes at 1 g."""
    ratio = ratio_of(k, gear)
    return float(engine_torque(body, wheel * ratio, 1.0, 0.0) * ratio / k.rear_radius)


@jit
def _gear(k: Record, body: Record, e: Record, wheel: float, engine: float) -> int:
    """The gear to be in: up before the limiter, down while the one in gives too little."""
    limiter = body.engine_limiter_speed
    if max(engine, wheel * ratio_of(k, e.gear)) > UP * limiter and e.gear < 6:
        return int(e.gear + 1)
    if e.gear > 1 and wheel * ratio_of(k, e.gear - 1) < DOWN_TO * limiter and abs(e.roll) < _UPRIGHT:
        here = _pull(k, body, wheel, e.gear)
        if (
            here < _ENOUGH * k.mass * k.most_acceleration
            and _pull(k, body, wheel, e.gear - 1) > _BETTER * here
        ):
            return int(e.gear - 1)
    return int(e.gear)


@jit
def _launch(k: Record, body: Record, e: Record, force: float, wheel: float, engine: float) -> None:
    """Moving off: the clutch slips as hard as the force asks, the throttle holds the engine's speed."""
    # With less the clutch would drag it down: first it has to turn.
    turning = (engine - _LAUNCH_FROM) / (_LAUNCH_ENGINE - _LAUNCH_FROM)
    force *= min(1.0, max(0.0, 2.0 * turning))
    e.clutch = _lever(k, body, max(0.0, force), e.gear)
    asked = max(0.0, force) * k.rear_radius / (k.gears[e.gear] * k.final)  # at the gearbox's input
    closed, wide = engine_torque(body, engine, 0.0, 0.0), engine_torque(body, engine, 1.0, 0.0)
    load = asked / k.primary
    e.throttle = min(
        1.0, max(0.0, (load - closed) / max(1.0, wide - closed) + 0.01 * (_LAUNCH_ENGINE - engine))
    )
    if wheel * ratio_of(k, e.gear) > engine - _LAUNCH_MARGIN:
        e.launch_steps = LAUNCHED
        e.shift_phase, e.shift_steps = _CLOSING, round(_CLUTCH_STEPS * (1.0 - e.clutch))


@jit
def _lever(k: Record, body: Record, force: float, gear: int) -> float:
    """Clutch lever at which it slips with the torque that a force [N] at the rear wheel takes."""
    torque = abs(force) * k.rear_radius / (k.gears[gear] * k.final)
    span = body.clutch_bite_lever - body.clutch_full_lever
    return float(min(1.0, max(0.0, body.clutch_bite_lever - span * torque / body.clutch_capacity)))


@jit
def _shift(
    k: Record, body: Record, e: Record, seen: NDArray[np.float64], wheel: float, engine: float, force: float
) -> float:
    """Gear choice and the change's sequence; returns the clutch lever."""
    if e.shift_phase == 0:
        gear = _gear(k, body, e, wheel, engine)
        if gear == e.gear:
            return 0.0
        e.gear = gear
        e.shift_phase, e.shift_steps = _TO_GEAR, 0
    e.shift_steps += 1
    if e.shift_phase == _TO_GEAR:
        if seen[Z_GEAR] == e.gear:
            e.shift_phase, e.shift_steps = _SLIPPING if force > 0.0 else _CLOSING, 0
        elif e.shift_steps > _GIVEN_UP_STEPS:
            e.shift_phase = 0  # the box did not follow: go on with what is in
            e.gear = max(1, int(seen[Z_GEAR]))
        return _PARTED
    if e.shift_phase == _SLIPPING:
        # The engine's spin drives, too: the clutch carries what is wanted until both turn alike.
        lever = _lever(k, body, force, e.gear)
        if engine > wheel * ratio_of(k, e.gear) + _ALIKE and e.shift_steps < _SLIP_STEPS:
            return lever
        e.shift_phase, e.shift_steps = _CLOSING, round(_CLUTCH_STEPS * (1.0 - lever))
    if e.shift_steps >= _CLUTCH_STEPS:
        e.shift_phase = 0
    return float(max(0.0, 1.0 - e.shift_steps / _CLUTCH_STEPS))


@jit
def rear_load(k: Record, force: float) -> float:
    """Share [1] of the weight on the rear wheel; ``force`` [N] is the tyres' along, negative braking."""
    return float(max(0.0, 1.0 - k.front_share + k.transfer * force / (k.mass * k.gravity)))


@jit
def drive_fast(k: Record, body: Record, e: Record, seen: NDArray[np.float64]) -> None:
    """Throttle, brakes, clutch and gear for the acceleration that is wanted."""
    radius = k.rear_radius - k.rear_crown * (1.0 - math.cos(e.roll))
    wheel = e.speed / radius
    engine = max(seen[Z_ENGINE], 1.0)
    drag = 0.6 * k.drag_area * e.speed * e.speed
    rolling = k.rolling * k.mass * k.gravity
    # Of both along. What lifts a wheel is their force: the air's drag is at the height of the mass. A bike
    # that rolls upright swings its mass over the top, which takes weight off: h (roll rate)^2 cos(roll).
    heavy = max(0.5, 1.0 - k.height * e.roll_rate * e.roll_rate * math.cos(e.roll) / k.gravity)
    # Rising, the front wheel is about to lift: less of it.
    rising = e.rate[2] * math.sin(e.roll) - e.rate[1] * math.cos(e.roll)  # [rad/s] of the pitch, nose up
    left = 1.0 - min(_LIFTS_MOST, max(0.0, _LIFT_GAIN * (rising - _RISES)))
    most = left * heavy * k.mass * k.most_acceleration
    tyres = min(most, max(-heavy * k.mass * k.most_braking, k.mass * e.wanted + drag))
    e.front_brake = e.rear_brake = 0.0
    if e.launch_steps < LAUNCHED:
        _launch(k, body, e, tyres + rolling + k.wheel_inertia * e.wanted, wheel, engine)
        return
    e.clutch = _shift(k, body, e, seen, wheel, engine, tyres)
    slipping = e.shift_phase == _SLIPPING
    parted = e.clutch > 0.5 or slipping
    ratio = ratio_of(k, e.gear)
    closed, wide = engine_torque(body, engine, 0.0, 0.0), engine_torque(body, engine, 1.0, 0.0)
    rear = tyres
    if tyres < 0.0:
        rear *= _REAR_USED * rear_load(k, tyres)
        front = tyres - rear + k.front_inertia * e.wanted + rolling * k.front_share
        e.front_brake = max(0.0, -front * k.front_radius / k.front_gain)
    # At the rear wheel: what engine and brake have to give.
    rear += k.rear_inertia * e.wanted + rolling * (1.0 if tyres >= 0.0 else 1.0 - k.front_share)
    if tyres >= 0.0:
        rear += k.front_inertia * e.wanted
    crank = k.engine_inertia * (ratio / radius) ** 2 * e.wanted
    least = closed * ratio / radius - crank
    if parted:
        least = 0.0
    if rear < least:
        e.rear_brake = (least - rear) * radius / k.rear_gain
    if slipping:
        load = max(0.0, tyres) * k.rear_radius / (k.gears[e.gear] * k.final * k.primary)
        over = wheel * ratio + _ALIKE / 2 - engine
        e.throttle = min(1.0, max(0.0, (load - closed) / max(1.0, wide - closed) + 0.01 * over))
        return
    if parted:
        # bring the engine to the speed the new gear wants
        e.throttle = min(0.6, max(0.0, 0.02 + 0.004 * (wheel * ratio - engine)))
        return
    torque = (rear + crank) * radius / ratio
    e.throttle = min(1.0, max(0.0, (torque - closed) / max(1.0, wide - closed)))
