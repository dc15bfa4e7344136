"""Tyre on the road: a torus that presses, creeps, cambers and slides.

The contact carries two deflections (longitudinal, lateral) that build up with the sliding velocity of the
tread and are carried away by rolling::

    d(zeta)/dt = v_slide - |V_roll| / sigma * (zeta - zeta_camber)

so a rolling tyre has first-order relaxation with length sigma, and a standing, locked or spinning one is a
spring with a friction limit: no special case at zero speed. Steady state gives zeta = sigma * slip and,
with stiffness k = C / sigma, the force C * slip at small slip. Towards the limit the force follows the
brush model's cubic, g(s) = s - s^2/3 + s^3/27, s the demanded over the available force, g = 1 from s = 3
(H. B. Pacejka, *Tyre and Vehicle Dynamics*, brush model with parabolic pressure; from memory). Longitudinal
and lateral demand share one friction ellipse. Slip is taken over the rolling speed |V_roll|.

A share theta = s/3 of the contact slides, from its trailing end, until at theta = 1 all of it does. Rubber
that slides fast has less friction than rubber that sticks. Adhesion ends where the sticking friction mu is
reached, and behind that the tread rubs with r mu: the same brush model with two coefficients, integrated over
the parabola of pressure::

    F = mu N (3 theta (1 - theta)^2 + r (3 theta^2 - 2 theta^3)),   r = d + (1 - d) exp(-w / w_0)
    M = 3 t_0 mu N theta (1 - theta)^2 (1 - theta - 3 (1 - r) theta)

(t_0 the pneumatic trail at small slip; two coefficients: Pacejka, the same chapter; the exponential is that
of C. Canudas de Wit et al., Vehicle System Dynamics 39 (2003), with its exponent at one; both from memory). w
is the speed at which the tread slides: what of the sliding velocity does not go into the deflection. So the
force has a greatest value short of full sliding, and past it a tyre that slides more holds less. With d = 1
it is the brush model of one coefficient.

With load and temperature friction falls as :mod:`emulator.vehicle.contact.tread` says.

The force of slip acts a trail t behind the contact, and slip is taken as far ahead of it: that of the side
speed v and of the yaw rate w of the wheel's carrier is v + t w. Both are the brush model's: with stiffness c
and half length a, F = -2 c a^2 (v + w a/3) / V and M = (2/3) c a^3 v / V. Trail and twisting moment come with
rolling and go at rest. The twisting moment, -arm N times lean, is that of a contact turned about its normal
at the rate w_n (spin times the sine of the lean, and yaw), over the spin: it works against w_n always.

Nothing here gives energy for free. The tread is as stiff as its contact is large, k ~ deflection, and while
that changes the deflection follows zeta ~ k^-1/2, so that k zeta^2 / 2 stays; camber thrust pushes sideways
at the expense of the wheel's spin (a moment about the axle takes what it gives); the longitudinal force has
the same lever about the axle as the speed it slides at; the moment of the trail has none about the axle. With
u = sigma t w / V, the part of the deflection that yaw makes, F v + M w and what the spin pays add up to

    -d/dt(energy of the tread) - (k V / sigma) (zeta - u)^2.

What is left open: a tread that is not as stiff and rough along as across has no exact potential. Round a loop
of deflections within one quadrant it can give :func:`loop_energy` at most.

Lean to the right (camber > 0) pushes to the right (negative y).
"""

from __future__ import annotations

import math

from emulator.core.axes import cross
from emulator.core.compiled import Record, jit
from emulator.vehicle.contact.tread import friction_left, warming
from emulator.vehicle.state import (
    T_CAP_X,
    T_CAP_Y,
    T_FRICTION_USE,
    T_FX,
    T_FY,
    T_LOAD,
    T_ROLL_SPEED,
    T_RUBBING,
    T_SLIDING,
    T_SLIP_ANGLE,
    T_SLIP_RATIO,
    T_STIFFNESS_RATIO,
    T_TREAD,
    T_X,
    T_Y,
    T_Z,
    Scratch,
)

# [m] of deflection over which the vertical damping grows from none: a load that jumped as the wheel lands
# would cost the step its order.
_SOFT_LANDING = 0.002
_AIRBORNE_DECAY = 100.0  # [1/s] an unloaded tyre forgets its deflection; any value of this order does
# Shares of the ellipse between which the rate of the deflection ceases to count: where hardly any of the
# contact sticks, what rubs takes no part in it.
_MOST_STICKS, _ALL_RUBS = 0.6, 0.9
# [1/s] of the ellipse at which a tread that slides fast comes to its limit, five times that at the end: as
# fast as a step can follow. From _MOST_STICKS on the force is within 1.2 % of its limit and does not feel it.
# A tread that came there as fast as it slides would stick for a stage of a step each time its load has grown.
_FILLS = 300.0
# [1/s] at which the shear of a tread at its limit turns after the way it slides, at most: a step of a
# millisecond is unstable from 2785 on, where a wheel that slides at some 80 m/s comes to, and what rolling
# carries away adds some 500 to it. What is left out of the turning slides.
_TURNS_AFTER = 2000.0
# Cosine of the lean below which a wheel lies down. Its ring then touches all round instead of at one point:
# the lever of the load goes to zero as the wheel goes flat, with the depth that belongs to it, and does not
# jump from one edge of the wheel to the other.
_FLAT = 0.05
# Share of the contact from which a tyre slides even if its friction does not fall: a thousandth is left to
# gain.
_ALL_BUT_ALL = 0.9
# [m/s] of rolling below which trail and twisting moment go: both come with it. A spring at rest has neither.
_TRAIL_STANDS = 1.0
# Square of the cosine of the lean (60 degrees) from which on the aligning moment leaves the road's normal.
_LEAST_UPRIGHT = 0.25
_FASTEST_SPREAD = 200.0  # [1/s] bound of the contact's relative growth, which has none at touch-down


@jit
def contact(
    p: Record,
    which: int,
    wheel_body: int,
    nx: float,
    ny: float,
    nz: float,
    height: float,
    spin: float,
    zx: float,
    zy: float,
    warmth: float,
    grip: float,
    s: Scratch,
) -> tuple[float, float, float]:
    """Add the road's wrench on one wheel to ``s.wrench``; return the rates of its deflections and warmth.

    p           record of TYRE_DTYPE
    which       REAR or FRONT: row of ``s.centre``, ``s.axle``, ``s.tyre``
    wheel_body  body number of the wheel
    nx, ny, nz  [1]      upward normal of the road plane under this wheel, in B
    height      [m]      distance of B's origin from that plane
    spin        [rad/s]  wheel rate relative to its carrier
    zx, zy      [m]      deflections
    warmth      [K]      of the tread, over the temperature it grips best at
    grip        [1]      friction coefficient of the road

    Valid: any plane, any lean: tread and sidewall are one torus, down to a wheel that lies. Leaves load,
    forces and the power of friction in ``s.tyre[which]``; slips, friction use and sliding, too, unless
    ``s.passing`` says that nobody looks at them.
    """
    cx, cy, cz = s.centre[which, 0], s.centre[which, 1], s.centre[which, 2]
    ux, uy, uz = s.axle[which, 0], s.axle[which, 1], s.axle[which, 2]
    sine = nx * ux + ny * uy + nz * uz
    cosine = math.sqrt(max(1e-12, 1.0 - sine * sine))

    # Lowest point of the torus, then the point of the road below it where forces act.
    ring, crown = p.radius - p.crown_radius, p.crown_radius
    k, raised, lever = ring / cosine, 0.0, ring
    if cosine < _FLAT:
        # the ring's lowest point is ring rho(cosine) below the centre, rho = (cosine^2 / flat + flat) / 2
        k, raised = ring / _FLAT, 0.5 * ring * (_FLAT * _FLAT - cosine * cosine) / _FLAT
        lever = ring * cosine / _FLAT
    rx, ry, rz = -k * (nx - sine * ux), -k * (ny - sine * uy), -k * (nz - sine * uz)
    # A wheel can't be deeper than its radius: a state thrown below the road gets no more push than that.
    depth = min(crown - (height + nx * (cx + rx) + ny * (cy + ry) + nz * (cz + rz)) + raised, p.radius)
    arm = crown - depth
    rx, ry, rz = rx - arm * nx, ry - arm * ny, rz - arm * nz
    gx, gy, gz = cx + rx, cy + ry, cz + rz

    ex, ey, ez = cross(ux, uy, uz, nx, ny, nz)
    ex, ey, ez = ex / cosine, ey / cosine, ez / cosine
    lx, ly, lz = cross(nx, ny, nz, ex, ey, ez)

    # Velocity of the tread material at the contact, and the part of it that the spin makes.
    V = s.V
    b = wheel_body
    vx, vy, vz = cross(V[0, b], V[1, b], V[2, b], gx, gy, gz)
    vx, vy, vz = vx + V[3, b], vy + V[4, b], vz + V[5, b]
    # The tread runs on the effective radius: the loaded one (lever + arm cosine), a part of the deflection.
    extra = (1.0 - p.rolling_radius_share) * max(0.0, depth) * cosine
    loaded = lever + arm * cosine
    slide_x = vx * ex + vy * ey + vz * ez - extra * (V[0, b] * ux + V[1, b] * uy + V[2, b] * uz)
    slide_y = vx * lx + vy * ly + vz * lz
    roll_speed = spin * (loaded + extra)

    load = spring = 0.0
    sinking = -(vx * nx + vy * ny + vz * nz)
    if depth > 0.0:
        spring = p.vertical_stiffness * depth
        damping = p.vertical_damping * min(1.0, depth / _SOFT_LANDING)
        load = max(spring + damping * sinking, 0.0)

    out = s.tyre[which]
    out[T_TREAD] = p.tread_best_temperature + warmth
    out[T_LOAD] = load
    out[T_ROLL_SPEED] = roll_speed
    out[T_X] = gx
    out[T_Y] = gy
    out[T_Z] = gz
    told = s.passing == 0
    if told:  # slips are for who looks on only: nothing below takes them
        reference = max(abs(roll_speed), 0.5)  # they mean nothing near standstill
        out[T_SLIP_RATIO] = -slide_x / reference
        out[T_SLIP_ANGLE] = math.atan2(-slide_y, reference)
    if load <= 0.0:
        out[T_FX] = out[T_FY] = out[T_FRICTION_USE] = out[T_SLIDING] = out[T_CAP_X] = out[T_CAP_Y] = 0.0
        out[T_RUBBING] = 0.0
        return -_AIRBORNE_DECAY * zx, -_AIRBORNE_DECAY * zy, warming(p, warmth, 0.0, 0.0, roll_speed, 0.0)

    camber = math.asin(min(1.0, max(-1.0, sine)))
    kx = p.slip_stiffness_per_load * spring / p.relaxation_length_x
    cornering = p.cornering_stiffness + p.cornering_per_load * spring
    ky = cornering / p.relaxation_length
    camber_force = (p.camber_stiffness + p.camber_per_load * spring) * camber
    travel = abs(roll_speed)
    left = friction_left(p, load, warmth)
    limit_x, limit_y = p.friction_x * grip * load * left, p.friction_y * grip * load * left
    cap_x, cap_y = 3.0 * limit_x / kx, 3.0 * limit_y / ky
    ax, ay = zx / (cap_x * cap_x), zy / (cap_y * cap_y)
    filled = ax * zx + ay * zy

    # What rolling carries away and what the changing contact does, which the road has to slide anew.
    spread = 0.5 * min(_FASTEST_SPREAD, max(-_FASTEST_SPREAD, sinking / depth))
    spread_y = spread * p.cornering_per_load * spring / cornering
    carried_x = travel / p.relaxation_length_x * zx + spread * zx
    carried_y = travel / p.relaxation_length * (zy - camber_force / ky) + spread_y * zy
    falls = 1.0 - p.tread_sliding_friction
    pace = math.hypot(carried_x, carried_y) / p.tread_sliding_speed
    lost = falls * -math.expm1(-pace)  # 1 - r

    # The trail that the shear has, and the yaw of the wheel's carrier that it meets.
    theta = min(1.0, math.sqrt(filled))
    rest = 1.0 - theta
    trail = p.pneumatic_trail * rest * rest * (rest - 3.0 * theta * lost)
    trail /= 1.0 - theta + theta * theta / 3.0 - lost * theta * (1.0 - theta / 1.5)
    # Over the rolling speed; below walking pace the trail goes, and with its square its share over the speed.
    walking = min(1.0, travel / _TRAIL_STANDS)
    trail *= walking * walking * (3.0 - 2.0 * walking)
    per_speed = 1.0 / travel if travel > _TRAIL_STANDS else (2.0 - walking) / _TRAIL_STANDS
    upright = 1.0 / max(cosine * cosine, _LEAST_UPRIGHT)
    tx, ty, tz = upright * (nx - sine * ux), upright * (ny - sine * uy), upright * (nz - sine * uz)
    yaw = V[0, b] * tx + V[1, b] * ty + V[2, b] * tz
    if roll_speed < 0.0:
        trail = -trail
    turned = trail * yaw * p.relaxation_length * per_speed
    yawed = trail * yaw
    slide_y += yawed
    zx_dot = slide_x - carried_x
    zy_dot = slide_y - carried_y

    # A tread near its limit slides along with whatever would shear it further: the closer it is, the less its
    # deflection moves but along the ellipse or back inside. (vehicle.integrate takes away the rest that a
    # step leaves.)
    if filled > _MOST_STICKS:
        outward = ax * zx_dot + ay * zy_dot
        allowed = _FILLS * (1.0 - filled) / (filled - _MOST_STICKS)
        if outward > allowed:
            hx, hy = _sliding_direction(zx, zy, cap_x, cap_y, kx / ky)
            along = ax * hx + ay * hy
            share = (outward - allowed) / along
            zx_dot -= share * hx
            zy_dot -= share * hy
            # On the ellipse, z = (cap_x cos a, cap_y sin a), the angle a comes to where h points the way that
            # is slid, at the rate share ratio / along with ratio = kx cap_x^2 / (ky cap_y^2).
            turning = kx / ky * (cap_x / cap_y) ** 2 * share / along
            if turning > _TURNS_AFTER:
                zx_dot *= _TURNS_AFTER / turning
                zy_dot *= _TURNS_AFTER / turning

    demand_x = kx * zx + p.carcass_damping * zx_dot
    demand_y = ky * zy + p.carcass_damping * zy_dot
    part_x, part_y = demand_x / limit_x, demand_y / limit_y
    demanded = math.hypot(part_x, part_y)
    if filled > _MOST_STICKS:
        sheared = max(0.0, (_ALL_RUBS - filled) / (_ALL_RUBS - _MOST_STICKS))
        sheared *= sheared * (3.0 - 2.0 * sheared)
        carried_x, carried_y = slide_x - sheared * zx_dot, slide_y - sheared * zy_dot
        pace = math.hypot(carried_x, carried_y) / p.tread_sliding_speed
        lost = falls * -math.expm1(-pace)
    if demanded < 3.0:
        theta = demanded / 3.0
        rest = 1.0 - theta
        # Force over demand, were all friction that of sticking; of it, what rubs.
        steady = 1.0 - theta + demanded * demanded / 27.0
        rubbing = theta * (1.0 - theta / 1.5)
        scale = steady - lost * rubbing
        if told:
            out[T_FRICTION_USE] = steady * demanded
            # Past the peak: more slip brings more of the contact to sliding, which gains less than what
            # slides loses by sliding faster. Camber thrust in the demand does not grow with slip; slip
            # against it brings back.
            slip = part_x * part_x + part_y * (part_y - camber_force / limit_y)
            gained = (rest - 2.0 * theta * lost) * rest * slip
            paid = pace * (falls - lost) * rubbing * demanded * demanded
            past = theta >= _ALL_BUT_ALL or (slip > 0.0 and gained < paid)
            out[T_SLIDING] = theta if past else 0.0
    else:
        scale = (1.0 - lost) / demanded
        out[T_FRICTION_USE] = out[T_SLIDING] = 1.0
    force_x, force_y = -scale * demand_x, -scale * demand_y
    # Slip turns the wheel back, camber thrust and what yaw shears do not. Lean and yaw twist the contact.
    slip_y = scale * (demand_y - ky * turned)
    aligning = trail * (slip_y - scale * camber_force)
    around = V[0, b] * nx + V[1, b] * ny + V[2, b] * nz
    bent = camber / sine if abs(sine) > 1e-6 else 1.0
    twisting = -p.twisting_arm * load * bent * around * (loaded + extra) * per_speed
    # What neither shears the tread nor comes back: camber thrust runs the tread sideways, too.
    rubbing = -force_x * (slide_x - zx_dot) - twisting * around
    rubbing += slip_y * (slide_y - yawed - zy_dot + travel / p.relaxation_length * camber_force / ky)
    out[T_RUBBING] = max(rubbing, 0.0)
    out[T_FX], out[T_FY] = force_x, force_y
    out[T_CAP_X], out[T_CAP_Y] = cap_x, cap_y
    out[T_STIFFNESS_RATIO] = kx / ky

    # About the axle: rolling resistance, and what camber thrust takes from the spin for its work sideways.
    # tanh only avoids a jump of these small moments when the wheel stops; 0.1 m/s is walking pace over ten.
    drag = p.rolling_resistance * load + scale * (zy - turned) * camber_force / p.relaxation_length
    resistance = -drag * (loaded + extra) * math.tanh(roll_speed / 0.1) - extra * force_x

    fx = force_x * ex + force_y * lx + load * nx
    fy = force_x * ey + force_y * ly + load * ny
    fz = force_x * ez + force_y * lz + load * nz
    mx, my, mz = cross(gx, gy, gz, fx, fy, fz)
    w = s.wrench[b]
    w[0] += mx + aligning * tx + twisting * nx + resistance * ux
    w[1] += my + aligning * ty + twisting * ny + resistance * uy
    w[2] += mz + aligning * tz + twisting * nz + resistance * uz
    w[3] += fx
    w[4] += fy
    w[5] += fz
    rolling = p.rolling_resistance * load * travel
    return zx_dot, zy_dot, warming(p, warmth, out[T_RUBBING], rolling, roll_speed, load)


@jit
def loop_energy(p: Record, load: float, grip: float) -> float:
    """Most energy [J] that the shear of a standing tyre can give once round a loop of its deflections.

    p     record of TYRE_DTYPE
    load  [N]  of a tread at its best temperature
    grip  [1]  friction coefficient of the road

    With force k z g(s)/s, s = hypot(k_x z_x / L_x, k_y z_y / L_y) and L the limits, the work of a closed loop
    is (L_x^2/k_x - L_y^2/k_y) times the integral of a b (1/(3 s) - 2/27) over what it encloses of the plane
    of a = k_x z_x / L_x and b = k_y z_y / L_y. Over the quarter of the ellipse s < 3 that is 3/4; the sign
    changes from one quarter to the next. None is left where k_x/L_x^2 = k_y/L_y^2. Source: Stokes' theorem.
    """
    left = friction_left(p, load, 0.0)
    limit_x, limit_y = p.friction_x * grip * load * left, p.friction_y * grip * load * left
    kx = p.slip_stiffness_per_load * load / p.relaxation_length_x
    ky = (p.cornering_stiffness + p.cornering_per_load * load) / p.relaxation_length
    return 0.75 * abs(limit_x * limit_x / kx - limit_y * limit_y / ky)


@jit
def _sliding_direction(zx: float, zy: float, cap_x: float, cap_y: float, ratio: float) -> tuple[float, float]:
    """Direction in which a tread at its limit gives way, see :func:`slide_back`."""
    # flow dz_i ~ F_i / L_i^2 with F_i = k_i z_i and L_i ~ k_i cap_i: dz_i ~ z_i / (k_i cap_i^2)
    return zx, ratio * (cap_x / cap_y) ** 2 * zy


@jit
def slide_back(zx: float, zy: float, cap_x: float, cap_y: float, ratio: float) -> tuple[float, float]:
    """Deflections brought back to the friction ellipse of half axes ``cap_x``, ``cap_y`` [m] by sliding.

    Sliding follows the direction of largest dissipation, normal to the ellipse of forces: for equal friction
    the force then opposes the sliding velocity, whatever the two stiffnesses (``ratio`` = kx/ky). It is the
    closest point in the energy norm: z_i / (1 + t h_i) on the ellipse, h_x/h_y = cap_y^2 ky / (cap_x^2 kx).
    """
    if (zx / cap_x) ** 2 + (zy / cap_y) ** 2 <= 1.0:
        return zx, zy
    hx, hy = _sliding_direction(1.0, 1.0, cap_x, cap_y, ratio)
    t = 0.0
    for _ in range(50):
        ex, ey = zx / (cap_x * (1.0 + t * hx)), zy / (cap_y * (1.0 + t * hy))
        miss = ex * ex + ey * ey - 1.0
        slope = -2.0 * (ex * ex * hx / (1.0 + t * hx) + ey * ey * hy / (1.0 + t * hy))
        change = miss / slope
        t -= change  # miss falls and is convex in t: Newton from t = 0 never overshoots
        if abs(change) <= 1e-12 * (1.0 + t):
            break
    ex, ey = zx / (1.0 + t * hx), zy / (1.0 + t * hy)
    over = math.hypot(ex / cap_x, ey / cap_y)
    return ex / over, ey / over
