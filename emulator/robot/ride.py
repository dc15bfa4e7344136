"""How the reference robot rides: path to roll, roll to steering, speed to throttle, brakes and gears."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import wrapped
from emulator.core.compiled import Record, jit
from emulator.road.line import Line, continue_station, curvature_at, heading_at, locate, target_speed_at
from emulator.robot.design import Design, gains_for, lateral_of, turn_for
from emulator.robot.fast.drive import drive_fast
from emulator.robot.fast.pace import PREVIEW, ROLL_LIMIT, ROLL_RATE_LIMIT, gains_left, path_left
from emulator.robot.records import Z_ENGINE, Z_GEAR, Z_THROTTLE
from emulator.robot.tuning import (
    PATH_DAMPING,
    PATH_INTEGRAL,
    PATH_INTEGRAL_FROM,
    ROLL_FILTER,
    ROLL_INTEGRAL,
    STEP,
    SWING_HEIGHT,
    path_rate,
)
from emulator.vehicle.driveline import engine_torque

_PREVIEW = 0.38  # [s] the roll loop's own delay: target filter and balance
_ROLL_RATE_LIMIT = 1.3  # [rad/s] of the roll target
_ROLL_LIMIT = math.radians(54.0)

_SPEED_GAIN = 1.2  # [1/s]
_SPEED_INTEGRAL = 0.25  # [1/s^2]
_ACTUATOR_PREVIEW = 0.10  # [s] throttle and brakes take that long

_LAUNCH_ACCELERATION = 1.5  # [m/s^2] while the clutch slips
_LAUNCH_ENGINE = 260.0  # [rad/s] held while the clutch slips
_LAUNCH_STEPS = 400  # from first bite to released, 0.8 s
_ENGAGE_SPEED = 2.6  # [m/s] below this first gear would stall the engine
_CLUTCH_STEPS = 40  # from pulled to released, 80 ms
_CUT_WAIT = 100  # steps for a change without the clutch, 200 ms
_SHIFT_WAIT = 30  # steps to let the clutch part before the lever moves, 60 ms

_THROTTLE_LATE = 0.05  # [s] a throttle's answer may be later than twice its actuator's lag
_SURPLUS_FILTER = 0.1  # [s]
_STICKING_PULL = 0.6  # [m/s^2] less of it the brakes take along
_STICKING_SHARE = 0.5  # of that pull, seen in the bike's acceleration
_STICKING_STEPS = 50  # of both, 0.1 s


@jit
def follow_path(d: Design, line: Line, k: Record, e: Record) -> float:
    """Lateral acceleration [m/s^2] (left +) that keeps the bike on the line; updates station and offset.

    Curvature previewed by the roll loop's delay, plus a second-order return to the line. Led back is a point
    of the bike above the ground, as far as it swings aside from its roll target: an inverted pendulum's foot
    goes the wrong way first, and a return that looks at the foot alone excites its swing.
    """
    station, e.offset, _ = locate(line, e.x, e.y, e.station)
    e.station = continue_station(line, station, e.station)
    ahead = e.station + (PREVIEW if k.fast != 0 else _PREVIEW) * e.speed
    curvature, speed = curvature_at(line, ahead), e.speed
    if k.fast != 0:  # braking into a bend it will be slower there than it is now
        speed = max(0.0, speed + target_speed_at(line, ahead) - target_speed_at(line, e.station))
    error = wrapped(e.heading - heading_at(line, e.station))
    # Feedback of the current turn's own drift would fight the preview: heading error against the path here.
    if e.speed > PATH_INTEGRAL_FROM and abs(e.offset) < 1.5:
        e.path_integral = min(1.0, max(-1.0, e.path_integral + STEP * PATH_INTEGRAL * e.offset))
    # An emergency may be that there are no rates, and then the swing isn't known.
    height = SWING_HEIGHT if k.by_angle == 0 and e.emergency == 0 and k.fast == 0 else 0.0
    offset = e.offset - height * (e.roll - e.roll_target)
    aside = e.speed * math.sin(error) - height * (e.roll_rate - e.roll_target_rate)
    rate = path_rate(e.speed)
    if k.fast != 0:
        rate *= path_left(e.wanted)
    back = -rate * rate * (offset + e.path_integral) - 2.0 * PATH_DAMPING * rate * aside
    back = min(3.0, max(-3.0, back))
    return float(speed * speed * curvature + back)


@jit
def balance(d: Design, k: Record, e: Record, lateral: float) -> float:
    """Steering command that leans the bike into the turn of ``lateral`` [m/s^2] and holds it there.

    A torque [N m] or the fork's angle [rad], as the tables and gains of ``d`` are.
    """
    speed = max(e.speed, d.speeds[0])
    roll, _, _ = turn_for(d, speed, lateral)
    limit, fastest = _ROLL_LIMIT, _ROLL_RATE_LIMIT
    if k.fast != 0:
        limit, fastest = ROLL_LIMIT, ROLL_RATE_LIMIT
    roll = min(limit, max(-limit, roll))
    # Second-order target with a rate limit: the balance gets a roll angle and its rate that agree.
    pull = ROLL_FILTER * ROLL_FILTER * (roll - e.roll_target) - 2.0 * ROLL_FILTER * e.roll_target_rate
    e.roll_target_rate += STEP * pull
    e.roll_target_rate = min(fastest, max(-fastest, e.roll_target_rate))
    e.roll_target += STEP * e.roll_target_rate

    turn = lateral_of(d, speed, e.roll_target)
    _, steer, command = turn_for(d, speed, turn)
    yaw_rate = turn / speed * math.cos(e.roll_target)
    k0, k1, k2, k3, k4 = gains_for(d, speed, e.roll_target)
    error = e.roll - e.roll_target
    e.roll_integral = min(0.1, max(-0.1, e.roll_integral + STEP * error))
    if k.fast != 0:
        left = gains_left(e.wanted)
        k0, k1, k2, k3, k4 = left * k0, left * k1, left * k2, left * k3, left * k4
        force = e.front_brake * k.front_gain / k.front_radius
        command += k.brake_arm * force * math.sin(e.roll_target)
    return float(
        command
        - k0 * (error + ROLL_INTEGRAL * e.roll_integral)
        - k1 * (e.steer - steer)
        - k2 * (e.roll_rate - e.roll_target_rate)
        - k3 * (e.yaw_rate - yaw_rate)
        - k4 * e.steer_rate
    )


@jit
def _ratio(k: Record, gear: int) -> float:
    """Engine speed over wheel speed."""
    return float(k.primary * k.gears[gear] * k.final)


@jit
def _shift(k: Record, e: Record, seen: NDArray[np.float64], wheel: float) -> float:
    """Gear choice and the shift's sequence; returns the clutch lever.

    Phases: 0 none, 1 part, 2 shift, 3 engage, 4 up by a quickshifter's cut, clutch let be.
    """
    if e.shift_phase == 0:
        engine = wheel * _ratio(k, e.gear)
        if e.speed < _ENGAGE_SPEED:
            e.launch_steps = 0
            return 1.0
        if e.launch_steps < _LAUNCH_STEPS:
            e.launch_steps += 1  # moving off: the clutch comes in gently over the part that bites
            return 0.8 * (1.0 - e.launch_steps / _LAUNCH_STEPS)
        if engine > k.up_rate and e.gear < 6:
            e.gear += 1
            e.shift_phase, e.shift_steps = 4 if seen[Z_ENGINE] > k.cut_from else 1, 0
        elif engine < k.down_rate and e.gear > 1 and wheel * _ratio(k, e.gear - 1) < 0.92 * k.up_rate:
            e.gear -= 1
            e.shift_phase, e.shift_steps = 1, 0
        else:
            return 0.0
    e.shift_steps += 1
    if e.shift_phase == 4:
        if seen[Z_GEAR] == e.gear:
            e.shift_phase = 0
        elif e.shift_steps > _CUT_WAIT:
            e.shift_phase, e.shift_steps = 1, 0  # no cut, or none that let the dogs go: as without
        return 0.0
    if e.shift_phase == 1:
        if e.shift_steps >= _SHIFT_WAIT:
            e.shift_phase, e.shift_steps = 2, 0
        return 1.0
    if e.shift_phase == 2:
        if seen[Z_GEAR] == e.gear:
            e.shift_phase, e.shift_steps = 3, 0
        elif e.shift_steps > 500:
            e.shift_phase = 0  # the box did not follow within a second: go on with what is in
            e.gear = max(1, int(seen[Z_GEAR]))
        return 1.0
    if e.shift_steps >= _CLUTCH_STEPS:
        e.shift_phase = 0
    return 1.0 - e.shift_steps / _CLUTCH_STEPS


@jit
def drive(k: Record, body: Record, line: Line, e: Record, seen: NDArray[np.float64], stopping: bool) -> None:
    """Throttle, brakes, clutch and gear for the target speed, or for an emergency stop."""
    ahead = e.station + _ACTUATOR_PREVIEW * e.speed
    target, later = target_speed_at(line, ahead), target_speed_at(line, ahead + 1.0)
    e.target = target_speed_at(line, e.station)
    forward = 0.5 * (later * later - target * target)  # v dv/ds over one metre
    error = target - e.speed - forward * _ACTUATOR_PREVIEW
    saturated = e.clutch > 0.1 or abs(error) > 2.0
    if not saturated:
        e.speed_integral = min(1.5, max(-1.5, e.speed_integral + STEP * _SPEED_INTEGRAL * error))
    wanted = forward + _SPEED_GAIN * error + e.speed_integral
    # Far below the target (a start) the speed loop alone would ask for the impossible.
    moving_off = e.launch_steps < _LAUNCH_STEPS
    most = _LAUNCH_ACCELERATION if moving_off and k.fast == 0 else k.most_acceleration
    wanted = min(most, max(-k.most_braking, wanted))
    if stopping:
        wanted = -4.0 * math.cos(e.roll)
    e.wanted = wanted
    if k.fast != 0 and not stopping:
        drive_fast(k, body, e, seen)
        return

    radius = k.rear_radius - k.rear_crown * (1.0 - math.cos(e.roll))
    wheel = e.speed / radius
    e.clutch = _shift(k, e, seen, wheel)
    if stopping:
        e.clutch = 1.0
    ratio = _ratio(k, e.gear)
    engine = max(seen[Z_ENGINE], 1.0)
    resistance = 0.6 * k.drag_area * e.speed * e.speed + k.rolling * k.mass * k.gravity
    inertia = k.mass + k.wheel_inertia + k.engine_inertia * (ratio / radius) ** 2
    force = inertia * wanted + resistance
    closed = engine_torque(body, engine, 0.0, 0.0)
    wide = engine_torque(body, engine, 1.0, 0.0)
    braking = closed * ratio / radius if e.clutch < 0.5 else 0.0
    e.front_brake = e.rear_brake = 0.0
    if force < braking:
        short = braking - force
        e.front_brake = (1.0 - k.rear_share) * short * k.front_radius / k.front_gain
        e.rear_brake = k.rear_share * short * k.rear_radius / k.rear_gain
    if moving_off and not stopping:
        # The clutch still slips: it carries what it carries, the throttle only holds the engine speed.
        e.throttle = min(0.4, max(0.0, 0.02 + 0.004 * (_LAUNCH_ENGINE - engine)))
        if e.launch_steps > 0:
            e.throttle = min(
                0.4, e.throttle + max(0.0, force * radius / ratio - closed) / max(1.0, wide - closed)
            )
    elif e.shift_phase != 0 and e.clutch > 0.5:
        # Clutch parted: bring the engine to the speed the new gear wants.
        e.throttle = min(0.6, max(0.0, 0.02 + 0.004 * (wheel * ratio - engine)))
    elif stopping:
        e.throttle = 0.0
    else:
        torque = force * radius / ratio
        e.throttle = min(1.0, max(0.0, (torque - closed) / max(1.0, wide - closed)))


@jit
def throttle_sticks(k: Record, body: Record, e: Record, seen: NDArray[np.float64]) -> bool:
    """Whether the throttle stands further open than anything asked of it lately, and the bike pulls with it.

    Two witnesses: the throttle's sensor, and the bike's acceleration beyond what engine, brakes and slope
    ought to make of it. One alone may be a sensor's fault, a brake that fades or a gust. Called once a step.
    """
    slower = STEP / (2.0 * k.throttle_lag + _THROTTLE_LATE)
    e.throttle_asked = max(e.throttle, e.throttle_asked + slower * (e.throttle - e.throttle_asked))
    # Of gravity ``force`` has the vertical part only. Pitch is positive downhill.
    ahead = math.cos(e.heading) * e.force[0] + math.sin(e.heading) * e.force[1]
    surplus = ahead - e.wanted - k.gravity * math.sin(e.pitch)
    e.surplus += STEP / _SURPLUS_FILTER * (surplus - e.surplus)
    if e.clutch > 0.1 or e.launch_steps < _LAUNCH_STEPS:
        e.sticking_steps = 0
        return False
    engine = max(seen[Z_ENGINE], 1.0)
    wide = engine_torque(body, engine, 1.0, 0.0) - engine_torque(body, engine, 0.0, 0.0)
    reduction = _ratio(k, e.gear) / k.rear_radius
    inertia = k.mass + k.wheel_inertia + k.engine_inertia * reduction**2
    pull = (seen[Z_THROTTLE] - e.throttle_asked) * wide * reduction / inertia
    if pull > _STICKING_PULL and e.surplus > _STICKING_SHARE * pull:
        e.sticking_steps += 1
    else:
        e.sticking_steps = 0
    return bool(e.sticking_steps >= _STICKING_STEPS)
