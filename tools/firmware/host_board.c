/* The core on a computer: a board program behind a pseudo-terminal, for tests.
 *
 * Reads its limits as lines on standard input up to "go", prints the terminal's name, and
 * serves until standard input closes. Every switching is written to the log as a line of
 * JSON, on the board's own clock. Options: --log FILE --speed X --drift PPM --start TICKS
 */
#define _XOPEN_SOURCE 700
#define _DEFAULT_SOURCE

#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "core.h"
#include "host_config.h"

static int line_end = -1;
static FILE *log_file;
static cr_board board;
static uint8_t coil_duty[CR_COILS];
static uint8_t motor_duty[CR_MOTORS];
static uint8_t light_level[CR_LIGHTS];
static double motor_counts[CR_MOTORS];

static double ticks_s(void) { return board.now / 10000.0; }

static void set_coil(uint8_t channel, uint8_t duty) {
    if ((duty > 0) != (coil_duty[channel] > 0) && log_file) {
        fprintf(log_file,
                "{\"board_s\":%.4f,\"channel\":%u,\"output\":\"coil\",\"did\":\"%s\"}\n", ticks_s(),
                channel, duty > 0 ? "on" : "off");
    }
    coil_duty[channel] = duty;
}

static void set_motor(uint8_t channel, uint8_t duty) { motor_duty[channel] = duty; }

static void set_light(uint8_t light, uint8_t level) {
    if (log_file && (level > 0) != (light_level[light] > 0)) {
        fprintf(log_file,
                "{\"board_s\":%.4f,\"channel\":%u,\"output\":\"%s\",\"did\":\"%s\"}\n", ticks_s(), light,
                board.config->dry_run ? "lamp" : "light", level > 0 ? "on" : "off");
    }
    light_level[light] = level;
}

static void send_bytes(const uint8_t *data, uint16_t count) {
    while (count > 0) {
        ssize_t written = write(line_end, data, count);
        if (written < 0) {
            if (errno == EAGAIN) {
                return; /* nobody reads: a real UART would drop it too */
            }
            exit(3);
        }
        data += written;
        count = (uint16_t)(count - written);
    }
}

static uint16_t room(void) { return 65535; }
static uint16_t millivolts(void) { return 12000; }
static int8_t temperature(void) { return 20; }
static uint16_t counts(uint8_t motor) { return (uint16_t)(uint32_t)motor_counts[motor]; }
static void nothing(void) {}

static double wall_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + (double)t.tv_nsec * 1e-9;
}

static void open_terminal(void) {
    line_end = posix_openpt(O_RDWR | O_NOCTTY);
    if (line_end < 0 || grantpt(line_end) || unlockpt(line_end)) {
        perror("pseudo-terminal");
        exit(3);
    }
    const char *name = ptsname(line_end);
    int other = open(name, O_RDWR | O_NOCTTY); /* kept open: the master must not hang up */
    struct termios raw;
    tcgetattr(other, &raw);
    cfmakeraw(&raw);
    tcsetattr(other, TCSANOW, &raw);
    fcntl(line_end, F_SETFL, O_NONBLOCK);
    printf("%s\n", name);
    fflush(stdout);
}

/* The motor of the simulation follows its duty: 8 revolutions a second at full. */
static void turn_motors(void) {
    for (int n = 0; n < CR_MOTORS; n++) {
        motor_counts[n] += motor_duty[n] / 255.0 * 8.0 * board.config->motor[n].counts_per_rev / 1e4;
    }
}

static void serve(double speed, double drift, uint32_t start) {
    double began = wall_s();
    uint64_t done = 0;
    struct pollfd ends[2] = {{line_end, POLLIN, 0}, {STDIN_FILENO, POLLIN, 0}};
    for (;;) {
        poll(ends, 2, 1);
        uint8_t data[512];
        if (ends[1].revents && read(STDIN_FILENO, data, 1) <= 0) {
            return;
        }
        if (ends[1].revents && data[0] == 's') {
            cr_press_stop(&board);
        } else if (ends[1].revents && (data[0] == 'r' || data[0] == 'd')) {
            cr_sense_rain(&board, data[0] == 'r');
        }
        uint64_t due = (uint64_t)((wall_s() - began) * speed * (1 + drift * 1e-6) * 10000.0);
        for (; done < due; done++) {
            turn_motors();
            cr_tick(&board, start + (uint32_t)(done + 1));
            cr_poll(&board);
        }
        ssize_t count = ends[0].revents & POLLIN ? read(line_end, data, sizeof data) : 0;
        for (ssize_t n = 0; n < count; n++) {
            cr_byte(&board, data[n]);
        }
        cr_poll(&board);
    }
}

int main(int argc, char **argv) {
    double speed = 1, drift = 0;
    uint32_t start = 12345000;
    FILE *opened = NULL;
    for (int n = 1; n + 1 < argc; n += 2) {
        if (!strcmp(argv[n], "--log")) {
            opened = fopen(argv[n + 1], "w");
        } else if (!strcmp(argv[n], "--speed")) {
            speed = atof(argv[n + 1]);
        } else if (!strcmp(argv[n], "--drift")) {
            drift = atof(argv[n + 1]);
        } else if (!strcmp(argv[n], "--start")) {
            start = (uint32_t)strtoul(argv[n + 1], NULL, 10);
        }
    }
    setvbuf(stdin, NULL, _IONBF, 0);
    cr_config config = {0};
    read_config(&config);
    static const cr_hal hal = {set_coil, set_motor, set_light, send_bytes, room, millivolts, temperature, counts,
                  nothing,  nothing, false};
    static cr_kept kept;
    cr_kept_rested(&kept, &config);
    cr_init(&board, &config, &hal, &kept, start, 1, 0);
    log_file = opened; /* from here on: that all is off at first goes without saying */
    open_terminal();
    serve(speed, drift, start);
    cr_release(&board);
    if (log_file) {
        fclose(log_file);
    }
    return 0;
}
