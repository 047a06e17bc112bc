/* Rows of a form of FFX_JOINTS joints: positions from readings, and samples followed in time. No memory is taken from the
   heap; what is kept between samples stands in the state, which belongs to the caller. */
#include "ffx_long.h"
#include "ffx_short.h"
#include "ffx_told.h"

void FFX_OF_JOINTS(ffx_solve_rows)(const ffx_form *form, const double *weight, const double *readings, size_t row,
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
    *done = any_lane(good) ? short_way(form, &terms, reading, good, out->status != NULL, &basis, &fix) : no_lane();
    for (size_t l = 0; l < FFX_LANES && l < count; ++l) {
        if (GET(*done, l)) {
            write_row(&fix, (int)l, form->values - D, row + l, out);
        }
    }
}

void FFX_OF_JOINTS(ffx_search_row)(const ffx_form *form, const double *weight, const double *reading, size_t row,
                                   const ffx_fixes *out, double *rival)
{
    long_way(form, weight, reading, row, out, rival);
}

void FFX_OF_JOINTS(ffx_track_rows)(const ffx_form *form, const ffx_motion *motion, const double *weight,
                                   ffx_track_state *state, const double *t_s, const double *readings, size_t count,
                                   const ffx_tracks *out)
{
    const size_t values = (size_t)form->values;
    for (size_t first = 0; first < count; first += FFX_LANES) {
        const size_t rows = count - first < FFX_LANES ? count - first : FFX_LANES;
        Reading reading;
        int whole = 1;
        for (size_t row = first; row < first + rows; ++row) {
            Track track;
            const int told = follow(form, motion, weight, readings + row * values, t_s[row], &reading, state, &track);
            write_track(&track, told, row, out);
            whole &= !reading.sided;
        }
        if (whole) {
            describe(form, weight, NULL, readings, first, rows, out);
            continue;
        }
        for (size_t row = first; row < first + rows; ++row) {
            read_values(form, weight, readings + row * values, &reading);
            describe(form, weight, &reading, readings, row, 1, out);
        }
    }
}
