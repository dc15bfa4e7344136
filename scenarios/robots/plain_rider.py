"""A small robot of one's own: balance, heading, speed, start and gears for the demo vehicle.

From decoded values it rides straight on, or a circle to the left that begins where it stands (settings:
speed_km_h, radius_m; 0: straight).
plain_rider.c is the same in C, operation by operation, so that both give the same numbers.
Gains: worked out for demo_racer.yaml with the emulator's own linear-quadratic design; the rest by trial.
"""

import math

STEP = 0.002  # [s] control period
RUNNING = 2.0  # value of "state"
SPEEDS = (3.0, 5.0, 8.5, 15.0, 20.0, 27.0)  # [m/s] rows of GAINS
GAINS = (  # [N m] per rad of roll, steer; per rad/s of roll rate, yaw rate, steering rate
    (664.0, 165.0, 124.0, -32.0, 10.3),
    (632.0, 200.0, 106.0, -6.0, 11.7),
    (607.0, 229.0, 88.0, 18.0, 13.0),
    (587.0, 240.0, 69.0, 38.0, 13.9),
    (579.0, 239.0, 58.5, 45.0, 14.2),
    (572.0, 253.0, 48.0, 49.0, 15.1),
)
ROLL_STEP = 0.08726646259971647  # [rad] between two of LATERAL, 5 degrees
LATERAL = (0.0, 0.7367, 1.4835, 2.2509, 3.0505, 3.896, 4.8033, 5.7929, 6.89, 8.13)  # [m/s^2] at a roll
RATIOS = (0.0, 10.784, 8.592, 7.277, 6.356, 5.743, 5.304)  # engine over rear wheel by gear
RADIUS, CROWN = 0.318, 0.184  # [m] rear tyre; [1] of the front tyre's round section over its radius
ANTENNA_X, ANTENNA_Z, GNSS_AGE = 0.15, 1.05, 0.0637  # [m], [m], [s]
LAUNCH, SHIFT_WAIT, SHIFT_OUT = 400, 30, 40  # control periods
TWO_PI = 6.283185307179586
HEARD = (
    *(
        "rate_x_rad_s",
        "rate_y_rad_s",
        "rate_z_rad_s",
        "lean_rad",
        "steering_angle_rad",
        "steering_rate_rad_s",
    ),
    *("wheel_front_m_s", "engine_rad_s", "gear", "state", "gnss_x_m", "gnss_y_m", "gnss_course_rad"),
)


def within(value, low, high):
    """The value, or the bound that it is beyond."""
    return low if value < low else high if value > high else value


def wrapped(angle):
    """The same angle from -pi to pi."""
    return angle - TWO_PI * math.floor((angle + 0.5 * TWO_PI) / TWO_PI)


class PlainRider:
    """See the module."""

    name, version, wants = "plain rider", "1", "values"

    def begin(self, start):
        """Start afresh."""
        told = start.settings
        self.target = told.get("speed_km_h", 60.0) / 3.6
        self.radius = told.get("radius_m", 0.0)
        self.x0, self.y0, self.heading0 = start.start_east_m, start.start_north_m, start.start_heading_rad
        self.x, self.y, self.heading = self.x0, self.y0, self.heading0
        self.held = dict.fromkeys(HEARD, 0.0)
        self.bias_x = self.bias_y = self.bias_z = 0.0
        self.still = self.launch = self.shift = self.shift_steps = 0
        self.gear = 1
        self.fix_x = self.fix_y = 0.0
        self.roll = self.roll_target = self.roll_target_rate = self.roll_sum = 0.0
        self.path_sum = self.speed_sum = 0.0

    def act(self, moment):
        """A control period."""
        held = self.held
        for name, value in moment.values.items():
            if name in held and not math.isnan(value):
                held[name] = value
        p, q, r = held["rate_x_rad_s"], held["rate_y_rad_s"], held["rate_z_rad_s"]
        if held["state"] != RUNNING:
            self.still = self.still + 1 if self.still < 1000 else 1000
            share = 1.0 / self.still
            self.bias_x += share * (p - self.bias_x)
            self.bias_y += share * (q - self.bias_y)
            self.bias_z += share * (r - self.bias_z)
            return self.commands(0.0, 0.0, 1.0, 0.0, 0.0)
        p, q, r = p - self.bias_x, q - self.bias_y, r - self.bias_z
        speed = held["wheel_front_m_s"] * (1.0 - CROWN * (1.0 - math.cos(self.roll)))
        self.estimate(p, q, r, speed)
        offset, error, curvature = self.path()
        if speed > 8.0 and -1.5 < offset < 1.5:
            self.path_sum = within(self.path_sum + STEP * 0.1 * offset, -1.0, 1.0)
        back = -0.81 * (offset + self.path_sum) - 1.62 * speed * math.sin(error)
        torque = self.balance(speed, speed * speed * curvature + within(back, -3.0, 3.0), p, r)
        throttle, clutch = self.drive(speed)
        return self.commands(torque, throttle, clutch, offset, speed)

    def commands(self, torque, throttle, clutch, offset, speed):
        """What goes out."""
        values = {
            "steering_torque_Nm": torque,
            "throttle": throttle,
            "front_brake_Pa": 0.0,
            "rear_brake_Pa": 0.0,
            "clutch": clutch,
            "gear_request": float(self.gear),
            "estimate_x_m": self.x,
            "estimate_y_m": self.y,
            "estimate_heading_rad": self.heading,
            "estimate_roll_rad": self.roll,
            "estimate_speed_m_s": speed,
        }
        return {"values": values, "notes": {"offset_m": offset, "roll_target_rad": self.roll_target}}

    def estimate(self, p, q, r, speed):
        """Roll from the gyro, drawn to the lean sensor; place from speed and heading, drawn to the fixes."""
        held = self.held
        self.roll += STEP * (p + 0.7 * (held["lean_rad"] - self.roll))
        turn = q * math.sin(self.roll) + r * math.cos(self.roll)
        self.heading = wrapped(self.heading + STEP * turn)
        self.x += STEP * speed * math.cos(self.heading)
        self.y += STEP * speed * math.sin(self.heading)
        if held["gnss_x_m"] == self.fix_x and held["gnss_y_m"] == self.fix_y:
            return
        self.fix_x, self.fix_y = held["gnss_x_m"], held["gnss_y_m"]
        then = self.heading - 0.5 * GNSS_AGE * turn
        sine, cosine = math.sin(self.heading), math.cos(self.heading)
        aside = -ANTENNA_Z * math.sin(self.roll)
        x = self.fix_x + GNSS_AGE * speed * math.cos(then) - ANTENNA_X * cosine + aside * sine
        y = self.fix_y + GNSS_AGE * speed * math.sin(then) - ANTENNA_X * sine - aside * cosine
        self.x += 0.2 * (x - self.x)
        self.y += 0.2 * (y - self.y)
        if speed > 5.0:
            course = 0.25 * TWO_PI - held["gnss_course_rad"] + GNSS_AGE * turn
            self.heading = wrapped(self.heading + 0.05 * wrapped(course - self.heading))

    def path(self):
        """Offset [m] to the left of the path, heading against it [rad], its curvature [1/m]."""
        sine, cosine = math.sin(self.heading0), math.cos(self.heading0)
        if self.radius == 0.0:
            offset = cosine * (self.y - self.y0) - sine * (self.x - self.x0)
            return offset, wrapped(self.heading - self.heading0), 0.0
        dx = self.x - (self.x0 - self.radius * sine)
        dy = self.y - (self.y0 + self.radius * cosine)
        along = math.atan2(dy, dx) + 0.25 * TWO_PI
        return self.radius - math.sqrt(dx * dx + dy * dy), wrapped(self.heading - along), 1.0 / self.radius

    def balance(self, speed, lateral, p, r):
        """Steering torque [N m] for a lateral acceleration [m/s^2], left positive."""
        speed = speed if speed > SPEEDS[0] else SPEEDS[0]
        size = within(-lateral if lateral < 0.0 else lateral, 0.0, 7.5)
        j = 0
        while LATERAL[j + 1] < size:
            j += 1
        lean = ROLL_STEP * (j + (size - LATERAL[j]) / (LATERAL[j + 1] - LATERAL[j]))
        wanted = lean if lateral < 0.0 else -lean
        pull = 49.0 * (wanted - self.roll_target) - 14.0 * self.roll_target_rate
        self.roll_target_rate = within(self.roll_target_rate + STEP * pull, -1.3, 1.3)
        self.roll_target += STEP * self.roll_target_rate
        lean = -self.roll_target if self.roll_target < 0.0 else self.roll_target
        j = int(lean / ROLL_STEP)
        j = j if j < 8 else 8
        size = LATERAL[j] + (LATERAL[j + 1] - LATERAL[j]) * (lean / ROLL_STEP - j)
        turn = size if self.roll_target < 0.0 else -size
        i = 0
        while i < 4 and SPEEDS[i + 1] < speed:
            i += 1
        f = within((speed - SPEEDS[i]) / (SPEEDS[i + 1] - SPEEDS[i]), 0.0, 1.0)
        low, high = GAINS[i], GAINS[i + 1]
        error = self.roll - self.roll_target
        self.roll_sum = within(self.roll_sum + STEP * error, -0.1, 0.1)
        steer = self.held["steering_angle_rad"] - 1.48 * turn / (speed * speed)
        yaw = r - turn / speed * math.cos(self.roll_target)
        torque = 0.7 * turn if speed > 8.0 else 0.0
        torque -= (low[0] + f * (high[0] - low[0])) * (error + 1.0 * self.roll_sum)
        torque -= (low[1] + f * (high[1] - low[1])) * steer
        torque -= (low[2] + f * (high[2] - low[2])) * (p - self.roll_target_rate)
        torque -= (low[3] + f * (high[3] - low[3])) * yaw
        torque -= (low[4] + f * (high[4] - low[4])) * self.held["steering_rate_rad_s"]
        return within(torque, -200.0, 200.0)

    def drive(self, speed):
        """Throttle and clutch lever; changes gear."""
        engine, wheel = self.held["engine_rad_s"], speed / RADIUS
        if self.launch < LAUNCH:
            if speed < 2.6:
                return within(0.02 + 0.004 * (260.0 - engine), 0.0, 0.4), 1.0
            self.launch += 1
            throttle = within(0.05 + 0.004 * (260.0 - engine), 0.0, 0.4)
            return throttle, 0.8 * (1.0 - self.launch / LAUNCH)
        turning = wheel * RATIOS[self.gear]
        if self.shift == 0:
            if turning > 500.0 and self.gear < 6:
                self.gear, self.shift, self.shift_steps = self.gear + 1, 1, 0
            elif turning < 230.0 and self.gear > 1:
                self.gear, self.shift, self.shift_steps = self.gear - 1, 1, 0
        if self.shift == 1:  # part, and wait for the box
            self.shift_steps += 1
            if self.shift_steps >= SHIFT_WAIT and (self.held["gear"] == self.gear or self.shift_steps > 500):
                self.shift, self.shift_steps = 2, 0
            return within(0.02 + 0.004 * (wheel * RATIOS[self.gear] - engine), 0.0, 0.6), 1.0
        clutch = 0.0
        if self.shift == 2:  # engage
            self.shift_steps += 1
            clutch = 1.0 - self.shift_steps / SHIFT_OUT
            if self.shift_steps >= SHIFT_OUT:
                self.shift = 0
        error = within(self.target - speed, -3.0, 3.0)
        if -1.0 < error < 1.0:
            self.speed_sum = within(self.speed_sum + STEP * 0.05 * error, -0.2, 0.4)
        return within(0.1 + 0.15 * error + self.speed_sum, 0.0, 1.0), clutch
