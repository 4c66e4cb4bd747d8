/* Sensors on the I2C bus: humidity and temperature (SHT31), light (BH1750). */
#ifndef CR_SENSORS_H
#define CR_SENSORS_H

#include <stdbool.h>
#include <stdint.h>

void sensors_start(void);
void sensors_ask(void); /* once a second: one part after the other is read, and asked anew */
int32_t sensors_lux(void);      /* -1 where there is none, or it does not answer */
int8_t sensors_celsius(void);   /* 20 where there is none */
int16_t sensors_humidity(void); /* percent, or -1 */

/* For tests: the checksum of SHT3x-DIS, and raw readings to units. */
uint8_t sensors_crc8(const uint8_t *data, uint8_t count);
int32_t sensors_lux_of(uint16_t raw);
int32_t sensors_millicelsius_of(uint16_t raw);
int16_t sensors_humidity_of(uint16_t raw);

#endif
