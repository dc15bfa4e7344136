"""What becomes of the grip's throttle: a valve that a motor moves, and units that take some of it away.

Both units let a share of the throttle through that falls as fast as its cause is beyond what they allow, and
comes back as fast as there is room: an integrating controller with a limit. What they take away is torque: a
spark left out and a valve shut act alike here, a dead time later.

Traction control goes by the rear wheel's speed over the front's, ahead of it by the lags it has of its own:
beyond its peak a tyre gives a spinning wheel nothing to hold on to, so that slip there integrates what the
throttle has too much, and the share integrates slip. Two integrators with a dead time swing. Less is allowed
the more the bike leans, by the friction ellipse. Wheelie control goes by the specific force in the bike's own
axes, which points at the rear contact just as the front wheel leaves the road, and looks ahead by the pitch
rate.

Source: traction control by the ratio of wheel speeds: M. Tanelli, C. Vecchio, M. Corno, A. Ferrara and S. M.
Savaresi, IEEE Trans. Control Systems Technology 17 (2009), from memory. What is done with lean and lift: own,
from the mechanics. Valve: common practice, no source.
"""

from __future__ import annotations

import math

from emulator.core.compiled import Record, jit
from emulator.core.signals import TRACTION, WHEELIE
from emulator.vehicle.electronics.wheel_speeds import FRONT, REAR, along

_LEAD = 0.1  # [s] by which the pitch rate looks ahead
_LEAST_FORCE = 3.0  # [m/s^2] upward, below which the bike flies and its share says nothing
_HASTE = 4.0  # how far beyond what is allowed counts


@jit
def move_valve(b: Record, grip: float, dt: float) -> float:
    """Opening 0..1 of the valve of a ride-by-wire for the grip's 0..1; one tick."""
    if not math.isnan(b.stuck_at):
        b.valve = min(1.0, max(0.0, b.stuck_at))
        return float(b.valve)
    wanted = min(b.limp, b.most_opening * max(0.0, grip) ** b.exponent)
    change = b.valve_gain * (wanted - b.valve)
    b.valve += min(b.opening_rate * dt, max(-b.closing_rate * dt, change))
    b.valve = min(1.0, max(0.0, b.valve))
    return float(b.valve)


@jit
def _let_through(
    share: float, beyond: float, opening: float, cut_rate: float, return_rate: float, dt: float
) -> float:
    """What a unit lets through after this tick; ``beyond``: how far its cause is over what it allows."""
    if beyond > 0.0:
        return max(0.0, min(share, opening) - cut_rate * min(beyond, _HASTE) * dt)
    return min(1.0, share + return_rate * min(1.0, -4.0 * beyond) * dt)


@jit
def hold_traction(b: Record, opening: float, dt: float) -> None:
    """Share of the throttle into ``b.traction_share``, by the wheels' speeds of this tick."""
    front = b.speed[FRONT]
    if b.failed != 0 or b.off[TRACTION] != 0 or front < b.lowest_speed:
        b.traction_share = 1.0
        return
    allowed = b.traction_slip * max(0.1, along(b.full_lean, b.tilt))
    to_come = b.speed[REAR] + b.traction_lead * (b.rate[REAR] - b.rate[FRONT])
    beyond = (to_come / front - 1.0) / allowed - 1.0
    b.traction_share = _let_through(
        b.traction_share, beyond, opening, b.traction_cut_rate, b.traction_return_rate, dt
    )


@jit
def hold_front_down(
    b: Record, opening: float, felt_ahead: float, felt_up: float, pitch_rate: float, dt: float
) -> None:
    """Share of the throttle into ``b.wheelie_share``.

    felt  [m/s^2] specific force ahead and upward, pitch_rate [rad/s] nose down; NaN: nothing is taken away
    """
    if b.off[WHEELIE] != 0 or not felt_up > _LEAST_FORCE or math.isnan(felt_ahead):
        b.wheelie_share = 1.0
        return
    turning = 0.0 if math.isnan(pitch_rate) else pitch_rate
    beyond = (felt_ahead / felt_up - _LEAD * turning) / b.wheelie_lift_share - 1.0
    b.wheelie_share = _let_through(
        b.wheelie_share, beyond, opening, b.wheelie_cut_rate, b.wheelie_return_rate, dt
    )


@jit
def through(b: Record, opening: float) -> float:
    """Throttle 0..1 the engine gets of this opening: what both units let through, their dead times ago."""
    now = b.share_at = (b.share_at + 1) % b.shares.shape[1]
    b.shares[0, now], b.shares[1, now] = b.traction_share, b.wheelie_share
    size = b.shares.shape[1]
    traction = b.shares[0, (now - b.traction_dead_ticks) % size]
    wheelie = b.shares[1, (now - b.wheelie_dead_ticks) % size]
    return min(opening, traction, wheelie)
