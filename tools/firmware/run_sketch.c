/* Runs the sketch in virtual time, in C or in C++: each round of loop takes ROUND_US. For tests.
 *
 * With an argument it starts knowing nothing of its coils, as after power was off.
 * Reads lines "microseconds hex" in order of time: bytes that then come from the line; or
 * "microseconds pin 0|1": an input's level. "0 end N": run N microseconds. Prints
 * "microseconds out pin value" for each output that changes, "... mode pin mode" for each
 * pinMode, "... edge pin" for each attached interrupt, and "... sent hex".
 */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "core.h"
#include "sketch_stub.h"

/* Where the sketch keeps what no restart may forget: see CR_SKETCH_KEPT. */
#ifdef __cplusplus
extern "C" cr_kept __start_retained;
#else
extern cr_kept __start_retained;
#endif

enum { ROUND_US = 40, PINS = 128, LINE = 512 };

static unsigned long long now_us = 4294000000ull; /* the counter wraps within a second */
static const unsigned long long began_us = 4294000000ull;
static int level[PINS], input[PINS];
static uint8_t line[LINE];
static int line_in, line_out;
static unsigned long baud_set;

static unsigned long long since(void) { return now_us - began_us; }

void pinMode(int pin, int mode) { printf("%llu mode %d %d\n", since(), pin, mode); }
static void put(int pin, int value) {
    if (level[pin] != value) {
        printf("%llu out %d %d\n", since(), pin, value);
        level[pin] = value;
    }
}
void digitalWrite(int pin, int value) { put(pin, value == HIGH ? 255 : 0); }
void analogWrite(int pin, int value) { put(pin, value); }
int digitalRead(int pin) { return input[pin]; }
int analogRead(int pin) { return 500 + pin * 0; }
unsigned long micros(void) { return (unsigned long)(uint32_t)now_us; }
unsigned long millis(void) { return (unsigned long)(uint32_t)(now_us / 1000); }
void attachInterrupt(int interrupt, void (*handler)(void), int mode) {
    printf("%llu edge %d %d\n", since(), interrupt, mode);
    handler();
}
void noInterrupts(void) {}
void interrupts(void) {}

static void line_begin(unsigned long baud) { baud_set = baud; }
static int line_available(void) { return line_in - line_out; }
static int line_read(void) { return line_out < line_in ? line[line_out++ % LINE] : -1; }
static int line_room(void) { return 64; }
static size_t line_write(const uint8_t *data, size_t count) {
    printf("%llu sent ", since());
    for (size_t n = 0; n < count; n++) {
        printf("%02x", data[n]);
    }
    printf("\n");
    return count;
}

#ifdef __cplusplus
sketch_serial Serial;
void sketch_serial::begin(unsigned long baud) { line_begin(baud); }
int sketch_serial::available(void) { return line_available(); }
int sketch_serial::read(void) { return line_read(); }
int sketch_serial::availableForWrite(void) { return line_room(); }
size_t sketch_serial::write(const uint8_t *data, size_t count) { return line_write(data, count); }
#else
struct sketch_serial Serial = {line_begin, line_available, line_read, line_room, line_write};
#endif

static void run_until(unsigned long long at_us) {
    while (since() < at_us) {
        loop();
        now_us += ROUND_US;
    }
}

int main(int argc, char **argv) {
    (void)argv;
    char what[1024];
    unsigned long long at_us, value;
    for (int n = 0; n < PINS; n++) {
        level[n] = -1;
        input[n] = HIGH;
    }
    if (argc == 1) {
        cr_kept_rested(&__start_retained, &cr_limits);
    }
    setup();
    printf("0 baud %lu 0\n", baud_set);
    while (scanf("%llu %1023s", &at_us, what) == 2) {
        if (strcmp(what, "end") == 0 && scanf("%llu", &value) == 1) {
            run_until(value);
        } else if (strcmp(what, "pin") == 0) {
            int pin, high;
            if (scanf("%d %d", &pin, &high) != 2) {
                return 2;
            }
            run_until(at_us);
            input[pin] = high;
        } else {
            run_until(at_us);
            for (size_t n = 0; what[n] != 0 && what[n + 1] != 0; n += 2) {
                char pair[3] = {what[n], what[n + 1], 0};
                line[line_in++ % LINE] = (uint8_t)strtoul(pair, NULL, 16);
            }
        }
    }
    return 0;
}
