/* plain_rider.c as a co-simulation unit by FMI 3.0: only what a step of numbers needs; the rest is not exported. */
#include <stdlib.h>

#include "fmi3Functions.h"
#include "plain_rider.h"

enum { SPEED_KM_H = HEARD + COMMANDS + NOTES, RADIUS_M, EAST_M, NORTH_M, HEADING_RAD, VARIABLES };

struct unit {
    struct rider rider;
    double told[VARIABLES];
};

fmi3Instance fmi3InstantiateCoSimulation(
    fmi3String name, fmi3String token, fmi3String resources, fmi3Boolean visible, fmi3Boolean logging,
    fmi3Boolean events, fmi3Boolean early, const fmi3ValueReference required[], size_t n,
    fmi3InstanceEnvironment environment, fmi3LogMessageCallback log, fmi3IntermediateUpdateCallback update) {
    return calloc(1, sizeof(struct unit));
}
void fmi3FreeInstance(fmi3Instance instance) { free(instance); }
fmi3Status fmi3EnterInitializationMode(
    fmi3Instance instance, fmi3Boolean defined, fmi3Float64 tolerance, fmi3Float64 start, fmi3Boolean ends,
    fmi3Float64 stop) {
    return fmi3OK;
}
fmi3Status fmi3ExitInitializationMode(fmi3Instance instance) {
    struct unit *u = instance;
    const double *t = u->told;
    rider_begin(&u->rider, t[SPEED_KM_H], t[RADIUS_M], t[EAST_M], t[NORTH_M], t[HEADING_RAD]);
    return fmi3OK;
}
fmi3Status fmi3Terminate(fmi3Instance instance) { return fmi3OK; }
fmi3Status fmi3SetFloat64(
    fmi3Instance instance, const fmi3ValueReference r[], size_t n, const fmi3Float64 values[], size_t m) {
    struct unit *u = instance;
    for (size_t i = 0; i < n; i++) {
        if (r[i] >= VARIABLES) return fmi3Error;
        if (r[i] < HEARD && values[i] == values[i]) u->rider.heard[r[i]] = values[i];
        u->told[r[i]] = values[i];
    }
    return fmi3OK;
}
fmi3Status fmi3GetFloat64(
    fmi3Instance instance, const fmi3ValueReference r[], size_t n, fmi3Float64 values[], size_t m) {
    const struct unit *u = instance;
    for (size_t i = 0; i < n; i++) {
        if (r[i] < HEARD || r[i] >= SPEED_KM_H) return fmi3Error;
        values[i] = r[i] < HEARD + COMMANDS ? u->rider.commands[r[i] - HEARD]
                                            : u->rider.notes[r[i] - HEARD - COMMANDS];
    }
    return fmi3OK;
}
fmi3Status fmi3DoStep(
    fmi3Instance instance, fmi3Float64 now, fmi3Float64 step, fmi3Boolean no_set, fmi3Boolean *event,
    fmi3Boolean *terminate, fmi3Boolean *early, fmi3Float64 *reached) {
    rider_act(&((struct unit *)instance)->rider);
    *event = *terminate = *early = fmi3False;
    *reached = now + step;
    return fmi3OK;
}
