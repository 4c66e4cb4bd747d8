/* The standard API that a sketch may call, as far as ours does, for tests: in C and in C++. */
#ifndef SKETCH_STUB_H
#define SKETCH_STUB_H

#include <stddef.h>
#include <stdint.h>

enum { LOW = 0, HIGH = 1, OUTPUT = 1, INPUT_PULLUP = 2, CHANGE = 1, RISING = 3 };

#ifdef __cplusplus
extern "C" {
#endif
void pinMode(int pin, int mode);
void digitalWrite(int pin, int value);
int digitalRead(int pin);
void analogWrite(int pin, int value);
int analogRead(int pin);
unsigned long micros(void);
unsigned long millis(void);
void attachInterrupt(int interrupt, void (*handler)(void), int mode);
void noInterrupts(void);
void interrupts(void);
void setup(void);
void loop(void);
#ifdef __cplusplus
}
#endif

static inline int digitalPinToInterrupt(int pin) { return pin; }

#ifdef __cplusplus
struct sketch_serial {
    void begin(unsigned long baud);
    int available(void);
    int read(void);
    int availableForWrite(void);
    size_t write(const uint8_t *data, size_t count);
};
extern sketch_serial Serial;
#else
struct sketch_serial {
    void (*begin)(unsigned long baud);
    int (*available)(void);
    int (*read)(void);
    int (*availableForWrite)(void);
    size_t (*write)(const uint8_t *data, size_t count);
};
extern struct sketch_serial Serial;
#endif

#endif
