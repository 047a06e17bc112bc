/* See ffx_table.h: a table whose descriptor is known at run time only. */
#include "ffx_kernel.h"

/* Signed numbers are two's complement (int32_t is, by the standard), and no expression below shifts a negative one. */
typedef char ffx_int_has_32_bits[(sizeof(int) >= 4U) ? 1 : -1];

uint16_t ffx_evaluate(const ffx_table *table, const uint16_t coefficients[], const ffx_unit *unit, const int16_t counts[],
                      int32_t temperature, int32_t position[])
{
    return ffx_kernel(table, coefficients, unit, counts, temperature, position);
}

/* CRC-32 of ISO 3309, which is also that of IEEE 802.3, bit by bit: it is used once, at the start. */
uint32_t ffx_crc(uint32_t crc, uint8_t byte)
{
    uint32_t bit;

    crc = ~crc ^ byte;
    for (bit = 0U; bit < 8U; bit++) {
        crc = (crc >> 1) ^ (((crc & 1U) != 0U) ? 0xEDB88320U : 0U);
    }
    return ~crc;
}
