/* Positions from readings on a rig's fast form, for single readings and streams. No memory is taken from the heap, and
   nothing is kept between calls but what belongs to the caller: threads may share a form.

   Most readings go the short way: a polynomial start, undamped Gauss-Newton steps, eight readings at a time. What does
   not come to rest there, does not fit, is saturated, or could have another position, goes the long way. */
#include "ffx_joints.h"

size_t ffx_form_size(void);
size_t ffx_motion_size(void);
size_t ffx_track_state_size(void);
void ffx_solve(const ffx_form *form, const double *weight, const double *readings, size_t count, const ffx_fixes *out);
void ffx_solve_one(const ffx_form *form, const double *weight, const double *reading, double *out);
void ffx_rivals(const ffx_form *form, const double *weight, const double *readings, size_t count, double *rival);
int64_t ffx_track(const ffx_form *form, const ffx_motion *motion, const double *weight, ffx_track_state *state,
                  const double *t_s, const double *readings, size_t count, const ffx_tracks *out);

static ffx_solve_rows *const solve_rows[] = {ffx_solve_rows_1, ffx_solve_rows_2, ffx_solve_rows_3, ffx_solve_rows_4};
static ffx_search_row *const search_row[] = {ffx_search_row_1, ffx_search_row_2, ffx_search_row_3, ffx_search_row_4};
static ffx_track_rows *const track_rows[] = {ffx_track_rows_1, ffx_track_rows_2, ffx_track_rows_3, ffx_track_rows_4};

/* Sizes of the structures, by which Python knows that both mean the same. */
size_t ffx_form_size(void)
{
    return sizeof(ffx_form);
}

size_t ffx_motion_size(void)
{
    return sizeof(ffx_motion);
}

size_t ffx_track_state_size(void)
{
    return sizeof(ffx_track_state);
}

/* Solve `count` readings, rows of form->values in mT, with weights in 1/mT² by value. */
void ffx_solve(const ffx_form *form, const double *weight, const double *readings, size_t count, const ffx_fixes *out)
{
    for (size_t row = 0; row < count; row += FFX_LANES) {
        Mask done;
        solve_rows[form->joints - 1](form, weight, readings, row, count - row, out, &done);
        for (size_t l = 0; l < FFX_LANES && row + l < count; ++l) {
            if (!GET(done, l)) {
                const double *reading = readings + (row + l) * (size_t)form->values;
                search_row[form->joints - 1](form, weight, reading, row + l, out, NULL);
            }
        }
    }
}

/* Solve one reading into `out`: position, covariance, noise part, misfit and other position as doubles, then dof and
   status as 32-bit integers. */
void ffx_solve_one(const ffx_form *form, const double *weight, const double *reading, double *out)
{
    const int64_t joints = form->joints;
    ffx_fixes fixes;
    fixes.position = out;
    fixes.covariance = fixes.position + joints;
    fixes.noise = fixes.covariance + joints * joints;
    fixes.misfit = fixes.noise + joints * joints;
    fixes.other = fixes.misfit + 1;
    fixes.dof = (int32_t *)(void *)(fixes.other + joints);
    fixes.status = fixes.dof + 1;
    ffx_solve(form, weight, reading, 1, &fixes);
}

/* By how much the cost of the best other position is above the best's, for each reading; infinite where there is no
   other. */
void ffx_rivals(const ffx_form *form, const double *weight, const double *readings, size_t count, double *rival)
{
    for (size_t row = 0; row < count; ++row) {
        search_row[form->joints - 1](form, weight, readings + row * (size_t)form->values, row, NULL, rival + row);
    }
}

/* Follow `count` samples: times in s, readings in mT by rows, weights in 1/mT² by value. Returns -1, or the first row
   whose time is not finite or lies before the one ahead of it: then nothing has happened. */
int64_t ffx_track(const ffx_form *form, const ffx_motion *motion, const double *weight, ffx_track_state *state,
                  const double *t_s, const double *readings, size_t count, const ffx_tracks *out)
{
    double before = state->t_s;
    for (size_t row = 0; row < count; ++row) {
        if (t_s[row] < before || !(t_s[row] - t_s[row] == 0.0)) {
            return (int64_t)row;
        }
        before = t_s[row];
    }
    track_rows[form->joints - 1](form, motion, weight, state, t_s, readings, count, out);
    return -1;
}
