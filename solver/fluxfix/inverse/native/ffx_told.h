/* What is written of samples: their own rows, then what does not hang on the rows before, several at once. */
#ifndef FFX_TOLD_H
#define FFX_TOLD_H

#include "ffx_follow.h"

INLINE void write_track(const Track *track, int told, size_t row, const ffx_tracks *out)
{
    const size_t size = (size_t)D;
    for (size_t k = 0; k < size; ++k) {
        out->position[row * size + k] = told ? track->estimate.state[k] : (double)NAN;
        out->velocity[row * size + k] = told ? track->estimate.state[size + k] : (double)NAN;
        for (size_t j = 0; j < size; ++j) {
            const size_t to = (row * size + k) * size + j;
            const double noise = told ? entry(track->estimate.covariance, (int)k, (int)j) : (double)INFINITY;
            out->covariance[to] = out->noise[to] = noise;
            out->velocity_covariance[to] =
                told ? entry(track->estimate.covariance, D + (int)k, D + (int)j) : (double)INFINITY;
        }
    }
    out->misfit[row] = track->misfit;
    out->age_s[row] = told ? track->age_s : (double)NAN;
    out->dof[row] = track->dof;
    out->status[row] = track->status | (told && track->outside ? FFX_OUTSIDE_TRAVEL : 0);
}

/* One number of each of several rows, `width` numbers wide; lanes beyond them repeat the first. */
INLINE Lanes gathered(const double *numbers, size_t width, size_t row, size_t count)
{
    Lanes found = all_lanes(0.0);
    for (size_t l = 0; l < FFX_LANES; ++l) {
        PUT(found, l, numbers[(row + (l < count ? l : 0)) * width]);
    }
    return found;
}

/* Add to rows, as many as there are lanes at most, what does not hang on the rows before: the part that is common to all
   samples, and the flags that follow from it. `one` is the reading of the only row, or none where nothing is saturated. */
APART void describe(const ffx_form *form, const double *weight, const Reading *one, const double *readings,
                    size_t row, size_t count, const ffx_tracks *out)
{
    const size_t size = (size_t)D, values = (size_t)form->values;
    Terms terms;
    Fix fix;
    Lanes reading[FFX_MAX_VALUES], expected[FFX_MAX_VALUES], noise[FFX_MATRIX];
    const int drifting = form->drift_terms[0] != 0;
    terms.sided = 0;
    for (size_t i = 0; i < values; ++i) {
        terms.side[i] = one ? one->side[i] : 0;
        terms.weight[i] = terms.side[i] ? 0.0 : weight[i];
        reading[i] = one ? all_lanes(one->value[i]) : gathered(readings + i, values, row, count);
    }
    for (size_t k = 0; k < size; ++k) {
        fix.position[k] = gathered(out->position + k, size, row, count);
        for (size_t j = 0; j <= k; ++j) {
            noise[k * (k + 1) / 2 + j] = gathered(out->noise + k * size + j, size * size, row, count);
        }
    }
    if (form->common_terms[0] || drifting) {
        Basis basis;
        Point at;
        const double *c = form->coefficients;
        if (drifting) { /* slopes of a reading that shows no drift, since there may be none */
            basis_at(form, fix.position, &basis);
        }
        for (int64_t i = 0; drifting && i < form->values; i += 3) {
            Sums found;
            c = sum_all(&basis, form->terms, 0, c, &found);
            for (int64_t a = 0; a < 3 && i + a < form->values; ++a) {
                expected[i + a] = found.value[a];
            }
        }
        evaluate(form, &terms, drifting ? expected : reading, fix.position, &basis, &at);
        covariance(form, &terms, &basis, &at, &fix);
        for (int e = 0; e < D * (D + 1) / 2; ++e) {
            const Lanes common = fix.covariance[e] - fix.noise[e];
            fix.covariance[e] = noise[e] + choose(fix.singular, all_lanes(0.0), common);
        }
    } else {
        for (int e = 0; e < D * (D + 1) / 2; ++e) {
            fix.covariance[e] = noise[e];
        }
    }
    fix.misfit = all_lanes(0.0); /* judged against the prediction already */
    flags(form, &terms, reading, 1, &fix);
    for (size_t l = 0; l < FFX_LANES && l < count; ++l) {
        if (out->status[row + l] & FFX_NOT_MEASURED) {
            out->status[row + l] |= (int32_t)GET(fix.status, l) & (FFX_WEAK_FIELD | FFX_STRONG_FIELD);
            continue;
        }
        out->status[row + l] |= (int32_t)GET(fix.status, l);
        for (size_t k = 0; k < size; ++k) {
            for (size_t j = 0; j < size; ++j) {
                const size_t e = k >= j ? k * (k + 1) / 2 + j : j * (j + 1) / 2 + k;
                out->covariance[((row + l) * size + k) * size + j] = GET(fix.covariance[e], l);
            }
        }
    }
}

#endif
