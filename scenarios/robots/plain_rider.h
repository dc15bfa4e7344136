/* A small robot of one's own in C: the same as plain_rider.py, operation by operation. */
#ifndef PLAIN_RIDER_H
#define PLAIN_RIDER_H

enum { RATE_X, RATE_Y, RATE_Z, LEAN, STEER, STEER_RATE, WHEEL, ENGINE, GEAR, STATE, GNSS_X, GNSS_Y, COURSE, HEARD };
enum { TORQUE, THROTTLE, FRONT_BRAKE, REAR_BRAKE, CLUTCH, GEAR_REQUEST, X, Y, HEADING, ROLL, SPEED, COMMANDS };
enum { OFFSET, ROLL_TARGET, NOTES };

extern const char *const heard_names[HEARD];      /* values of the bench's frames and of a GNSS fix */
extern const char *const command_names[COMMANDS]; /* values of the robot's frames */
extern const char *const note_names[NOTES];

struct rider {
    double heard[HEARD], commands[COMMANDS], notes[NOTES]; /* in, held from step to step; out */
    double target, radius, x0, y0, heading0, x, y, heading;
    double bias_x, bias_y, bias_z, fix_x, fix_y;
    double roll, roll_target, roll_target_rate, roll_sum, path_sum, speed_sum;
    int still, launch, shift, shift_steps, gear;
};

/* Start afresh: speed [km/h], radius [m] of the circle to the left or 0, place [m] and heading [rad]. */
void rider_begin(struct rider *r, double speed_km_h, double radius_m, double x, double y, double heading);
/* A control period of 2 ms: from heard to commands and notes. */
void rider_act(struct rider *r);

#endif
