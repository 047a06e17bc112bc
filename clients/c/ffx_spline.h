/* From coordinates to values: uniform B-splines of order 1 to 3 in one to three coordinates. Included by ffx_kernel.h alone.
 *
 * A row of coefficients gives 17 bits, half coefficient steps, rounded down; so does every further coordinate. What that takes away on
 * average has been added to the coefficients.
 */
#ifndef FFX_SPLINE_H
#define FFX_SPLINE_H

#include "ffx_place.h"

/* B-spline weights of the coefficients of a cell. None is negative and their sum is 2^16, so the result lies between the coefficients
 * whatever these are. */
FFX_INLINE void ffx_weights(uint32_t order, uint32_t coordinate, uint32_t weight[4])
{
    const uint32_t x = coordinate & 0xFFFFU;

    weight[2] = 0U;
    weight[3] = 0U;
    if (order == 1U) {
        weight[1] = x;
        weight[0] = 65536U - x;
    } else if (order == 2U) {
        weight[2] = (x * x) >> 17;
        weight[0] = 32768U + weight[2] - x;
        weight[1] = 65536U - weight[0] - weight[2];
    } else {
        const uint32_t squared = (x * x) >> 16;
        const uint32_t cubed = (squared * x) >> 16;

        weight[3] = (cubed * 10923U) >> 16;
        weight[0] = ((65536U + 3U * squared - 3U * x - cubed + 3U) * 10922U) >> 16;
        weight[2] = ((65536U + 3U * squared + 3U * x - 3U * cubed) * 5461U) >> 15;
        weight[1] = 65536U - weight[0] - weight[2] - weight[3];
    }
}

FFX_INLINE void ffx_halve(uint32_t order, uint32_t weight[4])
{
    uint32_t rest;

    weight[0] = weight[0] >> 1;
    rest = 32768U - weight[0];
    if (order > 1U) {
        weight[2] = weight[2] >> 1;
        rest -= weight[2];
    }
    if (order > 2U) {
        weight[3] = weight[3] >> 1;
        rest -= weight[3];
    }
    weight[1] = rest;
}

/* A sum whose upper 17 bits are the value, in half coefficient steps. */
FFX_INLINE uint32_t ffx_row(uint32_t order, const uint16_t c[], uint32_t step, const uint32_t weight[4])
{
    uint32_t sum = weight[0] * c[0] + weight[1] * c[step];

    if (order > 1U) {
        sum += weight[2] * c[2U * step];
    }
    if (order > 2U) {
        sum += weight[3] * c[3U * step];
    }
    return sum;
}

FFX_INLINE uint32_t ffx_plane(uint32_t order, const uint16_t c[], uint32_t stride, uint32_t step, const uint32_t outer[4],
                              const uint32_t inner[4])
{
    uint32_t sum = outer[0] * (ffx_row(order, c, step, inner) >> 15);

    sum += outer[1] * (ffx_row(order, &c[stride], step, inner) >> 15);
    if (order > 1U) {
        sum += outer[2] * (ffx_row(order, &c[2U * stride], step, inner) >> 15);
    }
    if (order > 2U) {
        sum += outer[3] * (ffx_row(order, &c[3U * stride], step, inner) >> 15);
    }
    return sum;
}

#endif
