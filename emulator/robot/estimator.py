"""Where am I, how fast, which way up: an inertial navigation drawn to what else the rider hears.

The inertial unit is integrated every control period: position, velocity and attitude of the unit's own
place S in the world W (gravity known, the earth's rotation neglected, as the plant does). An error-state
Kalman filter keeps the covariance of

    e = (position (3) [m], velocity (3) [m/s], attitude (3) [rad], gyro bias (3), accelerometer bias (3),
         scale of the front and the rear wheel speed (2) [1])

with the attitude error a small rotation in W: R_WB = (1 + [e_attitude x]) R_estimated. Measurements are taken
one number at a time: GNSS position and velocity at the antenna, wheel speeds, the rear contact's drift
(a motorcycle goes where it points but for its tyres' slip, which the steady turns tell), and a little the
lean sensor. One that is far outside what the filter expects is not refused but weighed down (Huber), so a
wrong one does not throw the rider off its line and a true one is believed in the end.

A GNSS position is refused as long as it is doubted: under a fix no better than the last one, and less than a
second after it, it can't have gone where speeds and rates say that the bike has not. Doubted is one whose
innovation, squared and over its covariance, is beyond ``_GATE``: of a bell curve in two dimensions once in
2.7e5 epochs, 7.5 h of ten a second. Its velocity is used on, so the rider knows its way for long. The doubt
ends when the position is within the gate, and back by more than half of what it was off: the rider's own
uncertainty alone, which grows, says nothing. Or it ends as the receiver begins anew: after a gap, or with a
better fix, it has a reason to be elsewhere, and positions are weighed down as all else. If neither comes, one
of both is wrong for good and nobody can say which: near enough, the receiver is followed, else it stops.

The lean sensor's age is taken as latency and filter alone. Its own roll acceleration makes it some 20 ms
older still (emulator.sensors.lean), but with 0.15 rad it is so little believed that this does not matter:
told those 20 ms, the roll estimate is right to 0.157, 0.178 and 0.156 degrees rms on the first, wet and rough
lap, not told to 0.159, 0.180 and 0.160, and the bike keeps as far from its line (0.25, 0.17 and 0.21 m rms).

A measurement that comes late meets the estimate of its own time: the past of 300 ms is kept and moves with
every correction. All times count from the validity of the newest inertial sample.

Source: error-state filter as in J. Sola, *Quaternion kinematics for the error-state Kalman filter*, 2017
(arXiv:1711.02508; from memory); Huber weight: P. J. Huber, Ann. Math. Statist. 35 (1964) 73-101 (from
memory). Noise figures are the rider's own beliefs about a good unit and a good receiver, invented.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import Mat3, Vec3, cross, roll_pitch_yaw, rotate, times
from emulator.core.compiled import Record, jit
from emulator.robot.design import Design, drift_of
from emulator.robot.records import (
    HISTORY,
    N_ERROR,
    PAST_EVERY,
    Z_FX,
    Z_FY,
    Z_FZ,
    Z_P,
    Z_Q,
    Z_R,
    Z_STEER,
    Z_STEER_RATE,
    Z_WHEEL_FRONT,
    Z_WHEEL_REAR,
)
from emulator.robot.tuning import STEP

NEW, BELIEVED, DOUBTED = range(3)
"""What is made of a GNSS position."""

_P, _V, _A, _BW, _BF, _SCALE = 0, 3, 6, 9, 12, 15  # places in the error
_SPREAD_EVERY = 10  # control periods between two steps of the covariance
# The rider's beliefs: spectral densities of what it integrates, and how its biases walk.
_RATE_NOISE, _FORCE_NOISE = 4e-4, 0.04  # [rad/s/sqrt(Hz)], [m/s^2/sqrt(Hz)]: noise, scale errors, vibration
_RATE_WALK, _FORCE_WALK = 2e-5, 1.5e-3  # [rad/s/sqrt(s)], [m/s^2/sqrt(s)]
_SCALE_WALK = 2e-3  # [1/sqrt(s)]: tread slip and deflection come and go with lean, drive and load
_START = (0.1, 0.1, 0.03, 2e-3, 0.08, 5e-3)  # one sigma of each part of the error at the start
# One sigma of a GNSS position [m] by quality as in GGA, east and north each; up is 1.7 times that.
_POSITION_SIGMA = np.array([50.0, 2.0, 0.6, 2.0, 0.015, 0.25])
_VELOCITY_SIGMA, _VELOCITY_SHARE = 0.05, 0.003
_DRIFT_SIGMA_FAST = 2.0  # [m/s] no steady turn is ridden
_DRIFT_SIGMA, _LEAN_SIGMA = 0.5, 0.15
_WHEEL_SIGMA, _WHEEL_SHARE, _SLIP_SHARE = 0.10, 0.005, 0.02
_SLIP_PER_FORCE = 0.03  # [1 per m/s^2] more of it, riding fast
_STANDING_SIGMA = 1.0  # [m/s] of a reading of zero: slower than the sensor can tell
_SPEED_GATE = 1.5  # [m/s] a wheel further off than this is not believed
_HUBER = 3.0  # sigmas beyond which a measurement weighs less
_LEAST_SPEED = 2.0  # [m/s] below, a drift angle says nothing
_GATE = 25.0  # of the squared innovation of a GNSS position over its covariance, two numbers
_AGE_SIGMA = (
    1.5e-3  # [s] an epoch's age is known so well: at 50 m/s it may be 0.4 m along the way, and no jump
)
_GAP = 1.0  # [s] without an epoch, after which a receiver may be elsewhere
_DOUBT = 10.0  # [s] of it are ridden
_NEAR = 0.5  # [m] between both after that: whichever is right, following the other does no harm
_INERTIAL_SILENT = 1  # emergency in which the prediction is no witness


@jit
def rolling_speed(reading: float, radius: float, crown: float, roll: float) -> float:
    """Ground speed [m/s] of a wheel-speed reading (spin times nominal radius) at a roll angle.

    The leaning tyre rolls on a smaller radius: R - t (1 - cos roll).
    """
    return reading * (radius - crown * (1.0 - math.cos(roll))) / radius


@jit
def _attitude(m: NDArray[np.float64]) -> Mat3:
    return m[0], m[1], m[2], m[3], m[4], m[5], m[6], m[7], m[8]


@jit
def _turned(x: float, y: float, z: float) -> Mat3:
    """Rotation by the vector (x, y, z) [rad] (Rodrigues)."""
    square = x * x + y * y + z * z
    angle = math.sqrt(square)
    if angle < 1e-6:
        s, k = 1.0, 0.5
    else:
        s, k = math.sin(angle) / angle, (1.0 - math.cos(angle)) / square
    return (
        1.0 - k * (y * y + z * z),
        k * x * y - s * z,
        k * x * z + s * y,
        k * x * y + s * z,
        1.0 - k * (x * x + z * z),
        k * y * z - s * x,
        k * x * z - s * y,
        k * y * z + s * x,
        1.0 - k * (x * x + y * y),
    )


@jit
def _keep(into: NDArray[np.float64], m: Mat3) -> None:
    """Write an attitude, its first two rows made orthonormal against what rounding leaves."""
    ax, ay, az, bx, by, bz = m[0], m[1], m[2], m[3], m[4], m[5]
    size = math.sqrt(ax * ax + ay * ay + az * az)
    ax, ay, az = ax / size, ay / size, az / size
    along = ax * bx + ay * by + az * bz
    bx, by, bz = bx - along * ax, by - along * ay, bz - along * az
    size = math.sqrt(bx * bx + by * by + bz * bz)
    bx, by, bz = bx / size, by / size, bz / size
    cx, cy, cz = cross(ax, ay, az, bx, by, bz)
    into[0], into[1], into[2] = ax, ay, az
    into[3], into[4], into[5] = bx, by, bz
    into[6], into[7], into[8] = cx, cy, cz


@jit
def align(k: Record, e: Record, seen: NDArray[np.float64]) -> None:
    """While the bike stands: level by the accelerometers, gyro bias from its rates, heading as told.

    A running mean over the time it stands, at most of the last two seconds.
    """
    e.still = min(e.still + 1, 1000)
    share = 1.0 / e.still
    axes = _attitude(k.imu_axes)
    rates = rotate(axes, seen[Z_P], seen[Z_Q], seen[Z_R])
    forces = rotate(axes, seen[Z_FX], seen[Z_FY], seen[Z_FZ])
    for i in range(3):
        e.bias_rate[i] += share * (rates[i] - e.bias_rate[i])
        e.force[i] += share * (forces[i] - e.force[i])
    fx, fy, fz = e.force[0], e.force[1], e.force[2]
    roll = math.atan2(fy, fz)
    pitch = -math.atan2(fx, math.hypot(fy, fz))
    tilt = times(_turned(0.0, pitch, 0.0), _turned(roll, 0.0, 0.0))
    R = times(_turned(0.0, 0.0, e.heading), tilt)
    _keep(e.attitude, R)
    sx, sy, sz = rotate(R, k.imu[0], k.imu[1], k.imu[2])
    e.position[0], e.position[1], e.position[2] = e.x + sx, e.y + sy, e.z + sz
    e.roll, e.pitch, e.roll_rate, e.yaw_rate = roll, pitch, 0.0, 0.0
    for i in range(HISTORY):
        _remember(e, i)
    begin_unsure(e)


@jit
def begin_unsure(e: Record) -> None:
    """The covariance of a start as it is told, on its wheels and at rest."""
    for i in range(N_ERROR):
        for j in range(N_ERROR):
            e.covariance[i, j] = 0.0
        e.covariance[i, i] = _START[i // 3] ** 2


@jit
def _remember(e: Record, place: int) -> None:
    for i in range(3):
        e.past[i, place] = e.position[i]
        e.past[3 + i, place] = e.velocity[i]
    for i in range(9):
        e.past[6 + i, place] = e.attitude[i]


@jit
def predict(d: Design, k: Record, e: Record, seen: NDArray[np.float64]) -> None:
    """One control period of inertial navigation."""
    e.steer, e.steer_rate = seen[Z_STEER], seen[Z_STEER_RATE]
    axes = _attitude(k.imu_axes)
    p, q, r = rotate(axes, seen[Z_P], seen[Z_Q], seen[Z_R])
    p, q, r = p - e.bias_rate[0], q - e.bias_rate[1], r - e.bias_rate[2]
    e.rate[0], e.rate[1], e.rate[2] = p, q, r
    before = _attitude(e.attitude)
    _keep(e.attitude, times(before, _turned(STEP * p, STEP * q, STEP * r)))
    # The force of the period acts in the attitude of its middle.
    R = times(before, _turned(0.5 * STEP * p, 0.5 * STEP * q, 0.5 * STEP * r))
    fx, fy, fz = rotate(axes, seen[Z_FX], seen[Z_FY], seen[Z_FZ])
    ax, ay, az = rotate(R, fx - e.bias_force[0], fy - e.bias_force[1], fz - e.bias_force[2])
    e.force[0], e.force[1], e.force[2] = ax, ay, az
    az -= k.gravity
    v = e.velocity
    e.position[0] += STEP * (v[0] + 0.5 * STEP * ax)
    e.position[1] += STEP * (v[1] + 0.5 * STEP * ay)
    e.position[2] += STEP * (v[2] + 0.5 * STEP * az)
    v[0] += STEP * ax
    v[1] += STEP * ay
    v[2] += STEP * az
    e.ridden += 1
    if e.ridden % PAST_EVERY == 0:
        _remember(e, (e.ridden // PAST_EVERY) % HISTORY)
    if e.ridden % _SPREAD_EVERY == 0:
        _spread(e, _SPREAD_EVERY * STEP)
    show(k, e)


@jit
def show(k: Record, e: Record) -> None:
    """The estimate as the ride uses it: main frame's origin, brought to now; heading, roll, speed."""
    R = _attitude(e.attitude)
    e.roll, e.pitch, e.heading = roll_pitch_yaw(R)
    vx, vy, vz = _velocity_at(e.velocity, R, e.rate, -k.imu[0], -k.imu[1], -k.imu[2])
    ox, oy, oz = rotate(R, k.imu[0], k.imu[1], k.imu[2])
    e.x = e.position[0] - ox + k.imu_age * vx
    e.y = e.position[1] - oy + k.imu_age * vy
    e.z = e.position[2] - oz + k.imu_age * vz
    e.speed = max(0.0, math.cos(e.heading) * vx + math.sin(e.heading) * vy)
    e.roll_rate, e.yaw_rate = e.rate[0], e.rate[2]


@jit
def _velocity_at(
    v: NDArray[np.float64], R: Mat3, w: NDArray[np.float64], x: float, y: float, z: float
) -> Vec3:
    """Velocity in W of a point at (x, y, z) [m] from S in the main frame."""
    cx, cy, cz = cross(w[0], w[1], w[2], x, y, z)
    wx, wy, wz = rotate(R, cx, cy, cz)
    return v[0] + wx, v[1] + wy, v[2] + wz


@jit
def _spread(e: Record, dt: float) -> None:
    """Covariance on by ``dt``: P <- F P F' + Q with F = 1 + A dt.

    Of A all is zero but four blocks, and only what they add is computed: velocity to position, attitude and
    accelerometer bias to velocity, gyro bias to attitude.
    """
    P, T, C, G = e.covariance, e.scratch, e.by_attitude, e.by_bias
    R, f = _attitude(e.attitude), e.force  # specific force in W
    n = N_ERROR
    for i in range(3):
        C[i, i] = 0.0
        for j in range(3):
            G[i, j] = -dt * R[3 * i + j]
    # v' = R f, R = (1 + [a x]) R_estimated: the error is a x f
    C[0, 1], C[0, 2] = dt * f[2], -dt * f[1]
    C[1, 0], C[1, 2] = -dt * f[2], dt * f[0]
    C[2, 0], C[2, 1] = dt * f[1], -dt * f[0]
    for i in range(n):
        for j in range(n):
            T[i, j] = P[i, j]
    for i in range(3):
        for j in range(n):
            T[_P + i, j] += dt * P[_V + i, j]
        for m in range(3):
            for j in range(n):
                T[_V + i, j] += C[i, m] * P[_A + m, j]
        for m in range(3):
            for j in range(n):
                T[_V + i, j] += G[i, m] * P[_BF + m, j]
                T[_A + i, j] += G[i, m] * P[_BW + m, j]
    for i in range(n):
        for j in range(i, n):
            total = T[i, j]
            if j < _V:
                total += T[i, _V + j] * dt
            elif j < _A:
                for m in range(3):
                    total += T[i, _A + m] * C[j - _V, m]
                for m in range(3):
                    total += T[i, _BF + m] * G[j - _V, m]
            elif j < _BW:
                for m in range(3):
                    total += T[i, _BW + m] * G[j - _A, m]
            P[i, j] = P[j, i] = total
    for i in range(3):
        P[_V + i, _V + i] += dt * _FORCE_NOISE**2
        P[_A + i, _A + i] += dt * _RATE_NOISE**2
        P[_BW + i, _BW + i] += dt * _RATE_WALK**2
        P[_BF + i, _BF + i] += dt * _FORCE_WALK**2
    for i in range(2):
        P[_SCALE + i, _SCALE + i] += dt * _SCALE_WALK**2


@jit
def _fuse(e: Record, innovation: float, sigma: float) -> None:
    """One number measured: ``e.row`` (N_ERROR,) is its answer to the error; ``e.found`` gathers the error.

    The row is left empty for the next one; :func:`_correct` does the same with what was found.
    """
    P, h, found, gain = e.covariance, e.row, e.found, e.gain
    n = N_ERROR
    spread, already = 0.0, 0.0
    gain[:] = 0.0
    for j in range(n):
        if h[j] != 0.0:  # few are; P is symmetric
            for i in range(n):
                gain[i] += P[j, i] * h[j]
    for i in range(n):
        spread += h[i] * gain[i]
        already += h[i] * found[i]
    left = innovation - already
    noise = sigma * sigma
    # far outside: as if it were as noisy as it looks
    noise = max(noise, abs(left) * math.sqrt(spread + noise) / _HUBER - spread)
    s = spread + noise
    for i in range(n):
        found[i] += gain[i] / s * left
        for j in range(n):
            P[i, j] -= gain[i] * gain[j] / s
    h[:] = 0.0


@jit
def _correct(e: Record) -> None:
    """Take over the error found: now, and in what is remembered."""
    d = e.found
    turn = _turned(d[_A], d[_A + 1], d[_A + 2])
    for i in range(3):
        e.position[i] += d[_P + i]
        e.velocity[i] += d[_V + i]
        e.bias_rate[i] += d[_BW + i]
        e.bias_force[i] += d[_BF + i]
    for i in range(2):
        e.scale[i] += d[_SCALE + i]
    _keep(e.attitude, times(turn, _attitude(e.attitude)))
    past, age, newest = e.past, e.past_age, e.ridden // PAST_EVERY
    for back in range(HISTORY):
        age[(newest - back) % HISTORY] = (e.ridden - (newest - back) * PAST_EVERY) * STEP
    # one moment like the next, so that several are computed at once
    for i in range(3):
        for j in range(HISTORY):
            past[i, j] += d[_P + i] - age[j] * d[_V + i]
            past[3 + i, j] += d[_V + i]
        for j in range(HISTORY):
            x, y, z = past[6 + i, j], past[9 + i, j], past[12 + i, j]
            past[6 + i, j] = turn[0] * x + turn[1] * y + turn[2] * z
            past[9 + i, j] = turn[3] * x + turn[4] * y + turn[5] * z
            past[12 + i, j] = turn[6] * x + turn[7] * y + turn[8] * z
    d[:] = 0.0


@jit
def _recall(e: Record, age: float) -> None:
    """The estimate of ``age`` [s] ago into ``e.then``: place, velocity, attitude; linear between rows."""
    steps = max(0.0, age / STEP)
    newest = e.ridden // PAST_EVERY
    back = (e.ridden - newest * PAST_EVERY) * -1.0 + steps  # control periods behind the newest row
    then = e.then
    if back <= 0.0:
        # between the newest row and now
        span = e.ridden - newest * PAST_EVERY
        share = 0.0 if span == 0 else -back / span
        row = e.past[:, newest % HISTORY]
        for i in range(3):
            then[i] = row[i] + share * (e.position[i] - row[i])
            then[3 + i] = row[3 + i] + share * (e.velocity[i] - row[3 + i])
        for i in range(9):
            then[6 + i] = row[6 + i] + share * (e.attitude[i] - row[6 + i])
        return
    whole = min(int(back / PAST_EVERY), HISTORY - 2)
    share = min(1.0, back / PAST_EVERY - whole)
    later, earlier = e.past[:, (newest - whole) % HISTORY], e.past[:, (newest - whole - 1) % HISTORY]
    for i in range(15):
        then[i] = later[i] + share * (earlier[i] - later[i])


@jit
def see_lean(k: Record, e: Record, lean: float) -> None:
    """A fresh lean sample."""
    _recall(e, k.lean_age - k.imu_age)
    roll, _, heading = roll_pitch_yaw(_attitude(e.then[6:15]))
    e.row[_A], e.row[_A + 1] = math.cos(heading), math.sin(heading)
    _fuse(e, lean - roll, _LEAN_SIGMA)
    _correct(e)


@jit
def see_wheels(
    d: Design, k: Record, e: Record, seen: NDArray[np.float64], front_fresh: bool, rear_fresh: bool
) -> bool:
    """Fresh wheel speeds, and that the bike goes where it points. True if a wheel was believed."""
    age = max(0.0, k.wheel_age - k.imu_age)
    _recall(e, age)
    R = _attitude(e.then[6:15])
    roll, _, heading = roll_pitch_yaw(R)
    vx, vy, vz = _velocity_at(e.then[3:6], R, e.rate, -k.imu[0], -k.imu[1], -k.imu[2])
    c, s = math.cos(heading), math.sin(heading)
    ahead, aside = c * vx + s * vy, c * vy - s * vx
    speed = math.hypot(ahead, vz)
    along = 1.0 / max(speed, 0.1)
    believed = False
    for which in range(2):
        if which == 0:
            fresh, z, radius, crown = front_fresh, Z_WHEEL_FRONT, k.front_radius, k.front_crown
            works = e.front_brake > 0.0
        else:
            fresh, z, radius, crown = rear_fresh, Z_WHEEL_REAR, k.rear_radius, k.rear_crown
            works = True  # it drives or is dragged
        if not fresh:
            continue
        ground = d.rolling[which] * rolling_speed(seen[z], radius, crown, roll)
        if abs(ground - speed) > _SPEED_GATE + 0.05 * speed:
            continue
        believed = True
        if speed > 0.1:
            e.row[_V], e.row[_V + 1], e.row[_V + 2] = c * ahead * along, s * ahead * along, vz * along
        else:
            e.row[_V], e.row[_V + 1] = c, s
        share = _WHEEL_SHARE + (_SLIP_SHARE if works else 0.0)
        if k.fast != 0:  # near its limits a tyre slips by several percent, as the force along comes and goes
            share += _SLIP_PER_FORCE * abs(e.wanted)
        least = _WHEEL_SIGMA if seen[z] > 0.0 else _STANDING_SIGMA
        e.row[_SCALE + which] = speed
        ground -= e.scale[which] * speed
        _fuse(e, ground - speed, least + share * speed)
    if speed > _LEAST_SPEED:
        sigma = _DRIFT_SIGMA if k.fast == 0 else _DRIFT_SIGMA_FAST
        e.row[_V], e.row[_V + 1], e.row[_A + 2] = -s, c, -ahead
        _fuse(e, ahead * math.tan(drift_of(d, ahead, roll)) - aside, sigma)
    _correct(e)
    show(k, e)
    return believed


@jit
def _judge_position(e: Record, square: float, off: float, quality: int) -> None:
    """Whether a GNSS position is to be doubted; of what follows from it see the head of this module.

    square  of its innovation over its covariance; off: the innovation's length [m]; quality as in GGA
    """
    places = _POSITION_SIGMA
    anew = (e.ridden - e.gnss_at) * STEP > _GAP or places[quality] < places[e.gnss_quality]
    e.gnss_at, e.gnss_quality = e.ridden, quality
    if e.gnss_faith == DOUBTED:
        e.doubted_off = max(e.doubted_off, off)
    back = e.gnss_faith != DOUBTED or off < 0.5 * e.doubted_off
    if square <= _GATE and back:
        e.gnss_faith = BELIEVED
    elif anew or e.emergency == _INERTIAL_SILENT:
        e.gnss_faith = NEW
    elif e.gnss_faith == BELIEVED:
        e.gnss_faith, e.doubted_at, e.doubted_off = DOUBTED, e.ridden, off
    elif doubted_too_long(e) and off < _NEAR:
        e.gnss_faith = NEW
    e.gnss_off, e.gnss_square = off, square


@jit
def expect_anything(e: Record) -> None:
    """The next position is judged as one after a gap: nothing was predicted since the last."""
    e.gnss_at, e.gnss_faith = e.ridden - round(2.0 * _GAP / STEP), NEW


@jit
def doubted_too_long(e: Record) -> bool:
    """Whether GNSS has said for too long that the rider is elsewhere."""
    return bool(e.gnss_faith == DOUBTED and (e.ridden - e.doubted_at) * STEP > _DOUBT)


@jit
def see_gnss(
    k: Record,
    e: Record,
    east: float,
    north: float,
    up: float,
    speed: float,
    course: float,
    quality: int,
    age: float,
) -> None:
    """A GNSS epoch: antenna position [m], speed [m/s] and course [rad, clockwise from north] over ground.

    course NaN: unknown; quality as in GGA; age [s] of its validity
    """
    age -= k.imu_age
    _recall(e, age)
    R = _attitude(e.then[6:15])
    ax, ay, az = k.antenna[0] - k.imu[0], k.antenna[1] - k.imu[1], k.antenna[2] - k.imu[2]
    lx, ly, lz = rotate(R, ax, ay, az)
    sigma = _POSITION_SIGMA[min(max(quality, 0), 5)]
    measured = (east, north, up)
    lever = (lx, ly, lz)
    off_east, off_north = east - e.then[0] - lx, north - e.then[1] - ly
    for i in range(2):
        for j in range(N_ERROR):
            e.scratch[i, j] = 0.0
        e.scratch[i, _P + i], e.scratch[i, _V + i] = 1.0, -age
        j, m = (i + 1) % 3, (i + 2) % 3
        e.scratch[i, _A + j], e.scratch[i, _A + m] = lever[m], -lever[j]
    a, b, c = sigma * sigma, 0.0, sigma * sigma
    a += (_AGE_SIGMA * e.then[3]) ** 2
    b += _AGE_SIGMA * _AGE_SIGMA * e.then[3] * e.then[4]
    c += (_AGE_SIGMA * e.then[4]) ** 2
    for i in range(_BW):
        for j in range(_BW):
            a += e.scratch[0, i] * e.covariance[i, j] * e.scratch[0, j]
            b += e.scratch[0, i] * e.covariance[i, j] * e.scratch[1, j]
            c += e.scratch[1, i] * e.covariance[i, j] * e.scratch[1, j]
    square = (c * off_east**2 - 2.0 * b * off_east * off_north + a * off_north**2) / (a * c - b * b)
    _judge_position(e, square, math.hypot(off_east, off_north), min(max(quality, 0), 5))
    for i in range(3 if e.gnss_faith != DOUBTED else 0):
        e.row[_P + i], e.row[_V + i] = 1.0, -age
        # a x lever, row i
        j, m = (i + 1) % 3, (i + 2) % 3
        e.row[_A + j], e.row[_A + m] = lever[m], -lever[j]
        _fuse(e, measured[i] - e.then[i] - lever[i], sigma * (1.7 if i == 2 else 1.0))
    if not math.isnan(course):
        vx, vy, _ = _velocity_at(e.then[3:6], R, e.rate, ax, ay, az)
        sigma = _VELOCITY_SIGMA + _VELOCITY_SHARE * speed
        for i in range(2):
            e.row[_V + i] = 1.0
            gone = speed * (math.sin(course) if i == 0 else math.cos(course))
            _fuse(e, gone - (vx if i == 0 else vy), sigma)
    _correct(e)
    show(k, e)


@jit
def position_sigma(e: Record) -> float:
    """One sigma [m] the rider gives its own place, east and north together."""
    return math.sqrt(e.covariance[_P, _P] + e.covariance[_P + 1, _P + 1])
