/* What a fuzzer calls: any bytes as a table in binary, as a unit's block, and as readings. Nothing may be read or written
 * beyond what is given, and nothing undefined may be done: the sanitizers stop the program where it is.
 *
 * First byte: what the others are. The sizes and check sums are put right as a rule, so that what lies behind them is reached.
 */
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include FFX_TABLE_HEADER

#define AXES 6U
#define READINGS 8U

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

/* Counts in memory of exactly their size, so that one too many is noticed. */
static int16_t *counts_from(const uint8_t *data, size_t size, uint32_t axes)
{
    int16_t *counts = (int16_t *)malloc(axes * sizeof(int16_t));
    uint32_t i;

    if (counts == NULL) {
        abort();
    }
    for (i = 0U; i < axes; i++) {
        const uint32_t low = (size > 2U * i) ? data[2U * i] : 0U;
        const uint32_t high = (size > 2U * i + 1U) ? data[2U * i + 1U] : 0U;
        const uint16_t word = (uint16_t)(low | (high << 8));

        memcpy(&counts[i], &word, sizeof(word));
    }
    return counts;
}

static void readings_of(const uint8_t *data, size_t size, const ffx_table *table, const uint16_t *coefficients, const ffx_unit *unit)
{
    uint32_t number;

    for (number = 0U; number < READINGS; number++) {
        const size_t from = (size > 0U) ? (number * 7U) % size : 0U;
        int16_t *counts = counts_from(&data[from], size - from, AXES);
        int32_t *position = (int32_t *)malloc(table->joints * sizeof(int32_t));

        if (position == NULL) {
            abort();
        }
        (void)ffx_evaluate(table, coefficients, unit, counts, (int32_t)(number * 997U) - 4000, position);
        free(position);
        free(counts);
    }
}

static void blob(const uint8_t *data, size_t size, int right)
{
    const uint32_t count = (uint32_t)(size / 2U);
    uint16_t *words = (uint16_t *)malloc((count != 0U) ? count * sizeof(uint16_t) : 1U);
    const uint16_t *coefficients = NULL;
    ffx_table table;

    if (words == NULL) {
        abort();
    }
    memcpy(words, data, count * sizeof(uint16_t));
    if (right && count > 8U) {
        uint32_t crc = 0U;
        uint32_t i;

        words[0] = 0x5846U;
        words[1] = 1U;
        words[2] = (uint16_t)(count & 0xFFFFU);
        words[3] = (uint16_t)(count >> 16);
        for (i = 0U; i < count - 2U; i++) {
            crc = ffx_crc(crc, (uint8_t)(words[i] & 0xFFU));
            crc = ffx_crc(crc, (uint8_t)(words[i] >> 8));
        }
        words[count - 2U] = (uint16_t)(crc & 0xFFFFU);
        words[count - 1U] = (uint16_t)(crc >> 16);
    }
    if (ffx_open(words, count, AXES, &table, &coefficients) == FFX_OPEN_OK) {
        readings_of(data, size, &table, coefficients, NULL);
    }
    free(words);
}

static void unit_block(const uint8_t *data, size_t size, int right)
{
    uint8_t *block = (uint8_t *)malloc((size != 0U) ? size : 1U);
    ffx_unit unit;

    if (block == NULL) {
        abort();
    }
    memcpy(block, data, size);
    if (right && size > 8U) {
        uint32_t crc = 0U;
        size_t i;

        for (i = 0U; i < size - 4U; i++) {
            crc = ffx_crc(crc, block[i]);
        }
        for (i = 0U; i < 4U; i++) {
            block[size - 4U + i] = (uint8_t)((crc >> (8U * i)) & 0xFFU);
        }
    }
    if (ffx_unit_open(block, (uint32_t)size, FFX_RIG, FFX_AXES, &unit) == FFX_OPEN_OK) {
        int16_t *counts = counts_from(data, size, FFX_AXES);
        int32_t position[FFX_JOINTS];

        (void)FFX_POSITION_AT(&unit, counts, 320, position);
        free(counts);
    }
    free(block);
}

static void reading(const uint8_t *data, size_t size)
{
    int16_t *counts = counts_from(data, size, FFX_AXES);
    int32_t position[FFX_JOINTS];

    (void)FFX_POSITION(counts, position);
    free(counts);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size > 1U) {
        switch (data[0] & 7U) {
        case 0U:
        case 1U:
        case 2U:
            blob(&data[1], size - 1U, 1);
            break;
        case 3U:
            blob(&data[1], size - 1U, 0);
            break;
        case 4U:
            unit_block(&data[1], size - 1U, 1);
            break;
        case 5U:
            unit_block(&data[1], size - 1U, 0);
            break;
        default:
            reading(&data[1], size - 1U);
            break;
        }
    }
    return 0;
}
