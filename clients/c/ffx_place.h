/* From counts to coordinates: front matrix, division, ratios, folded direction, strength. Included by ffx_kernel.h alone.
 *
 * Every product, sum and shift stays within 32 bits for any counts, any coefficients, and any descriptor that ffx_open accepts.
 */
#ifndef FFX_PLACE_H
#define FFX_PLACE_H

#include "ffx_table.h"

/* Compilers outline shared bodies without a word, at the price of every constant. */
#if defined(__GNUC__)
#define FFX_INLINE static inline __attribute__((always_inline))
#define FFX_SELDOM(condition) (__builtin_expect((condition) ? 1 : 0, 0) != 0)
#else
#define FFX_INLINE static inline
#define FFX_SELDOM(condition) (condition)
#endif

/* 0: the core has no divide instruction. The results are the same bits. */
#ifndef FFX_DIVIDER
#if defined(__ARM_ARCH_6M__) || (defined(__riscv) && !defined(__riscv_div))
#define FFX_DIVIDER 0
#else
#define FFX_DIVIDER 1
#endif
#endif

/* Whole part of numerator / denominator, for a numerator up to 2^31 + 2^17 and a denominator of 1 to 2^18 - 1. Without a divider: the
 * reciprocal of the leading 16 bits by two Newton steps, never too large, then two digits of the quotient, then the rest. */
FFX_INLINE uint32_t ffx_quotient(uint32_t numerator, uint32_t denominator)
{
#if FFX_DIVIDER
    return numerator / denominator;
#else
    uint32_t leading = denominator; /* 2^15 to 2^16 */
    uint32_t down = 15U;
    uint32_t reciprocal;            /* 2^31 / leading */
    uint32_t quotient;
    uint32_t digit;

    if (FFX_SELDOM(leading > 0xFFFFU)) {
        leading = (leading + 3U) >> 2;
        down = 17U;
    }
    if (leading < 0x100U) {
        leading <<= 8;
        down -= 8U;
    }
    if (leading < 0x1000U) {
        leading <<= 4;
        down -= 4U;
    }
    if (leading < 0x4000U) {
        leading <<= 2;
        down -= 2U;
    }
    if (leading < 0x8000U) {
        leading <<= 1;
        down -= 1U;
    }
    reciprocal = 92505U - ((leading * 61681U) >> 16); /* off by 1/17 at most */
    reciprocal = (reciprocal * ((131071U - ((leading * reciprocal) >> 15)) >> 1)) >> 15;
    reciprocal = (reciprocal * ((131071U - ((leading * reciprocal) >> 15)) >> 1)) >> 15;
    quotient = ((numerator >> 16) * reciprocal) >> down;
    numerator -= quotient * denominator;
    digit = ((numerator >> 4) * reciprocal) >> (down + 12U);
    numerator -= digit * denominator;
    quotient += digit;
    while (numerator >= denominator) {
        numerator -= denominator;
        quotient++;
    }
    return quotient;
#endif
}

FFX_INLINE int32_t ffx_corrected(const ffx_unit *unit, const int16_t counts[], uint32_t number)
{
    const ffx_unit_row *row = &unit->row[number];
    const int16_t *raw = &counts[row->first];
    int32_t sum = row->offset + 65536 + row->d[0] * raw[0];
    int32_t count;

    if (row->count > 1U) {
        sum += row->d[1] * raw[1];
    }
    if (row->count > 2U) {
        sum += row->d[2] * raw[2];
    }
    count = counts[number] + (int32_t)(((uint32_t)sum + 0x80000000U) >> 17) - 16384;
    if (count > 32767) {
        count = 32767;
    }
    if (count < -32768) {
        count = -32768;
    }
    return count;
}

FFX_INLINE int32_t ffx_count(const ffx_axis *axis, const ffx_unit *unit, const int16_t counts[])
{
    return (unit == 0) ? counts[axis->number] : ffx_corrected(unit, counts, axis->number);
}

FFX_INLINE int ffx_is_saturated(const ffx_axis *axis, const int16_t counts[])
{
    return (uint32_t)(counts[axis->number] - axis->low) > axis->span;
}

FFX_INLINE uint32_t ffx_saturation(const ffx_table *table, const int16_t counts[])
{
    int found = ffx_is_saturated(&table->axis[0], counts);

    if (table->axes > 1U) {
        found |= ffx_is_saturated(&table->axis[1], counts);
    }
    if (table->axes > 2U) {
        found |= ffx_is_saturated(&table->axis[2], counts);
    }
    if (table->axes > 3U) {
        found |= ffx_is_saturated(&table->axis[3], counts);
    }
    return (found != 0) ? FFX_SATURATED : 0U;
}

FFX_INLINE uint32_t ffx_locate(const ffx_interval *interval, int32_t value, uint32_t *flags)
{
    uint32_t above = (uint32_t)value - (uint32_t)interval->low;

    if (FFX_SELDOM(above > interval->width)) {
        above = (value < interval->low) ? 0U : interval->width;
        *flags |= FFX_OUTSIDE_TRAVEL;
    }
    return ((above >> interval->shift) * interval->multiplier) >> interval->down;
}

/* Numerator over denominator, in units of 1 / the table's numerator; the caller has divided already, once for all ratios. */
FFX_INLINE uint32_t ffx_ratio(const ffx_interval *interval, int32_t numerator, int32_t limit, int32_t reciprocal, uint32_t *flags)
{
    if (FFX_SELDOM((uint32_t)(numerator + limit) > 2U * (uint32_t)limit)) {
        numerator = (numerator < 0) ? -limit : limit;
        *flags |= FFX_OUTSIDE_TRAVEL;
    }
    return ffx_locate(interval, numerator * reciprocal, flags);
}

FFX_INLINE uint32_t ffx_by_strength(const ffx_table *table, const ffx_interval *interval, uint32_t reciprocal,
                                    int32_t temperature, uint32_t *flags)
{
    uint32_t value = reciprocal >> table->strength.shift;
    int32_t warmer;

    if (value > 131071U) {
        value = 131071U;
        *flags |= FFX_OUTSIDE_TRAVEL;
    }
    if (temperature < table->strength.low) {
        temperature = table->strength.low;
        *flags |= FFX_IMPRECISE;
    }
    if (temperature > table->strength.high) {
        temperature = table->strength.high;
        *flags |= FFX_IMPRECISE;
    }
    warmer = temperature - table->strength.reference;
    value *= (uint32_t)(table->strength.slope * warmer + 1073774592) >> 16; /* 2^30 + 2^15: 2^14 is one */
    return ffx_locate(interval, (int32_t)(value >> 1), flags);
}

typedef struct {
    uint32_t at[3];
    uint32_t direction;
    int32_t below; /* what the spare axis is compared with */
} ffx_place;

/* Below it a ratio means nothing, and a division by multiplications would take long. */
#define FFX_DENOMINATOR_LEAST 16

FFX_INLINE void ffx_place_by_ratio(const ffx_table *table, const int32_t c[4], int32_t temperature, ffx_place *place,
                                   uint32_t *flags)
{
    int32_t denominator = c[table->ratios] * table->sign;
    uint32_t reciprocal;

    if (FFX_SELDOM(denominator < FFX_DENOMINATOR_LEAST)) {
        *flags |= FFX_OUTSIDE_TRAVEL;
        denominator = FFX_DENOMINATOR_LEAST;
    }
    place->below = denominator;
    reciprocal = ffx_quotient(table->numerator + ((uint32_t)denominator >> 1), (uint32_t)denominator);
    if (table->ratios > 0U) {
        const int32_t limit = denominator * table->reach;
        const int32_t signed_reciprocal = table->sign * (int32_t)reciprocal;

        place->at[0] = ffx_ratio(&table->interval[0], c[0], limit, signed_reciprocal, flags);
        if (table->ratios > 1U) {
            place->at[1] = ffx_ratio(&table->interval[1], c[1], limit, signed_reciprocal, flags);
        }
    }
    if (table->strength.used != 0U) {
        place->at[table->ratios] = ffx_by_strength(table, &table->interval[table->ratios], reciprocal, temperature, flags);
    }
}

/* second / sum in 2^-16, toward zero; sum is |first| + |second|, above zero. Rotated, both may have 17 bits, and sum is even. */
FFX_INLINE int32_t ffx_fold(const ffx_table *table, int32_t second, uint32_t sum)
{
    const uint32_t one = (table->rotated != 0U) ? 32768U : 65536U;
    const uint32_t divisor = (table->rotated != 0U) ? (sum >> 1) : sum;
#if FFX_DIVIDER
    return (second * (int32_t)one) / (int32_t)divisor;
#else
    const int32_t part = (int32_t)ffx_quotient((uint32_t)((second < 0) ? -second : second) * one, divisor);

    return (second < 0) ? -part : part;
#endif
}

/* The direction folded into quadrants and one ratio: its slope jumps nowhere, and its curvature only on the borders of quadrants, where
 * knots lie. It begins at the second axis' negative end; 2^18 is a turn. sum is |first| + |second|, above zero. */
FFX_INLINE uint32_t ffx_direction(const ffx_table *table, int32_t first, int32_t second, uint32_t sum)
{
    const int32_t part = ffx_fold(table, second, sum);

    return (uint32_t)((first < 0) ? (196608 - part) : (65536 + part));
}

FFX_INLINE void ffx_place_by_direction(const ffx_table *table, const int32_t c[4], int32_t first, int32_t second, uint32_t sum,
                                       int32_t temperature, ffx_place *place, uint32_t *flags)
{
    const uint32_t direction = ffx_direction(table, first, second, sum);
    const uint32_t start = (uint32_t)table->first_knot << 16;
    uint32_t coordinate = direction * table->knots_per_quadrant;
    uint32_t next = 1U;

    place->below = (int32_t)sum;
    place->direction = direction;
    if ((table->first_knot + table->cells[0] > 4U * table->knots_per_quadrant) && (coordinate < start)) {
        coordinate += (uint32_t)table->knots_per_quadrant << 18; /* once around */
    }
    coordinate -= start; /* below the table it is now above it */
    if (FFX_SELDOM(coordinate >= (uint32_t)table->cells[0] << 16)) {
        coordinate = ((uint32_t)table->cells[0] << 16) - 1U;
        *flags |= FFX_OUTSIDE_TRAVEL;
    }
    place->at[0] = coordinate;
    if ((table->ratios != 0U) || (table->strength.used != 0U)) {
        /* sum * (1 - p * (1 - p)) in quarter counts: like the length of the two, and as smooth as the direction */
        const uint32_t size = (uint32_t)((second < 0) ? -second : second);
        const int32_t part = (first < 0) ? (196608 - (int32_t)direction) : ((int32_t)direction - 65536);
        const uint32_t rest = (uint32_t)((part < 0) ? (65536 + part) : (65536 - part));
        const uint32_t radius = 4U * sum - ((size * rest) >> 14);
        const uint32_t reciprocal = ffx_quotient(table->numerator + (radius >> 1), radius);

        if (table->ratios != 0U) {
            const int32_t limit = (int32_t)(radius >> 2) * table->reach;

            place->at[1] = ffx_ratio(&table->interval[1], c[2], limit, (int32_t)reciprocal, flags);
            next = 2U;
        }
        if (table->strength.used != 0U) {
            place->at[next] = ffx_by_strength(table, &table->interval[next], reciprocal, temperature, flags);
        }
    }
}

#endif
