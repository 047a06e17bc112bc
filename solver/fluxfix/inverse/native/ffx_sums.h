/* The readings of the fast form and their slopes: functions of each joint, and sums of their products. */
#ifndef FFX_SUMS_H
#define FFX_SUMS_H

#include "ffx_joints.h"

#define FFX_DEGREE 0.017453292519943295769 /* in radians */

/* Basis functions of each joint at the positions of all lanes, and their derivatives by the joint's unit. */
typedef struct {
    Lanes value[FFX_MAX_JOINTS][FFX_MAX_TERMS];
    Lanes slope[FFX_MAX_JOINTS][FFX_MAX_TERMS];
} Basis;

/* Sums of three values with their derivatives. */
typedef struct {
    Lanes value[3];
    Lanes slope[FFX_MAX_JOINTS][3];
} Sums;

INLINE void cosine_sine(Lanes angle_deg, Lanes *cosine, Lanes *sine)
{
    const Lanes quarters = rounded(angle_deg * (1.0 / 90.0));
    const Lanes x = (angle_deg - 90.0 * quarters) * FFX_DEGREE, y = x * x;
    const Lanes quadrant = quarters - 4.0 * rounded(0.25 * quarters);
    /* Taylor series; the first term left out is below 1e-17 for |x| up to pi / 4. */
    const Lanes s = x * (1.0 + y * (-1.0 / 6 + y * (1.0 / 120 + y * (-1.0 / 5040 + y * (1.0 / 362880 +
                    y * (-1.0 / 39916800 + y * (1.0 / 6227020800.0 + y * (-1.0 / 1307674368000.0))))))));
    const Lanes c = 1.0 + y * (-0.5 + y * (1.0 / 24 + y * (-1.0 / 720 + y * (1.0 / 40320 + y * (-1.0 / 3628800 +
                    y * (1.0 / 479001600.0 + y * (-1.0 / 87178291200.0 + y * (1.0 / 20922789888000.0))))))));
    const Mask none = EQUAL(quadrant, all_lanes(0.0)), up = EQUAL(quadrant, all_lanes(1.0));
    const Mask down = EQUAL(quadrant, all_lanes(-1.0));
    *cosine = choose(none, c, choose(up, -s, choose(down, s, -c)));
    *sine = choose(none, s, choose(up, c, choose(down, -c, -s)));
}

/* Chebyshev polynomials of a joint between two ends, harmonics 1, cos, sin, cos 2, … of one that makes a full turn. */
INLINE void basis_at(const ffx_form *form, const Lanes *position, Basis *basis)
{
    for (int k = 0; k < D; ++k) {
        /* As many as any form of this joint needs. */
        int64_t terms = form->terms[k] > form->common_terms[k] ? form->terms[k] : form->common_terms[k];
        terms = terms > form->drift_terms[k] ? terms : form->drift_terms[k];
        Lanes *value = basis->value[k], *slope = basis->slope[k];
        value[0] = all_lanes(1.0);
        slope[0] = all_lanes(0.0);
        if (form->wraps[k]) {
            Lanes c1, s1, c, s;
            cosine_sine(position[k], &c1, &s1);
            c = c1;
            s = s1;
            for (int64_t i = 1; i + 1 < terms; i += 2) {
                const double rate = 0.5 * (double)(i + 1) * FFX_DEGREE;
                const Lanes turned = c * c1 - s * s1;
                value[i] = c;
                value[i + 1] = s;
                slope[i] = -rate * s;
                slope[i + 1] = rate * c;
                s = s * c1 + c * s1;
                c = turned;
            }
        } else {
            const double inverse = 2.0 / (form->highest[k] - form->lowest[k]);
            const Lanes x = (position[k] - 0.5 * (form->highest[k] + form->lowest[k])) * inverse, twice = x + x;
            Lanes v0 = value[0], v1 = x, s0 = slope[0], s1 = all_lanes(1.0);
            for (int64_t i = 1; i < terms; ++i) {
                /* In this order a slope waits for the one before it no longer than one multiplication takes. */
                const Lanes v2 = twice * v1 - v0, s2 = twice * s1 + (2.0 * v1 - s0);
                value[i] = v1;
                slope[i] = inverse * s1;
                v0 = v1;
                v1 = v2;
                s0 = s1;
                s1 = s2;
            }
        }
    }
}

/* The innermost joint's sums. Returns where the coefficients after them stand. */
INLINE const double *sum_last(const Basis *basis, const int64_t *terms, int k, int slopes, const double *c,
                              Sums *out)
{
    Lanes v0 = all_lanes(0.0), v1 = v0, v2 = v0, s0 = v0, s1 = v0, s2 = v0;
    for (int64_t i = 0; i < terms[k]; ++i, c += 3) {
        const Lanes value = basis->value[k][i];
        v0 += value * c[0];
        v1 += value * c[1];
        v2 += value * c[2];
        if (slopes) {
            const Lanes slope = basis->slope[k][i];
            s0 += slope * c[0];
            s1 += slope * c[1];
            s2 += slope * c[2];
        }
    }
    out->value[0] = v0;
    out->value[1] = v1;
    out->value[2] = v2;
    out->slope[k][0] = s0;
    out->slope[k][1] = s1;
    out->slope[k][2] = s2;
    return c;
}

#define FFX_SUM_OUTER(NAME, INNER)                                                                                     \
    INLINE const double *NAME(const Basis *basis, const int64_t *terms, int k, int slopes, const double *c,            \
                              Sums *out)                                                                               \
    {                                                                                                                  \
        Sums whole;                                                                                                    \
        for (int a = 0; a < 3; ++a) {                                                                                  \
            whole.value[a] = all_lanes(0.0);                                                                           \
            for (int j = k; j < D; ++j) {                                                                              \
                whole.slope[j][a] = all_lanes(0.0);                                                                    \
            }                                                                                                          \
        }                                                                                                              \
        for (int64_t i = 0; i < terms[k]; ++i) {                                                                       \
            const Lanes value = basis->value[k][i], slope = basis->slope[k][i];                                        \
            Sums part;                                                                                                 \
            c = INNER(basis, terms, k + 1, slopes, c, &part);                                                          \
            for (int a = 0; a < 3; ++a) {                                                                              \
                whole.value[a] += value * part.value[a];                                                               \
                if (slopes) {                                                                                          \
                    whole.slope[k][a] += slope * part.value[a];                                                        \
                    for (int j = k + 1; j < D; ++j) {                                                                  \
                        whole.slope[j][a] += value * part.slope[j][a];                                                 \
                    }                                                                                                  \
                }                                                                                                      \
            }                                                                                                          \
        }                                                                                                              \
        *out = whole;                                                                                                  \
        return c;                                                                                                      \
    }

FFX_SUM_OUTER(sum_two, sum_last)
FFX_SUM_OUTER(sum_three, sum_two)
FFX_SUM_OUTER(sum_four, sum_three)

/* Three values of a form, from the coefficients at `c`. */
INLINE const double *sum_all(const Basis *basis, const int64_t *terms, int slopes, const double *c, Sums *out)
{
    return D == 1   ? sum_last(basis, terms, 0, slopes, c, out)
           : D == 2 ? sum_two(basis, terms, 0, slopes, c, out)
           : D == 3 ? sum_three(basis, terms, 0, slopes, c, out)
                    : sum_four(basis, terms, 0, slopes, c, out);
}

#endif
