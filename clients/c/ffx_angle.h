/* The angle of a folded direction, and sines, by polynomials. Included by ffx_kernel.h alone.
 *
 * Coefficients: least worst error on [0, 1], found by reweighted least squares; it is 1.5e-5 of an octant for the angle and 8e-6 for
 * the sine.
 */
#ifndef FFX_ANGLE_H
#define FFX_ANGLE_H

#include "ffx_place.h"

/* From a direction (2^18 is a turn) to the angle in 2^-19 of a turn: in the middle of a quadrant, tan(angle) is 2 * part - 1. */
FFX_INLINE uint32_t ffx_angle(uint32_t direction)
{
    const uint32_t part = direction & 0xFFFFU;
    const uint32_t size = (part < 32768U) ? (32768U - part) : (part - 32768U);
    const uint32_t squared = (size * size) >> 14;
    const uint32_t middle = (direction >> 16) * 131072U + 65536U;
    uint32_t polynomial = 870U;

    polynomial = 3553U - ((squared * polynomial) >> 16);
    polynomial = 7516U - ((squared * polynomial) >> 16);
    polynomial = 13781U - ((squared * polynomial) >> 16);
    polynomial = 41716U - ((squared * polynomial) >> 16); /* 2^15 is one octant */
    polynomial = (size * polynomial) >> 14;
    return (part < 32768U) ? (middle - polynomial) : (middle + polynomial);
}

/* Sine in 2^-15 of a phase whose lower 16 bits are a turn. */
FFX_INLINE int32_t ffx_sine(uint32_t phase)
{
    const uint32_t half = phase & 0x7FFFU;
    const uint32_t from_peak = (half < 16384U) ? (16384U - half) : (half - 16384U);
    const uint32_t squared = (from_peak * from_peak) >> 13;
    uint32_t polynomial = 16561U - ((squared * 1256U) >> 15);

    polynomial = 80841U - ((squared * polynomial) >> 15);
    polynomial = (65536U - ((squared * polynomial) >> 15)) >> 1;
    return ((phase & 0x8000U) != 0U) ? -(int32_t)polynomial : (int32_t)polynomial;
}

/* The angle, with its sign and sines of its multiples added: 2^-16 of a turn. Coefficients are pairs of amplitude + 2^15 and phase. */
FFX_INLINE int32_t ffx_harmonics(const ffx_table *table, const uint16_t coefficients[], uint32_t direction)
{
    const uint32_t angle = ffx_angle(direction);
    uint32_t sum = (uint32_t)table->output[0].offset + ((table->output[0].turn < 0) ? (0U - angle) : angle) + 4U;
    uint32_t k;

    for (k = 0U; k < table->order; k++) {
        const int32_t sine = ffx_sine((k + 1U) * (angle >> 3) + coefficients[2U * k + 1U]);
        const int32_t product = (coefficients[2U * k] - 32768) * sine; /* at most 2^30 */

        sum += (((uint32_t)product + 0x80004000U) >> 15) - 65536U;
    }
    return (int32_t)((sum >> 3) & 0xFFFFU);
}

#endif
