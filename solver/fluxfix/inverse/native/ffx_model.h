/* The least-squares problem that readings pose on the fast form. */
#ifndef FFX_MODEL_H
#define FFX_MODEL_H

#include "ffx_sums.h"

/* What several places call and is long: compiled once, which costs no time when it runs and saves half of the compiler's. */
#if defined(__GNUC__)
#define APART static __attribute__((noinline))
#else
#define APART static
#endif

enum { FFX_DRIFT_ROUNDS = 3, FFX_MATRIX = FFX_MAX_JOINTS * (FFX_MAX_JOINTS + 1) / 2 };

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

/* Cost, gradient and Gauss-Newton matrix at a position. A measured value costs w r²; a saturated one costs that while
   the model falls short of its limit, and nothing beyond it. */
APART void evaluate_plain(const ffx_form *form, const Terms *terms, const Lanes *reading, const Lanes *position,
                         Basis *basis, Point *at)
{
    const double *c = form->coefficients;
    const Lanes zero = all_lanes(0.0);
    basis_at(form, position, basis);
    Lanes cost = zero, gradient[FFX_MAX_JOINTS], matrix[FFX_MATRIX];
    for (int k = 0; k < D; ++k) {
        gradient[k] = zero;
        for (int j = 0; j <= k; ++j) {
            matrix[k * (k + 1) / 2 + j] = zero;
        }
    }
    for (int64_t i = 0; i < form->values; i += 3) {
        Sums found;
        c = sum_all(basis, form->terms, 1, c, &found);
        for (int a = 0; a < 3 && i + a < form->values; ++a) {
            const Lanes miss = reading[i + a] - found.value[a];
            Lanes weight = all_lanes(terms->weight[i + a]);
            if (terms->sided && terms->side[i + a]) {
                weight = choose(LESS(zero, miss * (double)terms->side[i + a]), weight, zero);
            }
            cost += weight * miss * miss;
            for (int k = 0; k < D; ++k) {
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
    for (int k = 0; k < D; ++k) {
        at->gradient[k] = gradient[k];
        for (int j = 0; j <= k; ++j) {
            at->matrix[k * (k + 1) / 2 + j] = matrix[k * (k + 1) / 2 + j];
        }
    }
}

/* The same where the readings drift with a number that varies unmeasured: it is solved for beside the position, known
   beforehand to be 0 with an sd of 1, which gives the readings the weight 1 / (R + g gᵀ). */
APART void evaluate_drifting(const ffx_form *form, const Terms *terms, const Lanes *reading,
                            const Lanes *position, Basis *basis, Point *at)
{
    const Lanes zero = all_lanes(0.0);
    Lanes expected[FFX_MAX_VALUES], moved[FFX_MAX_VALUES], turned[FFX_MAX_JOINTS][FFX_MAX_VALUES];
    Lanes weight[FFX_MAX_VALUES], miss[FFX_MAX_VALUES], size = zero, known = zero;
    const double *c = form->coefficients, *g = form->drift;
    basis_at(form, position, basis);
    for (int64_t i = 0; i < form->values; i += 3) {
        Sums found, drift;
        c = sum_all(basis, form->terms, 1, c, &found);
        g = sum_all(basis, form->drift_terms, 1, g, &drift);
        for (int a = 0; a < 3 && i + a < form->values; ++a) {
            expected[i + a] = found.value[a];
            moved[i + a] = drift.value[a];
            for (int k = 0; k < D; ++k) {
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
    for (int k = 0; k < D; ++k) {
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

INLINE void evaluate(const ffx_form *form, const Terms *terms, const Lanes *reading, const Lanes *position,
                     Basis *basis, Point *at)
{
    if (form->drift_terms[0]) {
        evaluate_drifting(form, terms, reading, position, basis, at);
    } else {
        evaluate_plain(form, terms, reading, position, basis, at);
    }
}

#endif
