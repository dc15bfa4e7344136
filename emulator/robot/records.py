"""The rider's constants and its mind: two structured records."""

from __future__ import annotations

import numpy as np

HISTORY = 32
"""Rows of its own past the rider remembers, to meet late measurements where they belong."""
PAST_EVERY = 5
"""Control periods between two of them."""
N_ERROR = 17
"""Length of the estimator's error state."""

# What the rider reads from the bus, in the order of the ``seen`` vector.
SEEN = (
    "wheel_front_m_s",
    "wheel_rear_m_s",
    "rate_x_rad_s",
    "rate_y_rad_s",
    "rate_z_rad_s",
    "force_x_m_s2",
    "force_y_m_s2",
    "force_z_m_s2",
    "lean_rad",
    "steering_angle_rad",
    "steering_rate_rad_s",
    "engine_rad_s",
    "gear",
    "throttle",
    "state",
)
(
    Z_WHEEL_FRONT,
    Z_WHEEL_REAR,
    Z_P,
    Z_Q,
    Z_R,
    Z_FX,
    Z_FY,
    Z_FZ,
    Z_LEAN,
    Z_STEER,
    Z_STEER_RATE,
    Z_ENGINE,
    Z_GEAR,
    Z_THROTTLE,
    Z_STATE,
) = range(len(SEEN))

KNOWN_DTYPE = np.dtype(
    [
        ("mass", np.float64),  # bike and robot [kg]
        ("gravity", np.float64),
        ("drag_area", np.float64),
        ("rolling", np.float64),
        ("front_radius", np.float64),  # nominal, as the wheel-speed signal uses it
        ("front_crown", np.float64),
        ("rear_radius", np.float64),
        ("rear_crown", np.float64),
        ("front_gain", np.float64),  # brakes [N m/Pa]
        ("rear_gain", np.float64),
        ("primary", np.float64),
        ("final", np.float64),
        ("gears", np.float64, (7,)),  # by number, 0 unused
        ("up_rate", np.float64),  # [rad/s] engine speeds to change gear at
        ("down_rate", np.float64),
        ("cut_from", np.float64),  # [rad/s] engine speed from which a quickshifter cuts; inf: none
        ("engine_inertia", np.float64),
        ("most_acceleration", np.float64),  # [m/s^2] it asks for to get back to its target speed
        ("most_braking", np.float64),
        ("rear_share", np.float64),  # of the braking
        ("throttle_lag", np.float64),  # [s] of the rig's actuator
        ("wheel_inertia", np.float64),  # both wheels over radius squared [kg]
        ("antenna", np.float64, (3,)),  # [m] places in the main frame
        ("imu", np.float64, (3,)),
        ("imu_axes", np.float64, (9,)),  # R_BS, row by row
        ("imu_age", np.float64),  # [s] ages on arrival, lags of the sensors included
        ("lean_age", np.float64),
        ("wheel_age", np.float64),
        ("fast", np.int64),  # 1: near what the vehicle can do
        ("front_share", np.float64),  # of the weight, standing
        ("height", np.float64),  # of the centre of mass [m]
        ("transfer", np.float64),  # height of the centre of mass over the wheelbase
        ("front_inertia", np.float64),  # a wheel's over its radius squared [kg]
        ("rear_inertia", np.float64),
        ("brake_arm", np.float64),  # [m] steering torque of a front brake's force, over sin(roll)
        ("by_angle", np.int64),  # 1: it steers by the fork's angle, 0: by torque
        ("command_limit", np.float64),  # [rad] or [N m]
    ]
)

MIND_DTYPE = np.dtype(
    [
        ("steps", np.int64),
        ("started", np.int64),  # 1 once it has seen the bench running
        ("riding_steps", np.int64),
        ("emergency", np.int64),  # 0, or why: see rider.EMERGENCIES
        ("emergency_steps", np.int64),  # ridden before it
        # estimate: same point and axes as truth
        ("x", np.float64),
        ("y", np.float64),
        ("z", np.float64),
        ("heading", np.float64),
        ("speed", np.float64),
        ("roll", np.float64),
        ("pitch", np.float64),
        ("roll_rate", np.float64),  # body x
        ("yaw_rate", np.float64),  # body z
        ("steer", np.float64),
        ("steer_rate", np.float64),
        # what emulator.robot.estimator keeps of it: the inertial unit's place in W and its errors
        ("position", np.float64, (3,)),
        ("velocity", np.float64, (3,)),
        ("attitude", np.float64, (9,)),  # R_WB, row by row
        ("bias_rate", np.float64, (3,)),
        ("bias_force", np.float64, (3,)),
        ("scale", np.float64, (2,)),  # error of the front and the rear wheel's speed
        ("rate", np.float64, (3,)),  # newest, bias taken off
        ("force", np.float64, (3,)),  # newest, in W; while standing the mean, in B
        ("covariance", np.float64, (N_ERROR, N_ERROR)),
        ("by_attitude", np.float64, (3, 3)),  # what a step of the covariance adds to velocity, and
        ("by_bias", np.float64, (3, 3)),  # to velocity and attitude
        ("scratch", np.float64, (N_ERROR, N_ERROR)),
        ("row", np.float64, (N_ERROR,)),
        ("gain", np.float64, (N_ERROR,)),
        ("found", np.float64, (N_ERROR,)),
        ("then", np.float64, (15,)),
        ("past", np.float64, (15, HISTORY)),  # place, velocity, attitude; a column a moment
        ("past_age", np.float64, (HISTORY,)),  # [s] of each, for a correction
        ("ridden", np.int64),  # control periods integrated
        ("still", np.int64),  # control periods it stood before
        ("wheel_ok", np.int64),
        ("gnss_at", np.int64),  # control period of the last epoch, its quality, and what is made of it
        ("gnss_quality", np.int64),
        ("gnss_faith", np.int64),
        ("gnss_off", np.float64),  # [m] of the last epoch from where the rider thinks it is
        ("gnss_square", np.float64),  # [1] the same, squared over its covariance
        ("doubted_at", np.int64),
        ("doubted_off", np.float64),  # [m] most of it since
        # path
        ("station", np.float64),
        ("offset", np.float64),
        ("path_integral", np.float64),
        ("roll_target", np.float64),
        ("roll_target_rate", np.float64),
        ("roll_integral", np.float64),
        # speed
        ("target", np.float64),
        ("speed_integral", np.float64),
        ("wanted", np.float64),  # [m/s^2] acceleration asked of engine and brakes
        ("throttle_asked", np.float64),  # the most it may still be open, after what was asked
        ("surplus", np.float64),  # [m/s^2] acceleration beyond the wanted one, a mean
        ("sticking_steps", np.int64),
        ("gear", np.int64),
        ("shift_phase", np.int64),
        ("shift_steps", np.int64),
        ("launch_steps", np.int64),
        # outputs
        ("command", np.float64),  # of the steering: torque or angle
        ("throttle", np.float64),
        ("front_brake", np.float64),
        ("rear_brake", np.float64),
        ("clutch", np.float64),
        ("heartbeat", np.float64),
    ]
)
