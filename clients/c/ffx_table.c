/* See ffx_table.h. Every product, sum and shift below stays within 32 bits for any counts and any coefficients. */
#include "ffx_table.h"

/* Square of a used axis; raises FFX_SATURATED. */
static uint32_t square_of(const ffx_guard *guard, uint32_t used, int32_t count, uint32_t *flags)
{
    if ((uint32_t)(count - guard->low[used]) > guard->span[used]) {
        *flags |= FFX_SATURATED;
    }
    return (uint32_t)(count * count);
}

/* Written out, not a loop: compilers unroll it for any number of axes, at twice the instructions. */
static uint32_t guard_flags(const ffx_guard *guard, const int16_t counts[])
{
    uint32_t flags = guard->always;
    uint32_t squared = square_of(guard, 0U, counts[guard->axis[0]], &flags); /* at most 3 * 2^30 in the end */

    squared += square_of(guard, 1U, counts[guard->axis[1]], &flags);
    if (guard->axes > 2U) {
        squared += square_of(guard, 2U, counts[guard->axis[2]], &flags);
    }
    if (squared < guard->weak) {
        flags |= FFX_WEAK_FIELD;
    }
    if (squared > guard->strong) {
        flags |= FFX_STRONG_FIELD;
    }
    return flags;
}

static uint32_t spare_flags(const ffx_spare *spare, const int16_t counts[], int32_t denominator)
{
    const int32_t value = (int32_t)counts[spare->axis] * 16384;

    if ((value < spare->low * denominator) || (value > spare->high * denominator)) {
        return FFX_POOR_MATCH;
    }
    return 0U;
}

/* Numerator over denominator, in units of 1 / the table's numerator; the caller has divided already, once for all ratios. */
static int32_t ratio_of(int32_t numerator, int32_t limit, int32_t reciprocal, uint32_t *flags)
{
    if (numerator > limit) {
        numerator = limit;
        *flags |= FFX_OUTSIDE_TRAVEL;
    } else if (numerator < -limit) {
        numerator = -limit;
        *flags |= FFX_OUTSIDE_TRAVEL;
    } else {
        /* within reach */
    }
    return numerator * reciprocal;
}

static uint32_t locate(const ffx_interval *interval, int32_t ratio, uint32_t *flags)
{
    uint32_t above = 0U;

    if (ratio < interval->low) {
        *flags |= FFX_OUTSIDE_TRAVEL;
    } else {
        above = (uint32_t)ratio - (uint32_t)interval->low;
        if (above > interval->width) {
            above = interval->width;
            *flags |= FFX_OUTSIDE_TRAVEL;
        }
    }
    return ((above >> interval->shift) * interval->multiplier) >> 10;
}

/* Weights of the three coefficients of a cell: (1-x)^2/2, 1/2 + x(1-x), x^2/2. None is negative and their sum is 2^16, so the
 * result lies between the coefficients whatever these are. */
static void quadratic_weights(uint32_t coordinate, uint32_t weight[3])
{
    const uint32_t x = coordinate & 0xFFFFU;

    weight[2] = (x * x + 65536U) >> 17;
    weight[0] = 32768U + weight[2] - x;
    weight[1] = 65536U - weight[0] - weight[2];
}

/* From a sum of coefficients times 2^16 to a position, rounding to nearest. */
static int32_t position_of(const ffx_output *output, uint32_t sum, uint32_t *flags)
{
    const uint32_t value = (sum + 16384U) >> 15;
    const int32_t position = output->offset + (int32_t)((value * output->scale + 8192U) >> 14);

    if ((position < output->limit_low) || (position > output->limit_high)) {
        *flags |= FFX_OUTSIDE_TRAVEL;
    }
    return position;
}

static int32_t spline_1(const ffx_output *output, const uint16_t coefficients[], uint32_t coordinate, uint32_t *flags)
{
    const uint16_t *c = &coefficients[coordinate >> 16];
    uint32_t w[3];

    quadratic_weights(coordinate, w);
    return position_of(output, w[0] * c[0] + w[1] * c[1] + w[2] * c[2], flags);
}

static int32_t positive(int32_t denominator, uint32_t *flags)
{
    if (denominator < 1) {
        *flags |= FFX_OUTSIDE_TRAVEL;
        return 1;
    }
    return denominator;
}

static int32_t reciprocal_of(uint32_t numerator, int32_t denominator, int32_t sign)
{
    return sign * (int32_t)((numerator + ((uint32_t)denominator >> 1)) / (uint32_t)denominator);
}

uint16_t ffx_ratio_1(const ffx_ratio_1_table *table, const uint16_t coefficients[], const int16_t counts[], int32_t position[])
{
    const ffx_guard *guard = &table->guard;
    uint32_t flags = guard_flags(guard, counts);
    const int32_t denominator = positive(counts[guard->axis[1]] * table->sign, &flags);
    const int32_t reciprocal = reciprocal_of(table->numerator, denominator, table->sign);
    const int32_t ratio = ratio_of(counts[guard->axis[0]], denominator * table->reach, reciprocal, &flags);
    const uint32_t coordinate = locate(&table->interval, ratio, &flags);
    const int32_t result = spline_1(&table->output, coefficients, coordinate, &flags);

    if (table->spare.used != 0U) {
        flags |= spare_flags(&table->spare, counts, denominator);
    }
    if ((flags & guard->mask) == 0U) {
        position[0] = result;
    }
    return (uint16_t)flags;
}

uint16_t ffx_octant_1(const ffx_octant_1_table *table, const uint16_t coefficients[], const int16_t counts[], int32_t position[])
{
    const ffx_guard *guard = &table->guard;
    const int32_t first = counts[guard->axis[0]];
    const int32_t second = counts[guard->axis[1]];
    const uint32_t x = (uint32_t)((first < 0) ? -first : first);
    const uint32_t y = (uint32_t)((second < 0) ? -second : second);
    const uint32_t larger = (y > x) ? y : x;
    const uint32_t smaller = (y > x) ? x : y;
    const uint32_t last = ((uint32_t)table->cells << 16) - 1U;
    uint32_t flags = guard_flags(guard, counts);
    uint32_t direction;
    uint32_t start;
    uint32_t coordinate;
    int32_t result;

    if (larger == 0U) {
        flags |= FFX_NOT_MEASURED;
        return (uint16_t)flags;
    }
    direction = ((smaller << 16) + (larger >> 1)) / larger; /* 2^16 is one octant */
    if (y > x) {
        direction = 131072U - direction;
    }
    if (first < 0) {
        direction = 262144U - direction;
    }
    if (second < 0) {
        direction = 524288U - direction;
    }
    coordinate = direction * table->knots_per_octant;
    start = (uint32_t)table->first_knot << 16;
    if (coordinate < start) {
        coordinate += (uint32_t)table->knots_per_octant << 19; /* once around */
    }
    coordinate -= start;
    if (coordinate > last) {
        coordinate = last;
        flags |= FFX_OUTSIDE_TRAVEL;
    }
    result = spline_1(&table->output, coefficients, coordinate, &flags);
    if (table->spare.used != 0U) {
        flags |= spare_flags(&table->spare, counts, (int32_t)larger);
    }
    if ((flags & guard->mask) == 0U) {
        position[0] = result;
    }
    return (uint16_t)flags;
}

uint16_t ffx_ratio_2(const ffx_ratio_2_table *table, const uint16_t coefficients[], const int16_t counts[], int32_t position[])
{
    const ffx_guard *guard = &table->guard;
    uint32_t flags = guard_flags(guard, counts);
    const int32_t denominator = positive(counts[guard->axis[2]] * table->sign, &flags);
    const int32_t reciprocal = reciprocal_of(table->numerator, denominator, table->sign);
    const int32_t limit = denominator * table->reach;
    const uint32_t u = locate(&table->interval[0], ratio_of(counts[guard->axis[0]], limit, reciprocal, &flags), &flags);
    const uint32_t v = locate(&table->interval[1], ratio_of(counts[guard->axis[1]], limit, reciprocal, &flags), &flags);
    const uint32_t stride = 2U * (table->interval[1].cells + 2U);
    const uint16_t *c = &coefficients[(u >> 16) * stride + 2U * (v >> 16)];
    uint32_t across[3];
    uint32_t along[3];
    uint32_t sum_0 = 0U;
    uint32_t sum_1 = 0U;
    int32_t result_0;
    int32_t result_1;
    uint32_t i;

    quadratic_weights(u, along);
    quadratic_weights(v, across);
    along[0] = (along[0] + 1U) >> 1; /* now 2^15 in sum: a row has 17 bits */
    along[2] = (along[2] + 1U) >> 1;
    along[1] = 32768U - along[0] - along[2];
    for (i = 0U; i < 3U; i++) {
        sum_0 += along[i] * ((across[0] * c[0] + across[1] * c[2] + across[2] * c[4] + 16384U) >> 15);
        sum_1 += along[i] * ((across[0] * c[1] + across[1] * c[3] + across[2] * c[5] + 16384U) >> 15);
        c += stride;
    }
    result_0 = position_of(&table->output[0], sum_0, &flags);
    result_1 = position_of(&table->output[1], sum_1, &flags);
    if ((flags & guard->mask) == 0U) {
        position[0] = result_0;
        position[1] = result_1;
    }
    return (uint16_t)flags;
}
