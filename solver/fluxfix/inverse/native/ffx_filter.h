/* The filter itself: a joint keeps its velocity but for an acceleration that is white noise, of which as much is taken as
   moves the velocity over an interval by the largest one stated, as an sd; a value is expected at the position of its own
   instant. An acceleration that was constant over each interval would make the gain for the velocity 2 where it is large,
   and the filter ring from sample to sample; with this one the gain stays below 1.27.

   Source: Bar-Shalom, Li and Kirubarajan, Estimation with Applications to Tracking and Navigation, 2001, 6.2.2
   (continuous white noise acceleration), 10.3.3 (extended filter) and 10.5.2 (iterated extended filter). */
#ifndef FFX_FILTER_H
#define FFX_FILTER_H

#include "ffx_place.h"
#include "ffx_track.h"

enum {
    FFX_MOST_UPDATES = 8,
    FFX_FEW_INSTANTS = 3 /* up to so many one after the other cost less than all at once */
};

/* A step is straight while its square is below this times the span times the sd: what curves over the span then bends it
   by some hundredths of an sd. */
#define FFX_STRAIGHT 0.01

/* Behind positions and velocities there is room for what varies unmeasured. */
typedef struct {
    double state[FFX_MAX_STATE + 1], covariance[FFX_STATE_MATRIX + FFX_MAX_STATE + 1];
} Estimate;

/* What the readings are expected to be: values, how they move with positions, and with one sd of what varies. */
typedef struct {
    double value[FFX_MAX_VALUES], slope[FFX_MAX_VALUES][FFX_MAX_JOINTS], drift[FFX_MAX_VALUES];
} Expected;

/* What a reading says: values within their limits are used. */
typedef struct {
    double value[FFX_MAX_VALUES], variance[FFX_MAX_VALUES];
    int side[FFX_MAX_VALUES];
    int64_t used;
    int missing, sided;
} Reading;

INLINE double entry(const double *lower, int i, int j)
{
    return i >= j ? lower[i * (i + 1) / 2 + j] : lower[j * (j + 1) / 2 + i];
}

INLINE void read_values(const ffx_form *form, const double *weight, const double *given, Reading *reading)
{
    reading->used = 0;
    reading->missing = reading->sided = 0;
    for (int64_t i = 0; i < form->values; ++i) {
        const double r = given[i];
        const int side = r > form->high_mT[i] ? 1 : r < form->low_mT[i] ? -1 : 0;
        reading->value[i] = side > 0 ? form->high_mT[i] : side < 0 ? form->low_mT[i] : r;
        reading->variance[i] = 1.0 / weight[i];
        reading->side[i] = side;
        reading->sided |= side != 0;
        reading->missing |= !(r == r);
        reading->used += side == 0;
    }
}

/* Expected values of two joints at a state, instant by instant. */
INLINE void expect_in_turn(const ffx_form *form, const ffx_motion *motion, const double *state, Expected *expected)
{
    const int drifting = form->drift_terms[0] != 0;
    for (int64_t l = 0; l < motion->instants; ++l) {
        Basis basis;
        Lanes position[FFX_MAX_JOINTS];
        const double *c = form->coefficients, *g = form->drift;
        for (int k = 0; k < 2; ++k) {
            position[k] = all_lanes(state[k] + state[2 + k] * motion->instant_s[l]);
        }
        basis_at(form, position, &basis);
        for (int64_t i = 0; i < form->values; i += 3) {
            double value[3], slope[2][3], drift[3] = {0.0, 0.0, 0.0}, unused[2][3];
            c = sum_place(&basis, form->terms, c, value, slope);
            if (drifting) {
                g = sum_place(&basis, form->drift_terms, g, drift, unused);
            }
            for (int64_t a = 0; a < 3 && i + a < form->values; ++a) {
                if (motion->instant_of_value[i + a] == l) {
                    expected->value[i + a] = value[a];
                    expected->drift[i + a] = drift[a];
                    expected->slope[i + a][0] = slope[0][a];
                    expected->slope[i + a][1] = slope[1][a];
                }
            }
        }
    }
}

/* Expected values at a state, each at its own instant. */
INLINE void expect(const ffx_form *form, const ffx_motion *motion, const double *state, Expected *expected)
{
    const int drifting = form->drift_terms[0] != 0;
    if (D == 2 && motion->instants <= FFX_FEW_INSTANTS) {
        expect_in_turn(form, motion, state, expected);
        return;
    }
    for (int64_t first = 0; first < motion->instants; first += FFX_LANES) {
        Basis basis;
        Lanes position[FFX_MAX_JOINTS];
        const double *c = form->coefficients, *g = form->drift;
        for (int k = 0; k < D; ++k) {
            position[k] = all_lanes(state[k]);
            for (int64_t l = 0; l < FFX_LANES && first + l < motion->instants; ++l) {
                PUT(position[k], l, state[k] + state[D + k] * motion->instant_s[first + l]);
            }
        }
        basis_at(form, position, &basis);
        for (int64_t i = 0; i < form->values; i += 3) {
            Sums found, drift;
            c = sum_all(&basis, form->terms, 1, c, &found);
            if (drifting) {
                g = sum_all(&basis, form->drift_terms, 0, g, &drift);
            }
            for (int64_t a = 0; a < 3 && i + a < form->values; ++a) {
                const int64_t l = motion->instant_of_value[i + a] - first;
                if (l >= 0 && l < FFX_LANES) {
                    expected->value[i + a] = GET(found.value[a], l);
                    expected->drift[i + a] = drifting ? GET(drift.value[a], l) : 0.0;
                    for (int k = 0; k < D; ++k) {
                        expected->slope[i + a][k] = GET(found.slope[k][a], l);
                    }
                }
            }
        }
    }
}

/* The estimate some time later. */
INLINE void predict(const ffx_motion *motion, const Estimate *from, double later_s, Estimate *to)
{
    for (int k = 0; k < D; ++k) {
        to->state[k] = from->state[k] + later_s * from->state[D + k];
        to->state[D + k] = from->state[D + k];
        const double speed = motion->acceleration[k] * later_s, way = speed * later_s;
        for (int j = 0; j <= k; ++j) {
            const double both = entry(from->covariance, D + k, D + j);
            const double crossed = entry(from->covariance, D + k, j) + entry(from->covariance, D + j, k);
            to->covariance[k * (k + 1) / 2 + j] =
                entry(from->covariance, k, j) + later_s * (crossed + later_s * both) + (j == k ? way * way / 3.0 : 0.0);
            to->covariance[(D + k) * (D + k + 1) / 2 + D + j] = both + (j == k ? speed * speed : 0.0);
        }
        for (int j = 0; j < D; ++j) {
            to->covariance[(D + k) * (D + k + 1) / 2 + j] = entry(from->covariance, D + k, j) +
                                                            later_s * entry(from->covariance, D + k, D + j) +
                                                            (j == k ? 0.5 * way * speed : 0.0);
        }
    }
}

/* Take in one value, which misses what was expected. Returns the square of the miss in sd. */
INLINE double absorb(int n, const double *row, double miss, double variance, Estimate *estimate)
{
    double along[FFX_MAX_STATE + 1];
    for (int i = 0; i < n; ++i) {
        along[i] = 0.0;
        for (int j = 0; j < n; ++j) {
            along[i] += entry(estimate->covariance, i, j) * row[j];
        }
        variance += row[i] * along[i];
    }
    for (int i = 0; i < n; ++i) {
        const double gain = along[i] / variance;
        estimate->state[i] += gain * miss;
        for (int j = 0; j <= i; ++j) {
            estimate->covariance[i * (i + 1) / 2 + j] -= gain * along[j];
        }
    }
    return miss * miss / variance;
}

/* A position within the range of the form. */
INLINE double within(const ffx_form *form, int k, double position)
{
    return form->wraps[k] ? position : fmin(fmax(position, form->lowest[k]), form->highest[k]);
}

/* What a prediction and a reading say together; the model is taken as straight about `around` at first, and then about
   what was found. Returns chi-square of the reading against the prediction, NaN where nothing was found. */
APART double update(const ffx_form *form, const ffx_motion *motion, const Reading *reading,
                    const Estimate *prior, const double *around, Estimate *found)
{
    const int n = 2 * D, drifting = form->drift_terms[0] != 0;
    double about[FFX_MAX_STATE], row[FFX_MAX_STATE + 1];
    Expected expected;
    for (int k = 0; k < D; ++k) {
        about[k] = within(form, k, around[k]);
        about[D + k] = prior->state[D + k];
    }
    for (int updates = 0; updates < FFX_MOST_UPDATES; ++updates) {
        double chi_square = 0.0;
        int curved = 0, sound = 1;
        expect(form, motion, about, &expected);
        *found = *prior;
        /* What varies unmeasured is taken as if it came anew with every sample, and once more, unfiltered, into what is
           stated of the position: no sample is trusted for more than it says alone. */
        found->state[n] = 0.0;
        for (int j = 0; j <= n; ++j) {
            found->covariance[n * (n + 1) / 2 + j] = j == n ? 1.0 : 0.0;
        }
        for (int64_t i = 0; i < form->values; ++i) {
            if (reading->side[i]) {
                continue;
            }
            const double late = motion->instant_s[motion->instant_of_value[i]];
            double miss = reading->value[i] - expected.value[i] - expected.drift[i] * found->state[n];
            row[n] = expected.drift[i];
            for (int k = 0; k < D; ++k) {
                row[k] = expected.slope[i][k];
                row[D + k] = late * expected.slope[i][k];
                miss -= row[k] * (found->state[k] - about[k]) + row[D + k] * (found->state[D + k] - about[D + k]);
            }
            chi_square += absorb(n + drifting, row, miss, reading->variance[i], found);
        }
        for (int k = 0; k < D; ++k) {
            const double to = within(form, k, found->state[k]), step = to - about[k];
            const double variance = entry(found->covariance, k, k), speed = entry(found->covariance, D + k, D + k);
            sound &= variance > 0.0 && speed > 0.0 && variance < (double)INFINITY && speed < (double)INFINITY;
            curved |= !(step * step <= FFX_STRAIGHT * (form->high[k] - form->low[k]) * sqrt(variance));
            about[k] = to;
            about[D + k] = found->state[D + k];
        }
        if (!sound || !(chi_square == chi_square)) {
            return (double)NAN;
        }
        if (!curved) {
            return chi_square;
        }
    }
    return (double)NAN;
}

#endif
