/* The arithmetic of ffx_table.h as inline functions: with a descriptor known to the compiler its numbers become constants.
 *
 * Every product, sum and shift stays within 32 bits for any counts, any coefficients, and any descriptor that ffx_open accepts.
 */
#ifndef FFX_KERNEL_H
#define FFX_KERNEL_H

#include "ffx_angle.h"
#include "ffx_place.h"
#include "ffx_spline.h"

FFX_INLINE int ffx_is_outside(const ffx_output *output, uint32_t sum, int32_t position)
{
    const int32_t low = output->limit_low - output->offset;
    const int32_t high = output->limit_high - output->offset;

    /* Where coefficient steps are position steps the sum itself is compared, whose limits fit into an instruction. */
    if ((output->scale == 16384U) && (low >= 0) && (high < 131072)) {
        return sum - ((uint32_t)low << 15) >= ((uint32_t)(high - low) << 15) + 32768U;
    }
    return (uint32_t)(position - output->limit_low) > (uint32_t)(output->limit_high - output->limit_low);
}

/* From a sum of coefficients to a position. */
FFX_INLINE int32_t ffx_output_of(const ffx_output *output, uint32_t sum, uint32_t direction, uint32_t *flags)
{
    int32_t position = output->offset + (int32_t)(((sum >> 15) * output->scale + 8192U) >> 14);

    if (output->turn != 0) {
        position = (int32_t)((uint32_t)(position + output->turn * (int32_t)((direction + 2U) >> 2)) & 0xFFFFU);
    } else if (FFX_SELDOM(ffx_is_outside(output, sum, position))) {
        *flags |= FFX_OUTSIDE_TRAVEL;
    } else {
        /* within the travel */
    }
    return position;
}

/* The joints' values one after the other, by spline in one, two or three coordinates: sums, not yet positions. */
FFX_INLINE void ffx_sums_1(const ffx_table *table, const uint16_t c[], const uint32_t at[3], uint32_t sum[3])
{
    const uint32_t order = table->order;
    uint32_t w[4];

    ffx_weights(order, at[0], w);
    c += (at[0] >> 16) * table->joints;
    sum[0] = ffx_row(order, c, table->joints, w);
    if (table->joints > 1U) {
        sum[1] = ffx_row(order, &c[1], table->joints, w);
    }
    if (table->joints > 2U) {
        sum[2] = ffx_row(order, &c[2], table->joints, w);
    }
}

FFX_INLINE void ffx_sums_2(const ffx_table *table, const uint16_t c[], const uint32_t at[3], uint32_t sum[3])
{
    const uint32_t order = table->order;
    const uint32_t stride = table->joints * (table->cells[1] + order);
    uint32_t u[4];
    uint32_t v[4];

    ffx_weights(order, at[0], u);
    ffx_halve(order, u);
    ffx_weights(order, at[1], v);
    c += (at[0] >> 16) * stride + (at[1] >> 16) * table->joints;
    sum[0] = ffx_plane(order, c, stride, table->joints, u, v);
    if (table->joints > 1U) {
        sum[1] = ffx_plane(order, &c[1], stride, table->joints, u, v);
    }
    if (table->joints > 2U) {
        sum[2] = ffx_plane(order, &c[2], stride, table->joints, u, v);
    }
}

FFX_INLINE void ffx_sums_3(const ffx_table *table, const uint16_t c[], const uint32_t at[3], uint32_t sum[3])
{
    const uint32_t order = table->order;
    const uint32_t stride = table->joints * (table->cells[2] + order);
    const uint32_t layer = stride * (table->cells[1] + order);
    uint32_t t[4];
    uint32_t u[4];
    uint32_t v[4];
    uint32_t k;

    ffx_weights(order, at[0], t);
    ffx_halve(order, t);
    ffx_weights(order, at[1], u);
    ffx_halve(order, u);
    ffx_weights(order, at[2], v);
    c += (at[0] >> 16) * layer + (at[1] >> 16) * stride + (at[2] >> 16) * table->joints;
    sum[0] = 0U;
    for (k = 0U; k <= order; k++) {
        sum[0] += t[k] * (ffx_plane(order, c, stride, table->joints, u, v) >> 15);
        if (table->joints > 1U) {
            sum[1] += t[k] * (ffx_plane(order, &c[1], stride, table->joints, u, v) >> 15);
        }
        if (table->joints > 2U) {
            sum[2] += t[k] * (ffx_plane(order, &c[2], stride, table->joints, u, v) >> 15);
        }
        c += layer;
    }
}

FFX_INLINE void ffx_results(const ffx_table *table, const uint16_t coefficients[], const ffx_place *place, int32_t result[3],
                            uint32_t *flags)
{
    uint32_t sum[3];

    sum[1] = 0U;
    sum[2] = 0U;
    if (table->coordinates == 1U) {
        ffx_sums_1(table, coefficients, place->at, sum);
    } else if (table->coordinates == 2U) {
        ffx_sums_2(table, coefficients, place->at, sum);
    } else {
        ffx_sums_3(table, coefficients, place->at, sum);
    }
    result[0] = ffx_output_of(&table->output[0], sum[0], place->direction, flags);
    if (table->joints > 1U) {
        result[1] = ffx_output_of(&table->output[1], sum[1], place->direction, flags);
    }
    if (table->joints > 2U) {
        result[2] = ffx_output_of(&table->output[2], sum[2], place->direction, flags);
    }
}

FFX_INLINE uint32_t ffx_square(const ffx_table *table, uint32_t used, int32_t count)
{
    return ((uint32_t)(count * count) >> table->square_shift) * table->axis[used].weight;
}

FFX_INLINE uint32_t ffx_guard_flags(const ffx_table *table, const int16_t counts[], uint32_t squares)
{
    uint32_t flags = ffx_saturation(table, counts);

    if (squares < table->weak) {
        flags |= FFX_WEAK_FIELD;
    }
    if (squares > table->strong) {
        flags |= FFX_STRONG_FIELD;
    }
    return flags;
}

/* unit may be 0. Returns the flags; writes the position only if no flag of the mask is raised. */
FFX_INLINE uint16_t ffx_kernel(const ffx_table *table, const uint16_t coefficients[], const ffx_unit *unit,
                               const int16_t counts[], int32_t temperature, int32_t position[])
{
    uint32_t flags = table->always;
    int32_t c[4];
    int32_t result[3];
    ffx_place place;
    uint32_t squares;
    uint32_t sum = 1U;
    int32_t first = 0;
    int32_t second = 0;

    c[0] = ffx_count(&table->axis[0], unit, counts);
    squares = ffx_square(table, 0U, c[0]);
    if (table->axes > 1U) {
        c[1] = ffx_count(&table->axis[1], unit, counts);
        squares += ffx_square(table, 1U, c[1]);
    }
    if (table->axes > 2U) {
        c[2] = ffx_count(&table->axis[2], unit, counts);
        squares += ffx_square(table, 2U, c[2]);
    }
    if (table->axes > 3U) {
        c[3] = ffx_count(&table->axis[3], unit, counts);
        squares += ffx_square(table, 3U, c[3]);
    }
    if (table->form != FFX_FORM_RATIO) {
        first = (table->rotated != 0U) ? (c[0] + c[1]) : c[0];
        second = (table->rotated != 0U) ? (c[1] - c[0]) : c[1];
        sum = (uint32_t)((first < 0) ? -first : first) + (uint32_t)((second < 0) ? -second : second);
        /* Without an elevation only the two are weighed, so two zeros always fail below. */
        if ((table->ratios != 0U) && FFX_SELDOM(sum == 0U)) {
            return (uint16_t)(flags | ffx_guard_flags(table, counts, squares) | FFX_NOT_MEASURED);
        }
    }
    if (FFX_SELDOM(squares - table->weak > table->strong - table->weak)) {
        flags |= ffx_guard_flags(table, counts, squares);
        if (sum == 0U) {
            return (uint16_t)(flags | FFX_NOT_MEASURED);
        }
    } else if ((table->saturation_is_strong == 0U) || (unit != 0)) {
        flags |= ffx_saturation(table, counts);
    } else {
        /* nothing wrong with the counts */
    }
    result[1] = 0;
    result[2] = 0;
    place.at[0] = 0U; /* compilers do not see that the form sets what its coordinates use */
    place.at[1] = 0U;
    place.at[2] = 0U;
    place.direction = 0U;
    if (table->form == FFX_FORM_RATIO) {
        ffx_place_by_ratio(table, c, temperature, &place, &flags);
    } else if (table->form == FFX_FORM_DIRECTION) {
        ffx_place_by_direction(table, c, first, second, sum, temperature, &place, &flags);
    } else {
        place.below = (int32_t)sum;
        place.direction = ffx_direction(table, first, second, sum);
    }
    if (table->form == FFX_FORM_HARMONIC) {
        result[0] = ffx_harmonics(table, coefficients, place.direction);
    } else {
        ffx_results(table, coefficients, &place, result, &flags);
    }
    if (table->spare != 0U) {
        const uint32_t above = (uint32_t)(c[table->axes - 1U] * 8192 - table->spare_low * place.below);

        if (FFX_SELDOM(above > (uint32_t)((table->spare_high - table->spare_low) * place.below))) {
            flags |= FFX_POOR_MATCH | ffx_saturation(table, counts);
        }
    }
    /* Where all but FFX_UNCHECKED withhold, which is raised always or never, a comparison does for the mask. */
    if ((table->mask == (0xFFFFU & ~FFX_UNCHECKED)) ? (flags == table->always) : ((flags & table->mask) == 0U)) {
        position[0] = result[0];
        if (table->joints > 1U) {
            position[1] = result[1];
        }
        if (table->joints > 2U) {
            position[2] = result[2];
        }
        if (table->mask == (0xFFFFU & ~FFX_UNCHECKED)) {
            return table->always;
        }
    }
    return (uint16_t)flags;
}

#endif
