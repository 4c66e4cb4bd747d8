/* Sensors on the I2C bus: humidity and temperature (SHT31), light (BH1750), rain (ADS1115). */
#ifndef CR_SENSORS_H
#define CR_SENSORS_H

#include <stdbool.h>
#include <stdint.h>

#define SENSORS_NO_AIR INT32_MAX

/* As last read: light in lux, air in thousandths of a degree, relative humidity in percent, and
 * rain, 0 or 1. -1, or SENSORS_NO_AIR, where there is no part, or it does not answer. */
typedef struct {
    int32_t lux, air_millic;
    int16_t humidity;
    int8_t rain;
} sensors_readings;

void sensors_start(void);
void sensors_ask(void); /* once a second: one part after the other is read, and asked anew */
const sensors_readings *sensors_read(void);

/* For tests: the checksum of SHT3x-DIS, and raw readings to units. */
uint8_t sensors_crc8(const uint8_t *data, uint8_t count);
int32_t sensors_lux_of(uint16_t raw);
int32_t sensors_millicelsius_of(uint16_t raw);
int16_t sensors_humidity_of(uint16_t raw);

#endif
