/* See plain_rider.h. Compile without -ffast-math and with -ffp-contract=off, or the numbers are not those of Python. */
#include "plain_rider.h"

#include <math.h>
#include <string.h>

#define STEP 0.002    /* [s] control period */
#define RUNNING 2.0   /* value of state */
#define TWO_PI 6.283185307179586
#define ROLL_STEP 0.08726646259971647 /* [rad] between two of lateral_at, 5 degrees */
#define RADIUS 0.318  /* [m] rear tyre */
#define CROWN 0.184   /* [1] of the front tyre's round section over its radius */
#define ANTENNA_X 0.15
#define ANTENNA_Z 1.05
#define GNSS_AGE 0.0637
#define LAUNCH 400
#define SHIFT_WAIT 30
#define SHIFT_OUT 40

const char *const heard_names[HEARD] = {
    "rate_x_rad_s", "rate_y_rad_s", "rate_z_rad_s", "lean_rad", "steering_angle_rad", "steering_rate_rad_s",
    "wheel_front_m_s", "engine_rad_s", "gear", "state", "gnss_x_m", "gnss_y_m", "gnss_course_rad"};
const char *const command_names[COMMANDS] = {
    "steering_torque_Nm", "throttle", "front_brake_Pa", "rear_brake_Pa", "clutch", "gear_request",
    "estimate_x_m", "estimate_y_m", "estimate_heading_rad", "estimate_roll_rad", "estimate_speed_m_s"};
const char *const note_names[NOTES] = {"offset_m", "roll_target_rad"};

static const double speeds[] = {3.0, 5.0, 8.5, 15.0, 20.0, 27.0}; /* [m/s] rows of gains */
static const double gains[][5] = {
    {664.0, 165.0, 124.0, -32.0, 10.3}, {632.0, 200.0, 106.0, -6.0, 11.7}, {607.0, 229.0, 88.0, 18.0, 13.0},
    {587.0, 240.0, 69.0, 38.0, 13.9},   {579.0, 239.0, 58.5, 45.0, 14.2},  {572.0, 253.0, 48.0, 49.0, 15.1}};
static const double lateral_at[] = {0.0, 0.7367, 1.4835, 2.2509, 3.0505, 3.896, 4.8033, 5.7929, 6.89, 8.13};
static const double ratios[] = {0.0, 10.784, 8.592, 7.277, 6.356, 5.743, 5.304};

static double within(double value, double low, double high) {
    return value < low ? low : value > high ? high : value;
}

static double wrapped(double angle) { return angle - TWO_PI * floor((angle + 0.5 * TWO_PI) / TWO_PI); }

static void commands(struct rider *r, double torque, double throttle, double clutch, double offset, double speed) {
    double *c = r->commands;
    c[TORQUE] = torque, c[THROTTLE] = throttle, c[FRONT_BRAKE] = 0.0, c[REAR_BRAKE] = 0.0;
    c[CLUTCH] = clutch, c[GEAR_REQUEST] = r->gear;
    c[X] = r->x, c[Y] = r->y, c[HEADING] = r->heading, c[ROLL] = r->roll, c[SPEED] = speed;
    r->notes[OFFSET] = offset, r->notes[ROLL_TARGET] = r->roll_target;
}

void rider_begin(struct rider *r, double speed_km_h, double radius_m, double x, double y, double heading) {
    memset(r, 0, sizeof *r);
    r->target = speed_km_h / 3.6;
    r->radius = radius_m;
    r->x0 = r->x = x, r->y0 = r->y = y, r->heading0 = r->heading = heading;
    r->gear = 1;
}

static void estimate(struct rider *r, double p, double q, double yaw, double speed) {
    const double *h = r->heard;
    r->roll += STEP * (p + 0.7 * (h[LEAN] - r->roll));
    double turn = q * sin(r->roll) + yaw * cos(r->roll);
    r->heading = wrapped(r->heading + STEP * turn);
    r->x += STEP * speed * cos(r->heading);
    r->y += STEP * speed * sin(r->heading);
    if (h[GNSS_X] == r->fix_x && h[GNSS_Y] == r->fix_y) return;
    r->fix_x = h[GNSS_X], r->fix_y = h[GNSS_Y];
    double then = r->heading - 0.5 * GNSS_AGE * turn;
    double sine = sin(r->heading), cosine = cos(r->heading);
    double aside = -ANTENNA_Z * sin(r->roll);
    double x = r->fix_x + GNSS_AGE * speed * cos(then) - ANTENNA_X * cosine + aside * sine;
    double y = r->fix_y + GNSS_AGE * speed * sin(then) - ANTENNA_X * sine - aside * cosine;
    r->x += 0.2 * (x - r->x);
    r->y += 0.2 * (y - r->y);
    if (speed > 5.0) {
        double course = 0.25 * TWO_PI - h[COURSE] + GNSS_AGE * turn;
        r->heading = wrapped(r->heading + 0.05 * wrapped(course - r->heading));
    }
}

static double path(const struct rider *r, double *error, double *curvature) {
    double sine = sin(r->heading0), cosine = cos(r->heading0);
    if (r->radius == 0.0) {
        *error = wrapped(r->heading - r->heading0), *curvature = 0.0;
        return cosine * (r->y - r->y0) - sine * (r->x - r->x0);
    }
    double dx = r->x - (r->x0 - r->radius * sine), dy = r->y - (r->y0 + r->radius * cosine);
    double along = atan2(dy, dx) + 0.25 * TWO_PI;
    *error = wrapped(r->heading - along), *curvature = 1.0 / r->radius;
    return r->radius - sqrt(dx * dx + dy * dy);
}

static double balance(struct rider *r, double speed, double lateral, double p, double yaw_rate) {
    const double *h = r->heard;
    speed = speed > speeds[0] ? speed : speeds[0];
    double size = within(lateral < 0.0 ? -lateral : lateral, 0.0, 7.5);
    int i = 0, j = 0;
    while (lateral_at[j + 1] < size) j++;
    double lean = ROLL_STEP * (j + (size - lateral_at[j]) / (lateral_at[j + 1] - lateral_at[j]));
    double wanted = lateral < 0.0 ? lean : -lean;
    double pull = 49.0 * (wanted - r->roll_target) - 14.0 * r->roll_target_rate;
    r->roll_target_rate = within(r->roll_target_rate + STEP * pull, -1.3, 1.3);
    r->roll_target += STEP * r->roll_target_rate;
    lean = r->roll_target < 0.0 ? -r->roll_target : r->roll_target;
    j = (int)(lean / ROLL_STEP);
    j = j < 8 ? j : 8;
    size = lateral_at[j] + (lateral_at[j + 1] - lateral_at[j]) * (lean / ROLL_STEP - j);
    double turn = r->roll_target < 0.0 ? size : -size;
    while (i < 4 && speeds[i + 1] < speed) i++;
    double f = within((speed - speeds[i]) / (speeds[i + 1] - speeds[i]), 0.0, 1.0);
    const double *low = gains[i], *high = gains[i + 1];
    double error = r->roll - r->roll_target;
    r->roll_sum = within(r->roll_sum + STEP * error, -0.1, 0.1);
    double steer = h[STEER] - 1.48 * turn / (speed * speed);
    double yaw = yaw_rate - turn / speed * cos(r->roll_target);
    double torque = speed > 8.0 ? 0.7 * turn : 0.0;
    torque -= (low[0] + f * (high[0] - low[0])) * (error + 1.0 * r->roll_sum);
    torque -= (low[1] + f * (high[1] - low[1])) * steer;
    torque -= (low[2] + f * (high[2] - low[2])) * (p - r->roll_target_rate);
    torque -= (low[3] + f * (high[3] - low[3])) * yaw;
    torque -= (low[4] + f * (high[4] - low[4])) * h[STEER_RATE];
    return within(torque, -200.0, 200.0);
}

static double drive(struct rider *r, double speed, double *clutch) {
    double engine = r->heard[ENGINE], wheel = speed / RADIUS;
    *clutch = 1.0;
    if (r->launch < LAUNCH) {
        if (speed < 2.6) return within(0.02 + 0.004 * (260.0 - engine), 0.0, 0.4);
        r->launch++;
        *clutch = 0.8 * (1.0 - (double)r->launch / LAUNCH);
        return within(0.05 + 0.004 * (260.0 - engine), 0.0, 0.4);
    }
    double turning = wheel * ratios[r->gear];
    if (r->shift == 0) {
        if (turning > 500.0 && r->gear < 6) r->gear++, r->shift = 1, r->shift_steps = 0;
        else if (turning < 230.0 && r->gear > 1) r->gear--, r->shift = 1, r->shift_steps = 0;
    }
    if (r->shift == 1) { /* part, and wait for the box */
        r->shift_steps++;
        if (r->shift_steps >= SHIFT_WAIT && (r->heard[GEAR] == r->gear || r->shift_steps > 500))
            r->shift = 2, r->shift_steps = 0;
        return within(0.02 + 0.004 * (wheel * ratios[r->gear] - engine), 0.0, 0.6);
    }
    *clutch = 0.0;
    if (r->shift == 2) { /* engage */
        r->shift_steps++;
        *clutch = 1.0 - (double)r->shift_steps / SHIFT_OUT;
        if (r->shift_steps >= SHIFT_OUT) r->shift = 0;
    }
    double error = within(r->target - speed, -3.0, 3.0);
    if (-1.0 < error && error < 1.0) r->speed_sum = within(r->speed_sum + STEP * 0.05 * error, -0.2, 0.4);
    return within(0.1 + 0.15 * error + r->speed_sum, 0.0, 1.0);
}

void rider_act(struct rider *r) {
    const double *h = r->heard;
    double p = h[RATE_X], q = h[RATE_Y], yaw = h[RATE_Z], error, curvature, clutch;
    if (h[STATE] != RUNNING) {
        r->still = r->still < 1000 ? r->still + 1 : 1000;
        double share = 1.0 / r->still;
        r->bias_x += share * (p - r->bias_x);
        r->bias_y += share * (q - r->bias_y);
        r->bias_z += share * (yaw - r->bias_z);
        commands(r, 0.0, 0.0, 1.0, 0.0, 0.0);
        return;
    }
    p -= r->bias_x, q -= r->bias_y, yaw -= r->bias_z;
    double speed = h[WHEEL] * (1.0 - CROWN * (1.0 - cos(r->roll)));
    estimate(r, p, q, yaw, speed);
    double offset = path(r, &error, &curvature);
    if (speed > 8.0 && -1.5 < offset && offset < 1.5)
        r->path_sum = within(r->path_sum + STEP * 0.1 * offset, -1.0, 1.0);
    double back = -0.81 * (offset + r->path_sum) - 1.62 * speed * sin(error);
    double torque = balance(r, speed, speed * speed * curvature + within(back, -3.0, 3.0), p, yaw);
    double throttle = drive(r, speed, &clutch);
    commands(r, torque, throttle, clutch, offset, speed);
}
