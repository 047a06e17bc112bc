/* Positions from readings on a rig's fast form, for single readings and streams. No memory is taken from the heap, and
   nothing is kept between calls: threads may share a form.

   Most readings go the short way: a polynomial start, undamped Gauss-Newton steps, eight readings at a time. What does
   not come to rest there, does not fit, is saturated, or could have another position, goes the long way. */
#include "ffx_long.h"
#include "ffx_short.h"

size_t ffx_form_size(void);
void ffx_solve(const ffx_form *form, const double *weight, const double *readings, size_t count, const ffx_fixes *out);
void ffx_solve_one(const ffx_form *form, const double *weight, const double *reading, double *out);
void ffx_rivals(const ffx_form *form, const double *weight, const double *readings, size_t count, double *rival);

/* Rows from `row` on, as many as there are lanes. */
INLINE void solve_block(const ffx_form *form, int d, const double *weight, const double *readings, size_t row,
                        size_t count, const ffx_fixes *out, Mask *done)
{
    const size_t values = (size_t)form->values;
    Terms terms;
    Basis basis;
    Fix fix;
    Lanes reading[FFX_MAX_VALUES];
    Mask good = ~no_lane();
    terms.sided = 0;
    for (size_t i = 0; i < values; ++i) {
        terms.weight[i] = weight[i];
        terms.side[i] = 0;
        for (size_t l = 0; l < FFX_LANES; ++l) {
            PUT(reading[i], l, readings[(row + (l < count ? l : 0)) * values + i]);
        }
        good &= EQUAL(reading[i], reading[i]);
        good &= ~LESS(all_lanes(form->high_mT[i]), reading[i]) & ~LESS(reading[i], all_lanes(form->low_mT[i]));
    }
    *done = any_lane(good) ? short_way(form, d, &terms, reading, good, out->status != NULL, &basis, &fix) : no_lane();
    for (size_t l = 0; l < FFX_LANES && l < count; ++l) {
        if (GET(*done, l)) {
            write_row(d, &fix, (int)l, form->values - d, row + l, out);
        }
    }
}

/* One of each for every number of joints, so that what depends on it is known when it is compiled. */
#define FFX_OF_JOINTS(D)                                                                                               \
    static void solve_block_##D(const ffx_form *form, const double *weight, const double *readings, size_t row,        \
                                size_t count, const ffx_fixes *out, Mask *done)                                        \
    {                                                                                                                  \
        solve_block(form, D, weight, readings, row, count, out, done);                                                 \
    }                                                                                                                  \
    static void long_way_##D(const ffx_form *form, const double *weight, const double *reading, size_t row,            \
                             const ffx_fixes *out, double *rival)                                                      \
    {                                                                                                                  \
        long_way(form, D, weight, reading, row, out, rival);                                                           \
    }

FFX_OF_JOINTS(1)
FFX_OF_JOINTS(2)
FFX_OF_JOINTS(3)
FFX_OF_JOINTS(4)

static void solve_rows(const ffx_form *form, const double *weight, const double *readings, size_t row, size_t count,
                       const ffx_fixes *out, Mask *done)
{
    switch (form->joints) {
    case 1: solve_block_1(form, weight, readings, row, count, out, done); break;
    case 2: solve_block_2(form, weight, readings, row, count, out, done); break;
    case 3: solve_block_3(form, weight, readings, row, count, out, done); break;
    default: solve_block_4(form, weight, readings, row, count, out, done); break;
    }
}

static void search_row(const ffx_form *form, const double *weight, const double *reading, size_t row,
                       const ffx_fixes *out, double *rival)
{
    switch (form->joints) {
    case 1: long_way_1(form, weight, reading, row, out, rival); break;
    case 2: long_way_2(form, weight, reading, row, out, rival); break;
    case 3: long_way_3(form, weight, reading, row, out, rival); break;
    default: long_way_4(form, weight, reading, row, out, rival); break;
    }
}

/* Size of the structure, by which Python knows that both mean the same. */
size_t ffx_form_size(void)
{
    return sizeof(ffx_form);
}

/* Solve `count` readings, rows of form->values in mT, with weights in 1/mT² by value. */
void ffx_solve(const ffx_form *form, const double *weight, const double *readings, size_t count, const ffx_fixes *out)
{
    for (size_t row = 0; row < count; row += FFX_LANES) {
        Mask done;
        solve_rows(form, weight, readings, row, count - row, out, &done);
        for (size_t l = 0; l < FFX_LANES && row + l < count; ++l) {
            if (!GET(done, l)) {
                search_row(form, weight, readings + (row + l) * (size_t)form->values, row + l, out, NULL);
            }
        }
    }
}

/* Solve one reading into `out`: position, covariance, noise part, misfit and other position as doubles, then dof and
   status as 32-bit integers. */
void ffx_solve_one(const ffx_form *form, const double *weight, const double *reading, double *out)
{
    const int64_t d = form->joints;
    ffx_fixes fixes;
    fixes.position = out;
    fixes.covariance = fixes.position + d;
    fixes.noise = fixes.covariance + d * d;
    fixes.misfit = fixes.noise + d * d;
    fixes.other = fixes.misfit + 1;
    fixes.dof = (int32_t *)(void *)(fixes.other + d);
    fixes.status = fixes.dof + 1;
    ffx_solve(form, weight, reading, 1, &fixes);
}

/* By how much the cost of the best other position is above the best's, for each reading; infinite where there is no
   other. */
void ffx_rivals(const ffx_form *form, const double *weight, const double *readings, size_t count, double *rival)
{
    for (size_t row = 0; row < count; ++row) {
        search_row(form, weight, readings + row * (size_t)form->values, row, NULL, rival + row);
    }
}
