/* See ffx_table.h: the parameter block of one unit. Needed only where such blocks are used. */
#include "ffx_table.h"

#define MAGIC 0x5546U
#define VERSION 1U
#define HEAD 10U
#define ROW 14U
#define CRC 4U

static uint32_t u16_at(const uint8_t bytes[])
{
    return (uint32_t)bytes[0] | ((uint32_t)bytes[1] << 8);
}

static uint32_t u32_at(const uint8_t bytes[])
{
    return u16_at(bytes) | (u16_at(&bytes[2]) << 16);
}

static int32_t i16_at(const uint8_t bytes[])
{
    const int32_t word = (int32_t)u16_at(bytes);

    return (word > 32767) ? (word - 65536) : word;
}

static int32_t i32_at(const uint8_t bytes[])
{
    const uint32_t word = u32_at(bytes);

    return (word > 0x7FFFFFFFU) ? (-(int32_t)(0xFFFFFFFFU - word) - 1) : (int32_t)word;
}

/* 0 where a row makes no sense: no sum of products may leave 32 bits. */
static uint32_t read_row(const uint8_t bytes[], uint32_t axes, ffx_unit_row *row)
{
    const uint32_t first = u16_at(bytes);
    const uint32_t count = u16_at(&bytes[2]);
    int32_t sum = 0;
    uint32_t i;

    if ((count < 1U) || (count > 3U) || (first >= axes) || (count > axes - first)) {
        return 0U;
    }
    for (i = 0U; i < 3U; i++) {
        const int32_t d = i16_at(&bytes[4U + 2U * i]);

        if ((i >= count) && (d != 0)) {
            return 0U;
        }
        sum += (d < 0) ? -d : d;
        row->d[i] = (int16_t)d;
    }
    row->first = (uint8_t)first;
    row->count = (uint8_t)count;
    row->offset = i32_at(&bytes[10]);
    return ((sum <= 49151) && (row->offset < 536870912) && (row->offset > -536870912)) ? 1U : 0U;
}

uint16_t ffx_unit_open(const uint8_t block[], uint32_t size, uint32_t rig, uint32_t axes, ffx_unit *unit)
{
    uint32_t crc = 0U;
    uint32_t i;

    if (size < HEAD + ROW + CRC) {
        return FFX_OPEN_SIZE;
    }
    if ((u16_at(block) != MAGIC) || (u16_at(&block[2]) != VERSION)) {
        return FFX_OPEN_KIND;
    }
    for (i = 0U; i < size - CRC; i++) {
        crc = ffx_crc(crc, block[i]);
    }
    if (crc != u32_at(&block[size - CRC])) {
        return FFX_OPEN_DAMAGED;
    }
    unit->rig = u32_at(&block[4]);
    unit->axes = u16_at(&block[8]);
    if ((unit->rig != rig) || (unit->axes != axes)) {
        return FFX_OPEN_RIG;
    }
    if ((unit->axes < 1U) || (unit->axes > FFX_UNIT_AXES)) {
        return FFX_OPEN_FIELD;
    }
    if (size != HEAD + unit->axes * ROW + CRC) {
        return FFX_OPEN_SIZE;
    }
    for (i = 0U; i < unit->axes; i++) {
        if (read_row(&block[HEAD + i * ROW], unit->axes, &unit->row[i]) == 0U) {
            return FFX_OPEN_FIELD;
        }
    }
    return FFX_OPEN_OK;
}
