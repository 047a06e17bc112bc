/* The readings of the fast form with their slopes, and the least-squares problem that they pose. */
#ifndef FFX_MODEL_H
#define FFX_MODEL_H

#include "ffx_form.h"
#include "ffx_lanes.h"

#if defined(__GNUC__)
#define APART static __attribute__((noinline))
#else
#define APART static
#endif

#define FFX_DEGREE 0.017453292519943295769 /* in radians */

enum { FFX_DRIFT_ROUNDS = 3, FFX_MATRIX = FFX_MAX_JOINTS * (FFX_MAX_JOINTS + 1) / 2 };

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

/* The least-squares problem at one position. Row i of the matrix JᵀWJ begins at entry i (i + 1) / 2. */
typedef struct {
    Lanes cost, gradient[FFX_MAX_JOINTS], matrix[FFX_MATRIX];
    Lanes columns[FFX_MAX_JOINTS][FFX_MAX_VALUES]; /* WJ over the weight of the noise */
    Lanes drift[FFX_MAX_JOINTS];                   /* JᵀW times the drift of the readings, where there is one */
} Point;

/* What all lanes share: weights in 1/mT², and +1 or -1 where a value is saturated at its upper or lower limit. */
typedef struct {
    double weight[FFX_MAX_VALUES];
    int side[FFX_MAX_VALUES];
    int sided;
} Terms;

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
INLINE void basis_at(const ffx_form *form, int d, const Lanes *position, Basis *basis)
{
    for (int k = 0; k < d; ++k) {
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
                const Lanes v2 = twice * v1 - v0, s2 = 2.0 * v1 + twice * s1 - s0;
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
INLINE const double *sum_last(const Basis *basis, const int64_t *terms, int d, int k, int slopes, const double *c,
                              Sums *out)
{
    Lanes v0 = all_lanes(0.0), v1 = v0, v2 = v0, s0 = v0, s1 = v0, s2 = v0;
    (void)d;
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
    INLINE const double *NAME(const Basis *basis, const int64_t *terms, int d, int k, int slopes, const double *c,     \
                              Sums *out)                                                                               \
    {                                                                                                                  \
        Sums whole;                                                                                                    \
        for (int a = 0; a < 3; ++a) {                                                                                  \
            whole.value[a] = all_lanes(0.0);                                                                           \
            for (int j = k; j < d; ++j) {                                                                              \
                whole.slope[j][a] = all_lanes(0.0);                                                                    \
            }                                                                                                          \
        }                                                                                                              \
        for (int64_t i = 0; i < terms[k]; ++i) {                                                                       \
            const Lanes value = basis->value[k][i], slope = basis->slope[k][i];                                        \
            Sums part;                                                                                                 \
            c = INNER(basis, terms, d, k + 1, slopes, c, &part);                                                       \
            for (int a = 0; a < 3; ++a) {                                                                              \
                whole.value[a] += value * part.value[a];                                                               \
                if (slopes) {                                                                                          \
                    whole.slope[k][a] += slope * part.value[a];                                                        \
                    for (int j = k + 1; j < d; ++j) {                                                                  \
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
INLINE const double *sum_all(const Basis *basis, const int64_t *terms, int d, int slopes, const double *c, Sums *out)
{
    return d == 1   ? sum_last(basis, terms, d, 0, slopes, c, out)
           : d == 2 ? sum_two(basis, terms, d, 0, slopes, c, out)
           : d == 3 ? sum_three(basis, terms, d, 0, slopes, c, out)
                    : sum_four(basis, terms, d, 0, slopes, c, out);
}

/* Cost, gradient and Gauss-Newton matrix at a position. A measured value costs w r²; a saturated one costs that while
   the model falls short of its limit, and nothing beyond it. */
INLINE void evaluate_any(const ffx_form *form, int d, const Terms *terms, const Lanes *reading, const Lanes *position,
                         Basis *basis, Point *at)
{
    const double *c = form->coefficients;
    const Lanes zero = all_lanes(0.0);
    basis_at(form, d, position, basis);
    Lanes cost = zero, gradient[FFX_MAX_JOINTS], matrix[FFX_MATRIX];
    for (int k = 0; k < d; ++k) {
        gradient[k] = zero;
        for (int j = 0; j <= k; ++j) {
            matrix[k * (k + 1) / 2 + j] = zero;
        }
    }
    for (int64_t i = 0; i < form->values; i += 3) {
        Sums found;
        c = sum_all(basis, form->terms, d, 1, c, &found);
        for (int a = 0; a < 3 && i + a < form->values; ++a) {
            const Lanes miss = reading[i + a] - found.value[a];
            Lanes weight = all_lanes(terms->weight[i + a]);
            if (terms->sided && terms->side[i + a]) {
                weight = choose(LESS(zero, miss * (double)terms->side[i + a]), weight, zero);
            }
            cost += weight * miss * miss;
            for (int k = 0; k < d; ++k) {
                const Lanes pull = weight * found.slope[k][a];
                gradient[k] += pull * miss;
                at->columns[k][i + a] = found.slope[k][a];
                for (int j = 0; j <= k; ++j) {
                    matrix[k * (k + 1) / 2 + j] += pull * found.slope[j][a];
                }
            }
        }
    }
    at->cost = cost;
    for (int k = 0; k < d; ++k) {
        at->gradient[k] = gradient[k];
        for (int j = 0; j <= k; ++j) {
            at->matrix[k * (k + 1) / 2 + j] = matrix[k * (k + 1) / 2 + j];
        }
    }
}

/* The same where the readings drift with a number that varies unmeasured: it is solved for beside the position, known
   beforehand to be 0 with an sd of 1, which gives the readings the weight 1 / (R + g gᵀ). */
INLINE void evaluate_drifting(const ffx_form *form, int d, const Terms *terms, const Lanes *reading,
                              const Lanes *position, Basis *basis, Point *at)
{
    const Lanes zero = all_lanes(0.0);
    Lanes expected[FFX_MAX_VALUES], moved[FFX_MAX_VALUES], turned[FFX_MAX_JOINTS][FFX_MAX_VALUES];
    Lanes weight[FFX_MAX_VALUES], miss[FFX_MAX_VALUES], size = zero, known = zero;
    const double *c = form->coefficients, *g = form->drift;
    basis_at(form, d, position, basis);
    for (int64_t i = 0; i < form->values; i += 3) {
        Sums found, drift;
        c = sum_all(basis, form->terms, d, 1, c, &found);
        g = sum_all(basis, form->drift_terms, d, 1, g, &drift);
        for (int a = 0; a < 3 && i + a < form->values; ++a) {
            expected[i + a] = found.value[a];
            moved[i + a] = drift.value[a];
            for (int k = 0; k < d; ++k) {
                at->columns[k][i + a] = found.slope[k][a];
                turned[k][i + a] = drift.slope[k][a];
            }
        }
    }
    /* Which saturated values count hangs on the drift, and the drift on them. */
    for (int round = 0; round < (terms->sided ? FFX_DRIFT_ROUNDS : 1); ++round) {
        Lanes pull = zero;
        known = all_lanes(1.0);
        for (int64_t i = 0; i < form->values; ++i) {
            weight[i] = all_lanes(terms->weight[i]);
            miss[i] = reading[i] - expected[i];
            if (terms->sided && terms->side[i]) {
                const Lanes beyond = (miss[i] - moved[i] * size) * (double)terms->side[i];
                weight[i] = choose(LESS(zero, beyond), weight[i], zero);
            }
            known += weight[i] * moved[i] * moved[i];
            pull += weight[i] * moved[i] * miss[i];
        }
        size = pull / known;
    }
    at->cost = size * size;
    for (int64_t i = 0; i < form->values; ++i) {
        miss[i] -= moved[i] * size;
        at->cost += weight[i] * miss[i] * miss[i];
    }
    for (int k = 0; k < d; ++k) {
        Lanes gradient = zero, shared = zero;
        for (int64_t i = 0; i < form->values; ++i) {
            at->columns[k][i] += turned[k][i] * size;
            gradient += weight[i] * at->columns[k][i] * miss[i];
            shared += weight[i] * at->columns[k][i] * moved[i];
        }
        at->gradient[k] = gradient;
        at->drift[k] = shared / known;
        for (int64_t i = 0; i < form->values; ++i) {
            turned[k][i] = at->columns[k][i];
            at->columns[k][i] -= moved[i] * at->drift[k];
        }
        for (int j = 0; j <= k; ++j) {
            Lanes sum = zero;
            for (int64_t i = 0; i < form->values; ++i) {
                sum += weight[i] * at->columns[k][i] * turned[j][i];
            }
            at->matrix[k * (k + 1) / 2 + j] = sum;
        }
    }
}

/* One of each for every number of joints, so that what depends on it is known when it is compiled. */
#define FFX_EVALUATE(D)                                                                                                \
    APART void evaluate_##D(const ffx_form *form, const Terms *terms, const Lanes *reading, const Lanes *position,     \
                            Basis *basis, Point *at)                                                                   \
    {                                                                                                                  \
        evaluate_any(form, D, terms, reading, position, basis, at);                                                    \
    }                                                                                                                  \
    APART void evaluate_drifting_##D(const ffx_form *form, const Terms *terms, const Lanes *reading,                   \
                                     const Lanes *position, Basis *basis, Point *at)                                   \
    {                                                                                                                  \
        evaluate_drifting(form, D, terms, reading, position, basis, at);                                               \
    }

FFX_EVALUATE(1)
FFX_EVALUATE(2)
FFX_EVALUATE(3)
FFX_EVALUATE(4)

INLINE void evaluate(const ffx_form *form, int d, const Terms *terms, const Lanes *reading, const Lanes *position,
                     Basis *basis, Point *at)
{
    if (form->drift_terms[0]) {
        switch (d) {
        case 1: evaluate_drifting_1(form, terms, reading, position, basis, at); break;
        case 2: evaluate_drifting_2(form, terms, reading, position, basis, at); break;
        case 3: evaluate_drifting_3(form, terms, reading, position, basis, at); break;
        default: evaluate_drifting_4(form, terms, reading, position, basis, at); break;
        }
        return;
    }
    switch (d) {
    case 1: evaluate_1(form, terms, reading, position, basis, at); break;
    case 2: evaluate_2(form, terms, reading, position, basis, at); break;
    case 3: evaluate_3(form, terms, reading, position, basis, at); break;
    default: evaluate_4(form, terms, reading, position, basis, at); break;
    }
}

#endif
