/* COBS (Cheshire & Baker 1999) and CRC-16/IBM-3740 (check value 0x29B1). */
#include "core.h"

uint16_t cr_crc(const uint8_t *data, uint16_t count) {
    uint16_t crc = 0xFFFF;
    for (uint16_t n = 0; n < count; n++) {
        crc = (uint16_t)(crc ^ (uint16_t)(data[n] << 8));
        for (int bit = 0; bit < 8; bit++) {
            uint16_t shifted = (uint16_t)(crc << 1);
            crc = (crc & 0x8000u) ? (uint16_t)(shifted ^ 0x1021u) : shifted;
        }
    }
    return crc;
}

/* As the paper's listing: a block of 254 bytes ends with no zero, and never ends the data. */
uint16_t cr_cobs_encode(const uint8_t *data, uint16_t count, uint8_t *out) {
    uint16_t code_at = 0, at = 1;
    uint8_t code = 1;
    for (uint16_t n = 0; n < count; n++) {
        if (data[n] == 0) {
            out[code_at] = code;
            code_at = at++;
            code = 1;
        } else {
            out[at++] = data[n];
            if (++code == 0xFF) {
                out[code_at] = code;
                code_at = at++;
                code = 1;
            }
        }
    }
    out[code_at] = code;
    return at;
}

/* Returns the length, or -1 where the bytes are no COBS. */
int cr_cobs_decode(const uint8_t *data, uint16_t count, uint8_t *out) {
    uint16_t at = 0;
    int length = 0;
    while (at < count) {
        uint8_t code = data[at++];
        if (code == 0 || at + code - 1 > count) {
            return -1;
        }
        for (uint8_t n = 1; n < code; n++) {
            if (data[at] == 0) {
                return -1;
            }
            out[length++] = data[at++];
        }
        if (code < 255 && at < count) {
            out[length++] = 0;
        }
    }
    return length;
}
