/* For the programs on a computer: limits read as the lines that limits.py writes. */
#ifndef CR_HOST_CONFIG_H
#define CR_HOST_CONFIG_H

#include <stdio.h>
#include <string.h>

#include "core.h"

static void read_row(cr_config *config, const char *row) {
    unsigned n, a, b, c, d, e, f, g;
    int i, j;
    unsigned k;
    if (sscanf(row, "board %u %u %u %u %u %u %d %u %u", &n, &a, &b, &c, &d, &e, &i, &f, &g) == 9) {
        config->coils = (uint8_t)n;
        config->motors = (uint8_t)a;
        config->queue = (uint8_t)(b > CR_QUEUE ? CR_QUEUE : b);
        config->silence_ms = (uint16_t)c;
        config->limit_ua = d;
        config->cutoff_mv = (uint16_t)e;
        config->ambient_mc = i;
        config->lights = (uint8_t)f;
        config->dry_run = g > 0;
    } else if (sscanf(row, "driver %u %u", &n, &a) == 2 && n < CR_DRIVERS) {
        config->driver_ua[n] = a;
    } else if (sscanf(row, "coil %u %u %u %u %u %d %u %u %u", &n, &a, &b, &c, &d, &j, &e, &f, &g) == 9 &&
               n < CR_COILS) {
        config->coil[n] =
            (cr_coil_limits){true, a, b, (int32_t)c, d, (int32_t)j, e, f, (uint8_t)g};
    } else if (sscanf(row, "motor %u %u %u %u %u %u %u %u %u", &n, &a, &b, &c, &d, &e, &k, &f, &g) == 9 &&
               n < CR_MOTORS) {
        config->motor[n] =
            (cr_motor_limits){true, (uint16_t)a, (uint16_t)b, c, d, e, k, f, (uint16_t)g};
    }
}

/* Reads standard input up to the line "go". */
static void read_config(cr_config *config) {
    char row[256];
    while (fgets(row, sizeof row, stdin) && strncmp(row, "go", 2) != 0) {
        read_row(config, row);
    }
}

#endif
