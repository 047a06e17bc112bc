/* One sample after the other: when an estimate begins, goes on, is predicted and ends. */
#ifndef FFX_FOLLOW_H
#define FFX_FOLLOW_H

#include "ffx_filter.h"
#include "ffx_fix.h"

/* Ages are differences of times that may be seconds since an epoch: they are known to about this part. */
#define FFX_AGE_ROUNDING 1.01
/* Part by which one more interval moves the period. */
#define FFX_PERIOD_GAIN 0.0625
/* A full solution further from the prediction than this many sd is another place, or a wrong one. */
#define FFX_SAME_PLACE_SD 5.0

void ffx_solve(const ffx_form *form, const double *weight, const double *readings, size_t count, const ffx_fixes *out);

/* A full solution of one reading. */
typedef struct {
    double position[FFX_MAX_JOINTS];
    int32_t dof, status;
} Solution;

/* What is written of one sample. */
typedef struct {
    Estimate estimate;
    double misfit, age_s;
    int32_t dof, status;
    int outside;
} Track;

INLINE double span_of(const ffx_form *form, int k)
{
    return form->high[k] - form->low[k];
}

static void solve_fully(const ffx_form *form, const double *weight, const double *given, Solution *found)
{
    double covariance[FFX_MAX_JOINTS * FFX_MAX_JOINTS], noise[FFX_MAX_JOINTS * FFX_MAX_JOINTS];
    double other[FFX_MAX_JOINTS], misfit;
    ffx_fixes fixes;
    fixes.position = found->position;
    fixes.covariance = covariance;
    fixes.noise = noise;
    fixes.misfit = &misfit;
    fixes.other = other;
    fixes.dof = &found->dof;
    fixes.status = &found->status;
    ffx_solve(form, weight, given, 1, &fixes);
}

/* The same place as `near`, by as few full turns. */
INLINE double unwound(const ffx_form *form, int k, double position, double near)
{
    return form->wraps[k] ? position - 360.0 * floor((position - near) / 360.0 + 0.5) : position;
}

INLINE double into_turn(const ffx_form *form, int k, double position)
{
    if (!form->wraps[k]) {
        return position;
    }
    const double turned = position - 360.0 * floor((position - form->low[k]) / 360.0);
    return turned >= form->low[k] + 360.0 ? form->low[k] : turned;
}

/* Keep an estimate as that of a sample, which is what the following ones are predicted from. */
INLINE void keep(const ffx_form *form, const Estimate *found, double t_s, ffx_track_state *state)
{
    for (int k = 0; k < D; ++k) {
        state->state[k] = into_turn(form, k, within(form, k, found->state[k]));
        state->state[D + k] = found->state[D + k];
    }
    for (int e = 0; e < D * (2 * D + 1); ++e) {
        state->covariance[e] = found->covariance[e];
    }
    state->used_s = t_s;
    state->running = 1.0;
}

/* Begin with a full solution: any position, and any velocity that a joint may have. Returns whether it can be believed. */
INLINE int begin(const ffx_form *form, const ffx_motion *motion, const double *weight, const double *given,
                 const Reading *reading, double t_s, ffx_track_state *state, Track *track)
{
    Solution solution;
    Estimate prior, found;
    solve_fully(form, weight, given, &solution);
    track->status |= solution.status & (FFX_NOT_CONVERGED | FFX_AMBIGUOUS | FFX_POOR_MATCH | FFX_NOT_MEASURED);
    if (solution.status & (FFX_NOT_CONVERGED | FFX_NOT_MEASURED) || (solution.dof == 0 && track->status & FFX_POOR_MATCH)) {
        return 0;
    }
    for (int e = 0; e < FFX_STATE_MATRIX; ++e) {
        prior.covariance[e] = 0.0;
    }
    for (int k = 0; k < D; ++k) {
        const double span = span_of(form, k);
        prior.state[k] = solution.position[k];
        prior.state[D + k] = 0.0;
        prior.covariance[k * (k + 1) / 2 + k] = span * span;
        prior.covariance[(D + k) * (D + k + 1) / 2 + D + k] = motion->speed[k] * motion->speed[k];
    }
    track->misfit = update(form, motion, reading, &prior, prior.state, &found);
    track->dof = (int32_t)(reading->used - D);
    if (!(track->misfit <= motion->gate[track->dof > 0 ? track->dof : 1])) {
        track->status |= track->misfit == track->misfit ? FFX_POOR_MATCH : FFX_NOT_CONVERGED;
        return 0;
    }
    track->status &= ~FFX_POOR_MATCH; /* which took all values as of one instant */
    state->ambiguous = solution.status & FFX_AMBIGUOUS ? 1.0 : 0.0;
    keep(form, &found, t_s, state);
    return 1;
}

/* Go on from a prediction with a reading. Returns whether they agree; where not, the estimate stays. */
INLINE int go_on(const ffx_form *form, const ffx_motion *motion, const double *weight, const double *given,
                 const Reading *reading, const Estimate *prior, double t_s, ffx_track_state *state, Track *track)
{
    Solution solution;
    Estimate found;
    double around[FFX_MAX_JOINTS];
    int vague = 0, far = 0;
    for (int k = 0; k < D; ++k) {
        around[k] = prior->state[k];
        vague |= entry(prior->covariance, k, k) > form->resolution[k] * form->resolution[k];
    }
    if (vague || state->ambiguous > 0.0) {
        solve_fully(form, weight, given, &solution);
    }
    if (vague && !(solution.status & FFX_NOT_MEASURED)) {
        double near[FFX_MAX_JOINTS];
        for (int k = 0; k < D; ++k) {
            near[k] = unwound(form, k, solution.position[k], prior->state[k]);
            const double apart = near[k] - prior->state[k];
            far |= apart * apart > FFX_SAME_PLACE_SD * FFX_SAME_PLACE_SD * entry(prior->covariance, k, k);
        }
        for (int k = 0; k < D && !far; ++k) {
            around[k] = near[k];
        }
    }
    track->misfit = update(form, motion, reading, prior, around, &found);
    track->dof = (int32_t)reading->used;
    if (!(track->misfit <= motion->gate[reading->used])) {
        track->status |= track->misfit == track->misfit ? FFX_POOR_MATCH : FFX_NOT_CONVERGED;
        return 0;
    }
    if (state->ambiguous > 0.0) {
        if (solution.status & FFX_AMBIGUOUS) {
            track->status |= FFX_AMBIGUOUS;
        } else if (!(solution.status & (FFX_NOT_CONVERGED | FFX_NOT_MEASURED | FFX_POOR_MATCH))) {
            for (int k = 0; k < D; ++k) {
                const double apart = unwound(form, k, solution.position[k], found.state[k]) - found.state[k];
                far |= apart * apart > form->resolution[k] * form->resolution[k];
            }
            state->ambiguous = 0.0;
            if (far) { /* the other place it was */
                state->running = 0.0;
                return 0;
            }
        } else {
            track->status |= FFX_AMBIGUOUS;
        }
    }
    keep(form, &found, t_s, state);
    return 1;
}

INLINE void time_passes(double t_s, ffx_track_state *state)
{
    const double interval = t_s - state->t_s;
    if (interval > 0.0) {
        const double period = state->period_s;
        state->period_s = period > 0.0 ? period + FFX_PERIOD_GAIN * (fmin(interval, 2.0 * period) - period) : interval;
    }
    state->t_s = t_s;
}

INLINE void as_kept(const ffx_track_state *state, Estimate *estimate)
{
    for (int i = 0; i < FFX_MAX_STATE; ++i) {
        estimate->state[i] = state->state[i];
    }
    for (int e = 0; e < FFX_STATE_MATRIX; ++e) {
        estimate->covariance[e] = state->covariance[e];
    }
}

/* One sample. Returns whether there is a position to write. */
INLINE int follow(const ffx_form *form, const ffx_motion *motion, const double *weight, const double *given,
                  double t_s, Reading *reading, ffx_track_state *state, Track *track)
{
    Estimate kept, prior;
    int used = 0;
    read_values(form, weight, given, reading);
    time_passes(t_s, state);
    track->misfit = (double)NAN;
    track->dof = 0;
    track->status = reading->sided ? FFX_SATURATED : 0;
    track->outside = 0;
    const int usable = !reading->missing && reading->used >= D;
    double age_s = t_s - state->used_s;
    for (int k = 0; k < D && state->running > 0.0; ++k) { /* by now it can be anywhere */
        if (!(0.5 * motion->acceleration[k] * age_s * age_s <= span_of(form, k))) {
            state->running = 0.0;
        }
    }
    if (state->running > 0.0 && usable) {
        as_kept(state, &kept);
        predict(motion, &kept, age_s, &prior);
        used = go_on(form, motion, weight, given, reading, &prior, t_s, state, track);
    }
    if (!used && state->running > 0.0) {
        const double coast_s = motion->coast_s == motion->coast_s ? motion->coast_s : 2.0 * state->period_s;
        if (!(age_s <= FFX_AGE_ROUNDING * coast_s)) {
            state->running = 0.0;
        }
    }
    if (state->running <= 0.0) {
        const int32_t before = track->status & FFX_SATURATED;
        track->status = before;
        used = usable && begin(form, motion, weight, given, reading, t_s, state, track);
        if (!used) {
            track->status |= FFX_NOT_MEASURED;
            return 0;
        }
    }
    if (used && reading->used <= D) {
        track->status |= FFX_UNCHECKED;
    }
    track->age_s = t_s - state->used_s + motion->ahead_s;
    as_kept(state, &kept);
    track->estimate = kept;
    if (!used || motion->ahead_s > 0.0) {
        track->status |= FFX_PREDICTED;
        predict(motion, &kept, track->age_s, &track->estimate);
        for (int k = 0; k < D; ++k) {
            double *q = &track->estimate.state[k];
            if (form->wraps[k]) {
                *q = into_turn(form, k, *q);
                continue;
            }
            const double beyond = fmax(form->low[k] - kept.state[k], kept.state[k] - form->high[k]);
            track->outside |= beyond > FFX_OUTSIDE_SD * sqrt(entry(kept.covariance, k, k));
            *q = fmin(fmax(*q, form->low[k]), form->high[k]);
        }
    }
    return 1;
}

#endif
