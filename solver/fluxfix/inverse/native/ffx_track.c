/* Samples in, positions with their velocities out, one after the other. No memory is taken from the heap; everything
   that is kept between samples stands in the state, which belongs to the caller. */
#include "ffx_told.h"

size_t ffx_motion_size(void);
size_t ffx_track_state_size(void);
int64_t ffx_track(const ffx_form *form, const ffx_motion *motion, const double *weight, ffx_track_state *state,
                  const double *t_s, const double *readings, size_t count, const ffx_tracks *out);

INLINE void track_rows(const ffx_form *form, int d, const ffx_motion *motion, const double *weight,
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
            const int told =
                follow(form, d, motion, weight, readings + row * values, t_s[row], &reading, state, &track);
            write_track(d, &track, told, row, out);
            whole &= !reading.sided;
        }
        if (whole) {
            describe(form, d, weight, NULL, readings, first, rows, out);
            continue;
        }
        for (size_t row = first; row < first + rows; ++row) {
            read_values(form, weight, readings + row * values, &reading);
            describe(form, d, weight, &reading, readings, row, 1, out);
        }
    }
}

/* One of each for every number of joints, so that what depends on it is known when it is compiled. */
#define FFX_TRACK(D)                                                                                                   \
    static void track_rows_##D(const ffx_form *form, const ffx_motion *motion, const double *weight,                   \
                               ffx_track_state *state, const double *t_s, const double *readings, size_t count,        \
                               const ffx_tracks *out)                                                                  \
    {                                                                                                                  \
        track_rows(form, D, motion, weight, state, t_s, readings, count, out);                                         \
    }

FFX_TRACK(1)
FFX_TRACK(2)
FFX_TRACK(3)
FFX_TRACK(4)

/* Sizes of the structures, by which Python knows that both mean the same. */
size_t ffx_motion_size(void)
{
    return sizeof(ffx_motion);
}

size_t ffx_track_state_size(void)
{
    return sizeof(ffx_track_state);
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
    switch (form->joints) {
    case 1: track_rows_1(form, motion, weight, state, t_s, readings, count, out); break;
    case 2: track_rows_2(form, motion, weight, state, t_s, readings, count, out); break;
    case 3: track_rows_3(form, motion, weight, state, t_s, readings, count, out); break;
    default: track_rows_4(form, motion, weight, state, t_s, readings, count, out); break;
    }
    return -1;
}
