/* Reference client of the lockstep protocol in C: plain_rider.c at the emulator's socket (guide: own-controllers.md).
 *
 *     cc -O2 -ffp-contract=off -o plain_rider line_client.c plain_rider.c -lm
 *     ./plain_rider 127.0.0.1:5555          or the path of a Unix socket
 *
 * It is told by lines where it begins, and from then on speaks packed; line_client.py speaks by lines all the time.
 * For a robot of your own change what plain_rider.h declares; the lines below stay. Set INTERFACE to the
 * content_sha256 of the interface.json that it was written for, and another bench refuses it. The numbers pass as
 * a little-endian computer has them in memory.
 */
#define _POSIX_C_SOURCE 200809L
#include <arpa/inet.h>
#include <netinet/tcp.h>
#include <stdint.h>
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

static void named(FILE *out, const char *word, const char *const *names, int n) {
    for (int i = 0; i < n; i++) fprintf(out, "%s %s\n", word, names[i]);
}

/* Looks for the next period before it is waited for: to sleep and be woken takes longer than most of them. Where others
 * want the core that is in vain, and only tried now and then. */
static void look(int s) {
    static int trust = 8, periods;
    char first;
    if (trust == 0 && ++periods % 32 != 0) return;
    for (int i = 0; i < 200; i++)
        if (recv(s, &first, 1, MSG_PEEK | MSG_DONTWAIT) >= 0) {
            trust = trust < 8 ? trust + 1 : 8;
            return;
        }
    trust = trust > 2 ? trust - 2 : 0;
}

/* Control periods until the ride is over; 1 if the emulator is gone before. */
static int ride(int s, struct rider *r) {
    struct __attribute__((packed)) {
        int64_t time_ns; /* -1: leave */
        double values[HEARD];
        uint8_t arrived[HEARD]; /* in this period */
    } told;
    struct {
        int64_t time_ns; /* of what it answers to */
        double commands[COMMANDS], notes[NOTES];
    } said;
    while (look(s), recv(s, &told, sizeof told, MSG_WAITALL) == (ssize_t)sizeof told) {
        if (told.time_ns < 0) return 0;
        for (int i = 0; i < HEARD; i++)
            if (told.arrived[i] && told.values[i] == told.values[i]) r->heard[i] = told.values[i]; /* not NaN */
        rider_act(r);
        said.time_ns = told.time_ns;
        memcpy(said.commands, r->commands, sizeof said.commands);
        memcpy(said.notes, r->notes, sizeof said.notes);
        if (send(s, &said, sizeof said, MSG_NOSIGNAL) != (ssize_t)sizeof said) return 1;
    }
    return 1;
}

int main(int argc, char **argv) {
    static struct rider rider;
    int s = argc == 2 ? joined(argv[1]) : -1;
    FILE *in = s < 0 ? NULL : fdopen(s, "r"), *out = s < 0 ? NULL : fdopen(dup(s), "w");
    if (in == NULL || out == NULL) {
        fprintf(stderr, "usage: %s 127.0.0.1:PORT | PATH, where the emulator waits\n", argv[0]);
        return 1;
    }
    fprintf(out, "hello 1 %s packed 1 plain rider\n", INTERFACE);
    fflush(out);
    char line[4096];
    while (fgets(line, sizeof line, in) != NULL) {
        if (strcmp(line, "begin\n") == 0) {
            rider_begin(&rider, speed_km_h, radius_m, east_m, north_m, heading_rad);
            named(out, "hear", heard_names, HEARD);
            named(out, "give", command_names, COMMANDS);
            named(out, "note", note_names, NOTES);
            fprintf(out, "done\n");
            fflush(out);
            return ride(s, &rider);
        }
        if (strncmp(line, "refused ", 8) == 0) {
            fputs(line, stderr);
            return 2;
        }
        told(line);
    }
    return 1; /* the emulator is gone */
}
