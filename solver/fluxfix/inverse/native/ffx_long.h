/* The long way: the whole search for one reading, whatever it is. */
#ifndef FFX_LONG_H
#define FFX_LONG_H

#include "ffx_search.h"

/* Which of two positions, D joints each, are different ones. */
INLINE int differ(const ffx_form *form, const double *a, const double *b)
{
    int found = 0;
    for (int k = 0; k < D; ++k) {
        double apart = a[k] - b[k];
        if (form->wraps[k]) {
            apart -= 360.0 * GET(rounded(all_lanes(apart * (1.0 / 360.0))), 0);
        }
        found |= apart > form->resolution[k] || apart < -form->resolution[k];
    }
    return found;
}

/* The candidate of least cost that is another position than the best, -1 where there is none. */
INLINE int rival_of(const ffx_form *form, const Candidates *found, int best)
{
    int other = -1;
    for (int c = 0; c < found->count; ++c) {
        if (differ(form, found->position[c], found->position[best]) &&
            (other < 0 || found->cost[c] < found->cost[other])) {
            other = c;
        }
    }
    return other;
}

/* Whether a step, the same in all lanes, is a number and ends within the range of the search. */
INLINE int inside(const ffx_form *form, const Lanes *position, const Lanes *step)
{
    int found = 1;
    for (int k = 0; k < D; ++k) {
        const double to = GET(position[k], 0) + GET(step[k], 0);
        found &= to == to && (form->wraps[k] || (to > form->lowest[k] && to < form->highest[k]));
    }
    return found;
}

INLINE void not_measured(int saturated, size_t row, const ffx_fixes *out)
{
    Fix fix;
    for (int k = 0; k < D; ++k) {
        fix.position[k] = all_lanes((double)NAN);
    }
    for (int e = 0; e < D * (D + 1) / 2; ++e) {
        fix.noise[e] = fix.covariance[e] = all_lanes((double)INFINITY);
    }
    fix.misfit = all_lanes((double)NAN);
    fix.status = flag(~no_lane(), FFX_NOT_MEASURED | (saturated ? FFX_SATURATED : 0));
    write_row(&fix, 0, 0, row, out);
}

/* The long way, for one reading. `rival`, where wanted, is the cost of the best other position above the best's. */
INLINE void long_way(const ffx_form *form, const double *weight, const double *reading, size_t row,
                     const ffx_fixes *out, double *rival)
{
    Terms terms;
    Basis basis;
    Point at;
    Candidates found;
    Lanes values[FFX_MAX_VALUES];
    double given[FFX_MAX_VALUES];
    int64_t measured = 0;
    int missing = 0;
    terms.sided = 0;
    for (int64_t i = 0; i < form->values; ++i) {
        const double r = reading[i];
        /* Rivals are asked for readings that are expected, wherever a sensor's range ends. */
        const int side = rival ? 0 : r > form->high_mT[i] ? 1 : r < form->low_mT[i] ? -1 : 0;
        given[i] = side > 0 ? form->high_mT[i] : side < 0 ? form->low_mT[i] : r;
        values[i] = all_lanes(given[i]);
        terms.weight[i] = weight[i];
        terms.side[i] = side;
        terms.sided |= side != 0;
        measured += side == 0;
        missing |= !(r == r);
    }
    if (rival && (missing || measured < D)) {
        *rival = 0.0; /* nothing is known: always the long way */
        return;
    }
    if (missing || measured < D) {
        not_measured(terms.sided, row, out);
        return;
    }
    search(form, &terms, given, values, &basis, &at, &found);
    const int best = lowest_candidate(&found), other = rival_of(form, &found, best);
    if (rival) {
        *rival = other < 0 ? (double)INFINITY : found.cost[other] - found.cost[best];
        return;
    }
    Fix fix;
    for (int k = 0; k < D; ++k) {
        fix.position[k] = all_lanes(found.position[best][k]);
    }
    const int sided = terms.sided;
    terms.sided = 0;
    for (int64_t i = 0; i < form->values; ++i) {
        terms.weight[i] = terms.side[i] ? 0.0 : weight[i];
    }
    Lanes step[FFX_MAX_JOINTS];
    const Lanes decrement = newton(form, &terms, values, fix.position, &basis, &at, step);
    fix.misfit = at.cost;
    if (!sided && found.at_rest[best] && inside(form, fix.position, step)) {
        fix.misfit = larger(at.cost - decrement, all_lanes(0.0));
        for (int k = 0; k < D; ++k) {
            fix.position[k] += step[k];
        }
    }
    wrap(form, fix.position);
    covariance(form, &terms, &basis, &at, &fix);
    flags(form, &terms, values, measured - D, &fix);
    const int ambiguous = other >= 0 && found.cost[other] < found.cost[best] + FFX_AMBIGUITY;
    fix.status |= flag(~no_lane(), (sided ? FFX_SATURATED : 0) | (found.at_rest[best] ? 0 : FFX_NOT_CONVERGED) |
                                       (ambiguous ? FFX_AMBIGUOUS : 0));
    write_row(&fix, 0, measured - D, row, out);
    if (ambiguous && out->status) {
        for (int k = 0; k < D; ++k) {
            fix.position[k] = all_lanes(found.position[other][k]);
        }
        wrap(form, fix.position);
        for (int k = 0; k < D; ++k) {
            out->other[row * (size_t)D + (size_t)k] = GET(fix.position[k], 0);
        }
    }
}

#endif
