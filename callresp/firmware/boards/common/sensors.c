/* I2C by two pins of any kind, and the protocols of three parts from their data sheets.
 *
 * SHT31 (Sensirion, data sheet SHT3x-DIS, version 7): address 0x44; command 0x2400 is one
 * measurement without clock stretching, ready after 15.5 ms at most; six bytes: temperature,
 * CRC, humidity, CRC. CRC-8 with polynomial 0x31, initial 0xFF (0x92 over BE EF).
 * T = -45 + 175 raw / 65535, RH = 100 raw / 65535.
 * BH1750 (Rohm, data sheet BH1750FVI): address 0x23 with ADDR low; command 0x20 is one
 * measurement in high resolution, 180 ms at most, after which it powers down; lux = raw / 1.2.
 * ADS1115 (Texas Instruments, data sheet SBAS444): address 0x48 with ADDR low; C383 into register
 * 1 is one conversion of AIN0 against ground at ±4.096 V, 128 a second, after which it powers
 * down; register 0 has it, 125 uV a step. A rain grid from AIN0 to ground, with 100 kOhm to
 * 3.3 V: a wet one has less than that (common practice, no source).
 *
 * The bus runs at less than 100 kHz from the main loop, 1 ms or so in one go. A part that does
 * not answer reads as missing, and is asked again. Levels, start, stop and how to free a bus that
 * a part holds: UM10204.
 */
#include "sensors.h"

#include "chip.h"

uint8_t sensors_crc8(const uint8_t *data, uint8_t count) {
    uint8_t crc = 0xFF;
    for (uint8_t n = 0; n < count; n++) {
        crc ^= data[n];
        for (int bit = 0; bit < 8; bit++) {
            crc = (uint8_t)(crc << 1 ^ (crc & 0x80u ? 0x31 : 0));
        }
    }
    return crc;
}

int32_t sensors_lux_of(uint16_t raw) { return (int32_t)raw * 5 / 6; }

int32_t sensors_millicelsius_of(uint16_t raw) {
    return (int32_t)((int64_t)175000 * raw / 65535) - 45000;
}

int16_t sensors_humidity_of(uint16_t raw) { return (int16_t)((uint32_t)raw * 100u / 65535u); }

static sensors_readings now = {-1, SENSORS_NO_AIR, -1, -1};

const sensors_readings *sensors_read(void) { return &now; }

#if defined(CR_HAS_SHT31) || defined(CR_HAS_BH1750) || defined(CR_HAS_ADS1115)
enum { HALF_US = 5, STRETCH_US = 500, SHT31 = 0x44, BH1750 = 0x23, ADS1115 = 0x48 };

static void wait(void) { chip_wait_us(HALF_US); }

/* A line is let go, and pulled up by its resistor, or held low: never driven high. */
static void line(uint8_t pin, bool high) {
    if (high) {
        chip_release_pin(pin);
    } else {
        chip_drive(pin, false);
    }
    wait();
}

static bool clock_up(void) {
    chip_release_pin(CR_SCL_PIN);
    for (uint32_t us = 0; !chip_is_high(CR_SCL_PIN); us++) {
        if (us > STRETCH_US) {
            return false;
        }
        chip_wait_us(1);
    }
    wait();
    return true;
}

static void begin(void) {
    line(CR_SDA_PIN, true);
    clock_up();
    line(CR_SDA_PIN, false);
    line(CR_SCL_PIN, false);
}

static void end(void) {
    line(CR_SDA_PIN, false);
    clock_up();
    line(CR_SDA_PIN, true);
}

static bool put(uint8_t byte) {
    for (int bit = 7; bit >= 0; bit--) {
        line(CR_SDA_PIN, byte >> bit & 1);
        if (!clock_up()) {
            return false;
        }
        line(CR_SCL_PIN, false);
    }
    line(CR_SDA_PIN, true);
    bool taken = clock_up() && !chip_is_high(CR_SDA_PIN);
    line(CR_SCL_PIN, false);
    return taken;
}

static uint8_t get(bool more) {
    uint8_t byte = 0;
    line(CR_SDA_PIN, true);
    for (int bit = 0; bit < 8; bit++) {
        clock_up();
        byte = (uint8_t)(byte << 1 | (chip_is_high(CR_SDA_PIN) ? 1 : 0));
        line(CR_SCL_PIN, false);
    }
    line(CR_SDA_PIN, !more);
    clock_up();
    line(CR_SCL_PIN, false);
    return byte;
}

static bool command(uint8_t address, const uint8_t *bytes, uint8_t count) {
    begin();
    bool taken = put((uint8_t)(address << 1));
    for (uint8_t n = 0; taken && n < count; n++) {
        taken = put(bytes[n]);
    }
    end();
    return taken;
}

static bool fetch(uint8_t address, uint8_t *bytes, uint8_t count) {
    begin();
    bool there = put((uint8_t)(address << 1 | 1));
    for (uint8_t n = 0; there && n < count; n++) {
        bytes[n] = get(n + 1 < count);
    }
    end();
    return there;
}

/* A part that was reset while it sent may hold the data line: nine clocks free it. */
void sensors_start(void) {
    chip_release_pin(CR_SDA_PIN);
    for (int n = 0; n < 9; n++) {
        line(CR_SCL_PIN, false);
        clock_up();
    }
    line(CR_SCL_PIN, false);
    end();
}

#ifdef CR_HAS_SHT31
static void take_sht31(bool asked) {
    uint8_t b[6];
    bool good = asked && fetch(SHT31, b, 6) && sensors_crc8(b, 2) == b[2] &&
                sensors_crc8(b + 3, 2) == b[5];
    now.air_millic = good ? sensors_millicelsius_of((uint16_t)(b[0] << 8 | b[1])) : SENSORS_NO_AIR;
    now.humidity = good ? sensors_humidity_of((uint16_t)(b[3] << 8 | b[4])) : -1;
}
#endif

#ifdef CR_HAS_BH1750
static void take_bh1750(bool asked) {
    uint8_t b[2];
    bool good = asked && fetch(BH1750, b, 2);
    now.lux = good ? sensors_lux_of((uint16_t)(b[0] << 8 | b[1])) : -1;
}
#endif

#ifdef CR_HAS_ADS1115
enum { WET_BELOW_MV = 1650, DRY_ABOVE_MV = 2200 };

static void take_ads1115(bool asked) {
    static const uint8_t result[] = {0x00};
    uint8_t b[2];
    if (!asked || !command(ADS1115, result, 1) || !fetch(ADS1115, b, 2)) {
        now.rain = -1;
        return;
    }
    int32_t mv = (int16_t)(uint16_t)(b[0] << 8 | b[1]) / 8;
    if (mv < WET_BELOW_MV || mv > DRY_ABOVE_MV || now.rain < 0) {
        now.rain = mv < WET_BELOW_MV;
    }
}
#endif

static const struct {
    void (*take)(bool asked);
    uint8_t address, count, bytes[3];
} parts[] = {
#ifdef CR_HAS_SHT31
    {take_sht31, SHT31, 2, {0x24, 0x00, 0}},
#endif
#ifdef CR_HAS_BH1750
    {take_bh1750, BH1750, 1, {0x20, 0, 0}},
#endif
#ifdef CR_HAS_ADS1115
    {take_ads1115, ADS1115, 3, {0x01, 0xC3, 0x83}},
#endif
};

enum { PARTS = sizeof parts / sizeof parts[0] };

void sensors_ask(void) {
    static uint8_t turn;
    static bool asked[PARTS];
    parts[turn].take(asked[turn]);
    asked[turn] = command(parts[turn].address, parts[turn].bytes, parts[turn].count);
    if (!asked[turn]) {
        sensors_start();
    }
    turn = (uint8_t)(turn + 1 < PARTS ? turn + 1 : 0);
}

#else
void sensors_start(void) {}
void sensors_ask(void) {}
#endif
