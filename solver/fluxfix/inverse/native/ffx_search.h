/* The whole search for one reading, as inverse/follow.py does it on the exact model: the deepest valleys of the misfit
   over a grid, damped Gauss-Newton steps from each, then again on both sides of a fold. The lanes hold the starts. */
#ifndef FFX_SEARCH_H
#define FFX_SEARCH_H

#include "ffx_fix.h"

enum { FFX_VALLEYS = 3, FFX_CANDIDATES = 5, FFX_MOST_STEPS = 64 };

#define FFX_AT_REST 1e-6
#define FFX_FIRST_DAMPING 1e-3
#define FFX_LEAST_DAMPING 1e-15
#define FFX_MOST_DAMPING 1e12
#define FFX_AMBIGUITY 16.0

typedef struct {
    int count;
    double position[FFX_CANDIDATES][FFX_MAX_JOINTS], cost[FFX_CANDIDATES];
    int at_rest[FFX_CANDIDATES];
} Candidates;

/* The point of the grid nearest to a position. */
INLINE int64_t nearest_point(const ffx_form *form, const double *position)
{
    int64_t found = 0;
    for (int k = 0; k < D; ++k) {
        const double cells = (position[k] - form->first[k]) / form->step[k] + 0.5;
        int64_t index = (int64_t)(cells < -1e9 ? -1e9 : cells > 1e9 ? 1e9 : cells);
        index -= (double)index > cells; /* the cast rounds towards zero */
        if (form->wraps[k]) {
            index %= form->points_of_joint;
            index += index < 0 ? form->points_of_joint : 0;
        } else {
            index = index < 0 ? 0 : index >= form->points_of_joint ? form->points_of_joint - 1 : index;
        }
        found = found * form->points_of_joint + index;
    }
    return found;
}

INLINE void position_of_point(const ffx_form *form, int64_t point, double *position)
{
    for (int k = D - 1; k >= 0; --k) {
        position[k] = form->first[k] + (double)(point % form->points_of_joint) * form->step[k];
        point /= form->points_of_joint;
    }
}

/* Lowest of each point and its neighbours along one joint. */
static void lowest_along(int64_t points, int64_t along, int64_t stride, int wraps, const double *from, double *to)
{
    for (int64_t p = 0; p < points; ++p) {
        const int64_t index = p / stride % along;
        double lowest = from[p];
        if (index > 0 || wraps) {
            const double before = from[index > 0 ? p - stride : p + (along - 1) * stride];
            lowest = before < lowest ? before : lowest;
        }
        if (index + 1 < along || wraps) {
            const double after = from[index + 1 < along ? p + stride : p - (along - 1) * stride];
            lowest = after < lowest ? after : lowest;
        }
        to[p] = lowest;
    }
}

/* The deepest separate valleys of the misfit over the grid, deepest first. Returns how many. */
static int valleys(const ffx_form *form, const Terms *terms, const double *reading, int64_t *found)
{
    double misfit[FFX_MAX_POINTS], lowest[FFX_MAX_POINTS], other[FFX_MAX_POINTS];
    double *const pull = lowest, *const known = other;
    const int drifting = form->drift_terms[0] != 0;
    double *now = lowest, *next = other;
    int64_t stride = 1;
    for (int64_t p = 0; p < form->points; ++p) {
        misfit[p] = pull[p] = 0.0;
        known[p] = 1.0;
    }
    for (int64_t i = 0; i < form->values; ++i) {
        const double *grid = form->grid_mT + i * form->points;
        const double value = reading[i], weight = terms->weight[i];
        const double side = (double)terms->side[i];
        if (terms->side[i]) {
            for (int64_t p = 0; p < form->points; ++p) {
                const double miss = side * (value - grid[p]);
                misfit[p] += miss > 0.0 ? weight * miss * miss : 0.0;
            }
        } else {
            for (int64_t p = 0; p < form->points; ++p) {
                const double miss = value - grid[p];
                misfit[p] += weight * miss * miss;
            }
            for (int64_t p = 0; drifting && p < form->points; ++p) {
                const double moved = form->grid_drift_mT[i * form->points + p];
                pull[p] += weight * moved * (value - grid[p]);
                known[p] += weight * moved * moved;
            }
        }
    }
    for (int64_t p = 0; drifting && p < form->points; ++p) {
        misfit[p] -= pull[p] * pull[p] / known[p];
    }
    for (int64_t p = 0; p < form->points; ++p) {
        now[p] = misfit[p];
    }
    for (int k = D - 1; k >= 0; --k) {
        double *swapped = now;
        lowest_along(form->points, form->points_of_joint, stride, form->wraps[k] != 0, now, next);
        now = next;
        next = swapped;
        stride *= form->points_of_joint;
    }
    int count = 0;
    for (; count < FFX_VALLEYS; ++count) {
        int64_t best = -1;
        for (int64_t p = 0; p < form->points; ++p) {
            if (misfit[p] <= now[p] && (best < 0 || misfit[p] < misfit[best])) {
                best = p;
            }
        }
        if (best < 0) {
            break;
        }
        found[count] = best;
        now[best] = -1.0; /* taken */
    }
    return count;
}

/* The undamped step at a position. Returns its square in sd. */
APART Lanes newton(const ffx_form *form, const Terms *terms, const Lanes *reading, const Lanes *position,
                   Basis *basis, Point *at, Lanes *step)
{
    Lanes factor[FFX_MATRIX], decrement = all_lanes(0.0);
    evaluate(form, terms, reading, position, basis, at);
    factorise(at->matrix, factor);
    solve_factored(factor, at->gradient, step);
    for (int k = 0; k < D; ++k) {
        decrement += at->gradient[k] * step[k];
    }
    return decrement;
}

/* The damped matrix, with the rows of resting joints replaced by those of the identity. */
INLINE void held(const Lanes *matrix, const Mask *is_free, Lanes damping, Lanes *out)
{
    for (int k = 0; k < D; ++k) {
        for (int j = 0; j < k; ++j) {
            const int e = k * (k + 1) / 2 + j;
            out[e] = choose(is_free[k] & is_free[j], matrix[e], all_lanes(0.0));
        }
        const int e = k * (k + 1) / 2 + k;
        out[e] = choose(is_free[k] & LESS(all_lanes(0.0), matrix[e]), matrix[e] * (1.0 + damping), all_lanes(1.0));
    }
}

/* From the start in each lane to the bottom of its valley. */
INLINE void descend(const ffx_form *form, const Terms *terms, const Lanes *reading, Lanes *position, Basis *basis,
                   Point *at, Mask *at_rest)
{
    Lanes damping = all_lanes(FFX_FIRST_DAMPING), trial[FFX_MAX_JOINTS];
    Mask rest = no_lane(), settled = no_lane();
    Point there;
    at->cost = all_lanes(INFINITY);
    for (int k = 0; k < D; ++k) {
        trial[k] = position[k];
        at->gradient[k] = all_lanes(0.0);
    }
    for (int e = 0; e < D * (D + 1) / 2; ++e) {
        at->matrix[e] = all_lanes(0.0);
    }
    for (int step = 0; step < FFX_MOST_STEPS && any_lane(~rest); ++step) {
        Lanes matrix[FFX_MATRIX], factor[FFX_MATRIX], gradient[FFX_MAX_JOINTS];
        Lanes plain[FFX_MAX_JOINTS], damped[FFX_MAX_JOINTS], decrement = all_lanes(0.0);
        Mask is_free[FFX_MAX_JOINTS];
        evaluate(form, terms, reading, trial, basis, &there);
        const Mask better = ~rest & LESS(there.cost, at->cost);
        /* Near the minimum round-off decides the sign of the last change; that step is far below an sd. */
        const Mask last = ~rest & settled & LESS(there.cost, at->cost * (1.0 + 1e-9) + 1e-12);
        const Mask taken = better | last;
        if (step) {
            const Lanes eased = larger(damping * 0.1, all_lanes(FFX_LEAST_DAMPING));
            const Lanes raised = clipped(damping * 10.0, 0.0, FFX_MOST_DAMPING);
            damping = choose(better, eased, raised);
        }
        at->cost = choose(taken, there.cost, at->cost);
        for (int k = 0; k < D; ++k) {
            position[k] = choose(taken, trial[k], position[k]);
            at->gradient[k] = choose(taken, there.gradient[k], at->gradient[k]);
        }
        for (int e = 0; e < D * (D + 1) / 2; ++e) {
            at->matrix[e] = choose(taken, there.matrix[e], at->matrix[e]);
        }
        rest |= settled;
        for (int k = 0; k < D; ++k) {
            const Lanes zero = all_lanes(0.0), g = at->gradient[k];
            is_free[k] = ~no_lane();
            if (!form->wraps[k]) {
                const Mask low = ~LESS(all_lanes(form->lowest[k]), position[k]) & LESS(g, zero);
                const Mask high = ~LESS(position[k], all_lanes(form->highest[k])) & LESS(zero, g);
                is_free[k] = ~(low | high);
            }
            gradient[k] = choose(is_free[k], g, zero);
        }
        held(at->matrix, is_free, all_lanes(0.0), matrix);
        factorise(matrix, factor);
        solve_factored(factor, gradient, plain);
        for (int k = 0; k < D; ++k) {
            decrement += gradient[k] * plain[k];
        }
        settled = LESS(decrement, FFX_AT_REST * larger(at->cost, all_lanes(1.0)));
        held(at->matrix, is_free, damping, matrix);
        factorise(matrix, factor);
        solve_factored(factor, gradient, damped);
        for (int k = 0; k < D; ++k) {
            trial[k] = position[k] + choose(settled, plain[k], damped[k]);
            if (!form->wraps[k]) {
                trial[k] = clipped(trial[k], form->lowest[k], form->highest[k]);
            }
        }
    }
    *at_rest = rest;
}

/* Follow points of the grid, and add where they lead to the candidates. */
INLINE void follow_points(const ffx_form *form, const Terms *terms, const Lanes *reading, const int64_t *points,
                          int count, Basis *basis, Point *at, Candidates *found)
{
    for (int done = 0; done < count; done += FFX_LANES) {
        Lanes position[FFX_MAX_JOINTS] = {0};
        Mask at_rest;
        for (int l = 0; l < FFX_LANES; ++l) {
            double start[FFX_MAX_JOINTS];
            position_of_point(form, points[done + l < count ? done + l : done], start);
            for (int k = 0; k < D; ++k) {
                PUT(position[k], l, start[k]);
            }
        }
        descend(form, terms, reading, position, basis, at, &at_rest);
        for (int l = 0; l < FFX_LANES && done + l < count; ++l, ++found->count) {
            for (int k = 0; k < D; ++k) {
                found->position[found->count][k] = GET(position[k], l);
            }
            found->cost[found->count] = GET(at->cost, l);
            found->at_rest[found->count] = GET(at_rest, l) != 0;
        }
    }
}

INLINE int lowest_candidate(const Candidates *found)
{
    int best = 0;
    for (int c = 1; c < found->count; ++c) {
        best = found->cost[c] < found->cost[best] ? c : best;
    }
    return best;
}

/* The point on the other side of the fold that a point is near; the point itself where there is no fold. */
INLINE int64_t across_fold(const ffx_form *form, int64_t point)
{
    int64_t rest = point, found = 0, stride = 1;
    for (int k = D - 1; k >= 0; --k) {
        int64_t index = rest % form->points_of_joint + form->across[point * D + k];
        rest /= form->points_of_joint;
        if (form->wraps[k]) {
            index = (index % form->points_of_joint + form->points_of_joint) % form->points_of_joint;
        } else {
            index = index < 0 ? 0 : index >= form->points_of_joint ? form->points_of_joint - 1 : index;
        }
        found += index * stride;
        stride *= form->points_of_joint;
    }
    return found;
}

/* Every candidate for a reading. */
INLINE void search(const ffx_form *form, const Terms *terms, const double *reading, const Lanes *values,
                   Basis *basis, Point *at, Candidates *found)
{
    int64_t points[FFX_VALLEYS];
    int count = valleys(form, terms, reading, points);
    found->count = 0;
    for (int again = 0; again < 2; ++again) {
        if (again) {
            points[0] = nearest_point(form, found->position[lowest_candidate(found)]);
            points[1] = across_fold(form, points[0]);
            count = points[0] == points[1] ? 0 : 2;
        }
        follow_points(form, terms, values, points, count, basis, at, found);
    }
}

#endif
