"""The rig's numbers and the run's state as two structured records that compiled code reads and writes."""

from __future__ import annotations

import numpy as np

from emulator.core.signals import ANALOGUE, OUTPUTS, SIGNALS
from emulator.plant.outputs import N_SENSES
from emulator.plant.plausibility import N_MONITORS
from emulator.plant.states import N_PERMISSIVES
from emulator.sensors.analogue import Analogue
from emulator.sensors.gnss import QUALITIES, Accuracy
from emulator.sensors.gnss_fix import RANKS
from emulator.sensors.sampling import MOST_VALUES
from emulator.vehicle.state import N_U, N_X

V3 = (3,)

RIG_DTYPE = np.dtype(
    [
        # sensors: places in the main frame [m], noise, lags
        ("imu_position", np.float64, V3),
        ("lean_sigma", np.float64),  # [rad]
        ("lean_gain", np.float64),  # 1 - exp(-tick/time constant)
        ("lean_computed", np.int64),  # 1: from gyros and accelerometers of its own, below; 0: the true roll
        ("lean_position", np.float64, V3),
        ("lean_axes", np.float64, (9,)),  # R_BS of its axes S, row by row
        ("lean_rate_sigma", np.float64),  # [rad/s] of a tick
        ("lean_rate_bias", np.float64, V3),
        ("lean_force_sigma", np.float64),  # [m/s^2] of a tick
        ("lean_force_bias", np.float64, V3),
        ("lean_pull", np.float64),  # to its reference: 1 - exp(-tick/time constant)
        ("lean_radius", np.float64),  # [m] what it was told of the front tyre
        ("lean_crown", np.float64),
        ("wheel_sigma", np.float64),  # [m/s]
        ("wheel_lowest", np.float64),  # [m/s]
        ("fork_sigma", np.float64),  # [rad]
        ("analogue", np.float64, (len(ANALOGUE), len(Analogue._fields))),
        ("analogue_at_rest", np.float64, (len(ANALOGUE),)),  # what they show of a bike standing still
        ("antenna_position", np.float64, V3),
        ("gnss_errors", np.float64, (QUALITIES, len(Accuracy._fields))),  # by quality
        ("gnss_course_sigma", np.float64),  # [rad] besides that of the velocity
        ("gnss_course_from", np.float64),  # [m/s]
        ("gnss_fix", np.float64),  # quality as in GGA
        ("gnss_best", np.int64),  # the same as a rank (sensors.fix): the best this receiver gets
        ("gnss_ladder", np.int64, (len(RANKS),)),  # [ticks] after a loss until it has a fix of each rank
        ("gnss_satellites", np.int64),  # in use when nothing is in the way
        # actuators: gains 1 - exp(-tick/time constant), limits
        ("steer_gain", np.float64),
        ("steer_limit", np.float64),  # [N m]
        ("steer_step", np.float64),  # [N m] most it changes in a tick
        ("throttle_gain", np.float64),
        ("front_brake_gain", np.float64),
        ("front_brake_limit", np.float64),  # [Pa]
        ("rear_brake_gain", np.float64),
        ("rear_brake_limit", np.float64),
        ("clutch_gain", np.float64),
        ("angle_driven", np.int64),  # 1: the fork's measured angle is imposed
        ("fork_stands_in", np.int64),  # 1: of a stand-in, which follows the robot's angle; below
        ("fork_gain", np.float64),
        ("fork_step", np.float64),  # [rad] most it turns in a tick
        ("fork_limit", np.float64),  # [rad] to either side
        ("fork_resolution", np.float64),  # [rad] step of its angle sensor; 0: none
        ("reaction_limit", np.float64),  # [N m] most that is sent to a load motor
        # limits
        ("heartbeat_ticks", np.int64),
        ("command_ticks", np.int64),
        ("ramp_ticks", np.int64),
        ("arming_ticks", np.int64),
        ("permissives", np.int64),  # mask of the inputs that are asked for
        ("permissive_ticks", np.int64),  # how long one is fresh
        ("monitor_ticks", np.int64, (N_MONITORS,)),  # how long each may be beyond its bound; 0: not watched
        ("monitor_bound", np.float64, (N_MONITORS,)),  # [rad], [m/s]; limits of commands stand above
        ("monitor_trips", np.int64, (N_MONITORS,)),  # 0: only told
        ("divergence_speed", np.float64),  # [m/s]
        ("divergence_rate", np.float64),  # [rad/s]
        ("samples_wait", np.int64),  # 1: what is measured in a tick changes nothing of the frames sent in it
        # scenario
        ("tow_acceleration", np.float64),
        ("release_speed", np.float64),  # [m/s], or
        ("release_tick", np.int64),
        ("catch_speed", np.float64),  # [m/s] below it the support catches the bike; -inf: never
        ("let_go_speed", np.float64),  # [m/s] at which it lets go of it again
        ("start_station", np.float64),
        ("finish_station", np.float64),
        ("limit_ticks", np.int64),
        ("wind_x", np.float64),  # steady part
        ("wind_y", np.float64),
        ("half_width", np.float64),  # [m] of the road
        ("heading", np.float64),  # of the start [rad]
    ]
)

RUN_DTYPE = np.dtype(
    [
        ("tick", np.int64),  # since the loop began
        ("start_tick", np.int64),  # tick the ride starts at; 0 unknown
        ("scenario_tick", np.int64),
        ("state", np.int64),
        ("reported_state", np.int64),  # state last told in an event
        ("trip_reason", np.int64),  # 0 again once acknowledged
        ("trip_missing", np.int64),  # permissives missing when it tripped
        ("end_reason", np.int64),
        ("end_trip", np.int64),  # trip reason that ended the ride
        ("arm_requested", np.int64),  # tick of the request + 1
        ("enable", np.int64),  # the bench's button: NOT_AWAITED, AWAITED or PRESSED
        ("enable_released", np.int64),  # tick it last said released, while awaited, + 1; 0 not since
        ("hold", np.int64),  # who keeps the ride from starting: 1 at the bench, 2 from afar, 3 both
        ("hold_told", np.int64),
        ("permit", np.int64, (N_PERMISSIVES,)),  # tick an input was given + 1, minus that withdrawn, 0 never
        ("missing", np.int64),  # mask of permissives asked for and not given
        ("missing_told", np.int64),
        ("beyond", np.int64, (N_MONITORS,)),  # ticks in a row beyond its bound
        ("ramp_start", np.int64),
        ("finished", np.int64),
        ("heartbeat_value", np.float64),
        ("heartbeat_tick", np.int64),  # last tick the counter moved; -1 never
        ("steering_tick", np.int64),  # last valid steering frame; -1 never
        ("drive_tick", np.int64),
        ("gear", np.int64),
        ("gear_target", np.int64),
        ("shift_left", np.float64),  # [s]
        ("shift_effect", np.int64),  # of the gearbox event that is active + 1; 0 none
        ("shift_ends_neutral", np.int64),  # 1: the change that is under way finds no gear
        ("shift_refused", np.int64),  # request that failed; another one has to come first. -1 none
        ("support", np.int64),  # FREE, HELD at the start or CAUGHT
        ("fallen_tick", np.int64),  # -1 up
        ("still_ticks", np.int64),  # how long it has lain still
        ("fall_over", np.int64),  # 1: the fall has been played out
        # what emulator.plant.fall_causes remembers; tyres rear, front
        ("slide_start", np.int64, (2,)),  # scenario tick
        ("slide_end", np.int64, (2,)),  # last tick of it; far back: never
        ("slide_roll", np.float64, (2,)),  # roll when it began [rad]
        ("airborne", np.int64, (2,)),  # ticks without load
        ("peg", np.int64),  # ticks until another touch of a peg is told
        ("off_road", np.int64),
        ("stalled", np.int64),
        ("station", np.float64),  # laps added up
        ("offset", np.float64),
        ("lap", np.int64),
        # [rad/s^2], [m/s^2] rates of angular velocity and velocity while the physics stands still: 0, or
        # those of a motion that is put on the bike
        ("imposed_rates", np.float64, (6,)),
        ("fork_angle", np.float64),  # [rad] that is imposed, as measured
        ("lean_filter", np.float64),
        ("lean_begun", np.int64),  # 0: a computed lean begins afresh with the next tick
        ("lean_estimate", np.float64),
        ("lean_rate", np.float64),  # [rad/s] measured in the tick before
        ("analogue", np.float64, (len(ANALOGUE),)),  # lagged values; NaN: begin at the true ones
        ("heartbeat_out", np.float64),
        ("diverged", np.int64),
        ("stood", np.int64),  # 1: the bike's scratch still has the truth of memory.stood_x and stood_u
        ("events_active", np.float64),
        ("bus_faulty", np.int64),  # 1: an event disturbs the bus
        ("bus_off", np.int64),  # 1: our controller is off the bus, by an event
        ("overload_owed", np.float64),  # [ns] of the bus that an overload has still to take
        ("overload_id", np.int64),
        ("overload_frame_ns", np.int64),  # what each of its frames takes
        ("dark", np.int64),  # mask of sensors without power (events.power_faults.DEVICES)
        ("woken", np.int64),  # mask of those that have it again from this tick on
        ("gnss_stale", np.int64),  # 1: the receiver says its last epoch again
        ("gnss_reported_ns", np.int64),  # time of validity it says, loop's time; NEVER: said nothing yet
        ("gnss_time_shift_ns", np.int64),  # how wrong its clock is
        ("gnss_drift", np.float64, V3),  # slow part of its position error, unit variance
        ("gnss_drift_ns", np.int64),  # loop's time it was last moved at; -1: begins with the next epoch
        ("gnss_progress", np.int64),  # [ticks] on the way back after a loss
        ("gnss_rank", np.int64),  # fix in use
        ("gnss_in_use", np.int64),  # satellites
        ("gnss_ready", np.int64),  # 1: an epoch leaves its delay line; 2: a burst held back is due; 3: both
        ("gnss_held_tick", np.int64),  # tick from which the burst held back longest is due
        ("wire_free_ns", np.int64),  # when a bus with nobody else on it is done with our frames, loop's time
        ("gnss_due_ns", np.int64),
        ("gnss_valid_ns", np.int64),
    ]
)

MOST_EVENTS = 64

MEMORY_DTYPE = np.dtype(
    [
        ("senses", np.float64, (N_SENSES,)),  # clean, before noise
        ("held", np.float64, (N_SENSES,)),  # the last ones of the ride, held while going to rest
        ("values", np.float64, (len(OUTPUTS),)),  # output values last measured
        ("gnss", np.float64, (len(OUTPUTS),)),  # of the epoch that is due, while run.gnss_ready is odd
        ("payload", np.float64, (MOST_VALUES,)),
        ("stood_x", np.float64, (N_X,)),  # state and inputs that a bike standing by was last derived of
        ("stood_u", np.float64, (N_U,)),
        ("row_of", np.int64, (len(OUTPUTS),)),  # column of ``row`` a value is recorded in; -1 none
        ("row", np.float64, (len(SIGNALS),)),
        ("event_count", np.int64),  # events of this tick, in the three columns below
        ("code", np.int64, (MOST_EVENTS,)),
        ("index", np.int64, (MOST_EVENTS,)),
        ("value", np.float64, (MOST_EVENTS,)),
    ]
)
