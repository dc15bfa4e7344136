"""The rubber of a tyre: how its friction falls with load and off its best temperature, and how it warms.

Friction falls with the load as the magic formula's p_D1 + p_D2 df_z (H. B. Pacejka, *Tyre and Vehicle
Dynamics*, chapter 4, from memory), held from three times the nominal load N_0 on, which only impacts reach.
It falls to either side of the temperature it is best at, near there as a parabola (as A. J. Tremlett and
D. J. N. Limebeer, Vehicle System Dynamics 54 (2016) have it; from memory) that stays above zero::

    mu = mu_0 (1 - n (N / N_0 - 1)) / (1 + (T / W)^2)

T is the tread's temperature over that best one, W the distance at which half of the friction is left. The
tread is one lump. The power of friction goes into it and into the road, what rolling costs into it alone; it
cools by the air, more so as it turns, and by the road it presses on (sources and sinks of heat as F. Farroni,
N. Mancinelli and F. Timpone, Applied Sciences 10 (2020), name them for motorcycles)::

    C dT/dt = share P + P_roll - (h_0 + h_1 |V| + h_2 N / N_0) (T + T_best)

T_best is over the air; the road is as warm as the air. A tread that the vehicle's file leaves out has a
constant friction: n is zero, W and C are infinite.
"""

from __future__ import annotations

from emulator.core.compiled import Record, jit

_MOST_LOAD = 3.0  # over the nominal one, up to which friction falls


@jit
def friction_left(p: Record, load: float, warmth: float) -> float:
    """Friction of a sticking tyre [1] over that of its record.

    p       record of TYRE_DTYPE
    load    [N]
    warmth  [K] of the tread, over the temperature it grips best at
    """
    off = warmth / p.tread_temperature_width
    by_load = 1.0 - p.tread_friction_per_load * (min(load / p.tread_nominal_load, _MOST_LOAD) - 1.0)
    return by_load / (1.0 + off * off)


@jit
def warming(p: Record, warmth: float, rubbing: float, rolling: float, speed: float, load: float) -> float:
    """Rate of the tread's temperature [K/s].

    warmth   [K]    over the temperature it grips best at
    rubbing  [W]    power of the contact's friction
    rolling  [W]    power of the rolling resistance
    speed    [m/s]  at which the tread runs
    load     [N]
    """
    cooling = p.tread_cooling + p.tread_cooling_per_speed * abs(speed)
    cooling += p.tread_road_cooling * load / p.tread_nominal_load
    lost = cooling * (warmth + p.tread_best_temperature)
    return (p.tread_heat_share * rubbing + rolling - lost) / p.tread_heat_capacity
