/* What is stated about a position once it is found: covariance and flags. */
#ifndef FFX_FIX_H
#define FFX_FIX_H

#include "ffx_model.h"
#include "ffx_small.h"

#define FFX_OUTSIDE_SD 3.0

typedef struct {
    Lanes position[FFX_MAX_JOINTS], misfit;
    Lanes noise[FFX_MATRIX], covariance[FFX_MATRIX];
    Mask status, singular;
} Fix;

INLINE Mask flag(Mask where, int64_t bit)
{
    return where & bit;
}

/* Full turns into [low, low + 360). */
INLINE void wrap(const ffx_form *form, Lanes *position)
{
    for (int k = 0; k < D; ++k) {
        if (form->wraps[k]) {
            const Lanes low = all_lanes(form->low[k]), turn = all_lanes(360.0);
            Lanes q = position[k] - turn * rounded((position[k] - low) * (1.0 / 360.0) - 0.5);
            q = choose(LESS(q, low), q + turn, q);
            position[k] = choose(LESS(q, low + turn), q, choose(LESS(q - turn, low), low, q - turn));
        }
    }
}

/* The part that is common to all fixes of a calibrated build, P S Pᵀ with P = noise · JᵀW, added to the noise part. */
INLINE void add_common(const ffx_form *form, const Terms *terms, const Basis *basis, const Point *at, Fix *fix)
{
    Lanes per_mT[FFX_MAX_JOINTS][FFX_MAX_VALUES], moved[FFX_MAX_JOINTS][FFX_MAX_VALUES];
    const double *c = form->common;
    const int64_t entries = form->values * (form->values + 1) / 2;
    int64_t row = 0, column = 0;
    for (int k = 0; k < D; ++k) {
        for (int64_t i = 0; i < form->values; ++i) {
            Lanes sum = all_lanes(0.0);
            for (int j = 0; j < D; ++j) {
                sum += fix->noise[k >= j ? k * (k + 1) / 2 + j : j * (j + 1) / 2 + k] * at->columns[j][i];
            }
            per_mT[k][i] = choose(fix->singular, all_lanes(0.0), sum * terms->weight[i]);
            moved[k][i] = all_lanes(0.0);
        }
    }
    for (int64_t e = 0; e < entries; e += 3) {
        Sums found;
        c = sum_all(basis, form->common_terms, 0, c, &found);
        for (int a = 0; a < 3 && e + a < entries; ++a) {
            for (int k = 0; k < D; ++k) {
                moved[k][row] += found.value[a] * per_mT[k][column];
                if (row != column) {
                    moved[k][column] += found.value[a] * per_mT[k][row];
                }
            }
            if (++column > row) {
                ++row;
                column = 0;
            }
        }
    }
    for (int k = 0; k < D; ++k) {
        for (int j = 0; j <= k; ++j) {
            Lanes sum = all_lanes(0.0);
            for (int64_t i = 0; i < form->values; ++i) {
                sum += moved[k][i] * per_mT[j][i];
            }
            fix->covariance[k * (k + 1) / 2 + j] += sum;
        }
    }
}

/* Covariance of a fix from the point it was found at; the weight of a saturated value is 0 there. */
APART void covariance(const ffx_form *form, const Terms *terms, const Basis *basis, const Point *at, Fix *fix)
{
    fix->singular = invert(at->matrix, fix->noise);
    for (int e = 0; e < D * (D + 1) / 2; ++e) {
        fix->noise[e] = choose(fix->singular, all_lanes((double)INFINITY), fix->noise[e]);
        fix->covariance[e] = fix->noise[e];
    }
    if (form->common_terms[0]) {
        add_common(form, terms, basis, at, fix);
    }
    if (form->drift_terms[0]) { /* what varies unmeasured does not average out: it is no part of the noise */
        Lanes moved[FFX_MAX_JOINTS];
        for (int k = 0; k < D; ++k) {
            moved[k] = all_lanes(0.0);
            for (int j = 0; j < D; ++j) {
                moved[k] += fix->noise[k >= j ? k * (k + 1) / 2 + j : j * (j + 1) / 2 + k] * at->drift[j];
            }
            moved[k] = choose(fix->singular, all_lanes(0.0), moved[k]);
        }
        for (int k = 0; k < D; ++k) {
            for (int j = 0; j <= k; ++j) {
                fix->noise[k * (k + 1) / 2 + j] -= moved[k] * moved[j];
            }
        }
    }
}

/* Flags that follow from the fix itself and from the reading; those of the search are added by who searched. */
APART void flags(const ffx_form *form, const Terms *terms, const Lanes *reading, int64_t dof, Fix *fix)
{
    Mask status = flag(LESS(all_lanes(form->misfit_limit[dof]), fix->misfit), FFX_POOR_MATCH);
    if (dof == 0) {
        status |= flag(~no_lane(), FFX_UNCHECKED);
    }
    for (int k = 0; k < D; ++k) {
        const Lanes variance = fix->covariance[k * (k + 1) / 2 + k];
        if (!form->wraps[k]) {
            const Lanes beyond = larger(form->low[k] - fix->position[k], fix->position[k] - form->high[k]);
            const Lanes allowed = FFX_OUTSIDE_SD * FFX_OUTSIDE_SD * variance;
            status |= flag(LESS(all_lanes(0.0), beyond) & LESS(allowed, beyond * beyond), FFX_OUTSIDE_TRAVEL);
        }
        const double limit = form->position_sd[k];
        status |= flag(LESS(all_lanes(limit * limit), variance), FFX_IMPRECISE);
    }
    for (int64_t i = 0; i < form->values;) {
        const int64_t sensor = form->sensor_of_value[i];
        Lanes squared = all_lanes(0.0);
        int whole = 1;
        for (; i < form->values && form->sensor_of_value[i] == sensor; ++i) {
            squared += reading[i] * reading[i];
            whole &= !terms->side[i];
        }
        if (whole) {
            status |= flag(LESS(squared, all_lanes(form->weakest2[sensor])), FFX_WEAK_FIELD);
        }
        status |= flag(LESS(all_lanes(form->strongest2[sensor]), squared), FFX_STRONG_FIELD);
    }
    fix->status = status;
}

/* Write one lane to a row of the results. */
INLINE void write_row(const Fix *fix, int lane, int64_t dof, size_t row, const ffx_fixes *out)
{
    const size_t size = (size_t)D;
    for (size_t k = 0; k < size; ++k) {
        out->position[row * size + k] = GET(fix->position[k], lane);
    }
    if (!out->status) {
        return;
    }
    for (size_t k = 0; k < size; ++k) {
        for (size_t j = 0; j < size; ++j) {
            const size_t e = k >= j ? k * (k + 1) / 2 + j : j * (j + 1) / 2 + k, to = (row * size + k) * size + j;
            out->covariance[to] = GET(fix->covariance[e], lane);
            out->noise[to] = GET(fix->noise[e], lane);
        }
        out->other[row * size + k] = (double)NAN;
    }
    out->misfit[row] = GET(fix->misfit, lane);
    out->dof[row] = (int32_t)dof;
    out->status[row] = (int32_t)GET(fix->status, lane);
}

#endif
