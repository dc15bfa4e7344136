/* Reference client of the lockstep protocol in C: plain_rider.c at the emulator's socket (guide: own-controllers.md).
 *
 *     cc -O2 -ffp-contract=off -o plain_rider line_client.c plain_rider.c -lm
 *     ./plain_rider 127.0.0.1:5555          or the path of a Unix socket
 *
 * For a robot of your own change what plain_rider.h declares; the lines below stay. Set INTERFACE to the
 * content_sha256 of the interface.json that it was written for, and another bench refuses it.
 */
#define _POSIX_C_SOURCE 200809L
#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "plain_rider.h"

#ifndef INTERFACE
#define INTERFACE "-"
#endif

static int joined(const char *address) {
    const char *colon = strrchr(address, ':');
    if (colon == NULL) {
        struct sockaddr_un local = {.sun_family = AF_UNIX};
        strncpy(local.sun_path, address, sizeof local.sun_path - 1);
        int s = socket(AF_UNIX, SOCK_STREAM, 0);
        return connect(s, (struct sockaddr *)&local, sizeof local) == 0 ? s : -1;
    }
    struct sockaddr_in there = {.sin_family = AF_INET, .sin_port = htons((uint16_t)atoi(colon + 1))};
    inet_pton(AF_INET, "127.0.0.1", &there.sin_addr);
    int s = socket(AF_INET, SOCK_STREAM, 0), on = 1;
    setsockopt(s, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on); /* answers are short: send each at once */
    return connect(s, (struct sockaddr *)&there, sizeof there) == 0 ? s : -1;
}

/* Settings and start: what comes before begin. */
static double speed_km_h = 60.0, radius_m, east_m, north_m, heading_rad;

static void told(const char *line) {
    char name[64];
    double value;
    if (sscanf(line, "set %63s %lf", name, &value) == 2) {
        if (strcmp(name, "speed_km_h") == 0) speed_km_h = value;
        if (strcmp(name, "radius_m") == 0) radius_m = value;
    }
    sscanf(line, "start %lf %lf %lf", &east_m, &north_m, &heading_rad);
}

static void heard(struct rider *r, const char *line) {
    char name[64], number[64];
    if (sscanf(line, "value %63s %63s", name, number) != 2 || strcmp(number, "nan") == 0) return;
    for (int i = 0; i < HEARD; i++)
        if (strcmp(name, heard_names[i]) == 0) r->heard[i] = strtod(number, NULL);
}

int main(int argc, char **argv) {
    static struct rider rider;
    int s = argc == 2 ? joined(argv[1]) : -1;
    FILE *in = s < 0 ? NULL : fdopen(s, "r"), *out = s < 0 ? NULL : fdopen(dup(s), "w");
    if (in == NULL || out == NULL) {
        fprintf(stderr, "usage: %s 127.0.0.1:PORT | PATH, where the emulator waits\n", argv[0]);
        return 1;
    }
    fprintf(out, "hello 1 %s values 1 plain rider\n", INTERFACE);
    fflush(out);
    char line[4096];
    while (fgets(line, sizeof line, in) != NULL) {
        if (strncmp(line, "value ", 6) == 0) {
            heard(&rider, line);
        } else if (strncmp(line, "act ", 4) == 0) {
            rider_act(&rider);
            for (int i = 0; i < COMMANDS; i++) fprintf(out, "value %s %.17g\n", command_names[i], rider.commands[i]);
            for (int i = 0; i < NOTES; i++) fprintf(out, "note %s %.17g\n", note_names[i], rider.notes[i]);
            fprintf(out, "done\n");
            fflush(out);
        } else if (strcmp(line, "begin\n") == 0) {
            rider_begin(&rider, speed_km_h, radius_m, east_m, north_m, heading_rad);
            fprintf(out, "done\n");
            fflush(out);
        } else if (strncmp(line, "end ", 4) == 0) {
            return 0;
        } else if (strncmp(line, "refused ", 8) == 0) {
            fputs(line, stderr);
            return 2;
        } else {
            told(line);
        }
    }
    return 1; /* the emulator is gone */
}
