/* The short way: a start near the solution, then undamped Gauss-Newton steps, as many readings at a time as there are
   lanes. */
#ifndef FFX_SHORT_H
#define FFX_SHORT_H

#include "ffx_search.h"

enum { FFX_SHORT_STEPS = 6 };

#define FFX_NEAR_REST 1e-4

/* The start of each lane from a polynomial in a few features of the reading. */
INLINE void polynomial_start(const ffx_form *form, const Lanes *reading, Lanes *position)
{
    Lanes feature[FFX_MAX_FEATURES], monomial[FFX_MAX_MONOMIALS], inverse = all_lanes(1.0);
    if (form->unit) {
        Lanes squared = all_lanes(0.0);
        for (int64_t i = 0; i < form->values; ++i) {
            squared += reading[i] * reading[i];
        }
        for (int l = 0; l < FFX_LANES; ++l) {
            PUT(inverse, l, sqrt(GET(squared, l)));
        }
        inverse = 1.0 / inverse;
    }
    for (int64_t f = 0; f < form->features; ++f) {
        Lanes sum = all_lanes(0.0);
        for (int64_t i = 0; i < form->values; ++i) {
            sum += reading[i] * form->mix[f * form->values + i];
        }
        feature[f] = clipped(sum * inverse - form->centre[f], -1.25, 1.25);
    }
    monomial[0] = all_lanes(1.0);
    for (int k = 0; k < D; ++k) {
        position[k] = all_lanes(form->start[k]);
    }
    for (int64_t e = 1; e < form->monomials; ++e) {
        monomial[e] = monomial[form->parent[e]] * feature[form->variable[e]];
        for (int k = 0; k < D; ++k) {
            position[k] += monomial[e] * form->start[e * D + k];
        }
    }
}

/* The start of each lane from the point of the grid that fits best. */
INLINE void grid_start(const ffx_form *form, const Terms *terms, const Lanes *reading, Lanes *position)
{
    Lanes least = all_lanes(INFINITY), which = all_lanes(0.0);
    for (int64_t p = 0; p < form->points; ++p) {
        Lanes misfit = all_lanes(0.0), pull = misfit, known = all_lanes(1.0);
        for (int64_t i = 0; i < form->values; ++i) {
            const Lanes miss = reading[i] - form->grid_mT[i * form->points + p];
            misfit += terms->weight[i] * miss * miss;
            if (form->drift_terms[0]) {
                const double moved = form->grid_drift_mT[i * form->points + p];
                pull += terms->weight[i] * moved * miss;
                known += all_lanes(terms->weight[i] * moved * moved);
            }
        }
        if (form->drift_terms[0]) {
            misfit -= pull * pull / known;
        }
        which = choose(LESS(misfit, least), all_lanes((double)p), which);
        least = choose(LESS(misfit, least), misfit, least);
    }
    for (int l = 0; l < FFX_LANES; ++l) {
        double start[FFX_MAX_JOINTS];
        position_of_point(form, (int64_t)GET(which, l), start);
        for (int k = 0; k < D; ++k) {
            PUT(position[k], l, start[k]);
        }
    }
}

/* The short way: to within 1e-3 sd; positions alone to within a hundredth of a step below 1e-2 sd. Returns the lanes
   whose fix holds. */
INLINE Mask short_way(const ffx_form *form, const Terms *terms, const Lanes *reading, Mask good, int all,
                      Basis *basis, Fix *fix)
{
    Lanes position[FFX_MAX_JOINTS], step[FFX_MAX_JOINTS];
    Mask near = no_lane();
    Point at;
    fix->misfit = all_lanes(0.0);
    if (form->features) {
        polynomial_start(form, reading, position);
    } else {
        grid_start(form, terms, reading, position);
    }
    for (int k = 0; k < D; ++k) {
        if (!form->wraps[k]) {
            position[k] = clipped(position[k], form->lowest[k], form->highest[k]);
        }
    }
    /* A lane near rest stays where its step led, so that it does not know its neighbours. */
    for (int steps = 0; steps < FFX_SHORT_STEPS && any_lane(good & ~near); ++steps) {
        const Lanes decrement = newton(form, terms, reading, position, basis, &at, step);
        const Mask settled = LESS(decrement, FFX_NEAR_REST * larger(at.cost, all_lanes(1.0)));
        fix->misfit = choose(near, fix->misfit, at.cost - decrement);
        for (int k = 0; k < D; ++k) {
            position[k] = choose(near, position[k], position[k] + step[k]);
            if (!form->wraps[k]) {
                position[k] = clipped(position[k], form->lowest[k], form->highest[k]);
            }
        }
        near |= settled;
    }
    good &= near;
    if (all) { /* one step more, from the point that the fix is described at */
        const Lanes decrement = newton(form, terms, reading, position, basis, &at, step);
        good &= LESS(decrement, FFX_AT_REST * larger(at.cost, all_lanes(1.0)));
        fix->misfit = at.cost - decrement;
        for (int k = 0; k < D; ++k) {
            position[k] += step[k];
        }
    }
    for (int k = 0; k < D; ++k) {
        fix->position[k] = position[k];
        if (!form->wraps[k]) {
            good &= LESS(all_lanes(form->lowest[k]), position[k]) & LESS(position[k], all_lanes(form->highest[k]));
        }
    }
    wrap(form, fix->position);
    fix->misfit = larger(fix->misfit, all_lanes(0.0));
    Lanes calm = all_lanes(0.0);
    for (int l = 0; l < FFX_LANES; ++l) {
        double q[FFX_MAX_JOINTS];
        for (int k = 0; k < D; ++k) {
            q[k] = GET(good, l) ? GET(fix->position[k], l) : form->low[k];
        }
        PUT(calm, l, form->calm[nearest_point(form, q)]);
    }
    good &= LESS(fix->misfit, calm);
    if (all) {
        covariance(form, terms, basis, &at, fix);
        good &= ~fix->singular;
        flags(form, terms, reading, form->values - D, fix);
    }
    return good;
}

#endif
