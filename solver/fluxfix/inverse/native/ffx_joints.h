/* What is compiled once for each number of joints, so that all that hangs on it is known then, and by several compilers
   at once. */
#ifndef FFX_JOINTS_H
#define FFX_JOINTS_H

#include <stddef.h>

#include "ffx_lanes.h"
#include "ffx_track.h"

/* Rows from `row` on, as many as there are lanes, the short way; `done` tells which of them went it to the end. */
typedef void ffx_solve_rows(const ffx_form *form, const double *weight, const double *readings, size_t row,
                            size_t count, const ffx_fixes *out, Mask *done);
/* One reading the long way. `rival`, where wanted, is the cost of the best other position above the best's. */
typedef void ffx_search_row(const ffx_form *form, const double *weight, const double *reading, size_t row,
                            const ffx_fixes *out, double *rival);
/* Samples, one after the other. */
typedef void ffx_track_rows(const ffx_form *form, const ffx_motion *motion, const double *weight,
                            ffx_track_state *state, const double *t_s, const double *readings, size_t count,
                            const ffx_tracks *out);

extern ffx_solve_rows ffx_solve_rows_1, ffx_solve_rows_2, ffx_solve_rows_3, ffx_solve_rows_4;
extern ffx_search_row ffx_search_row_1, ffx_search_row_2, ffx_search_row_3, ffx_search_row_4;
extern ffx_track_rows ffx_track_rows_1, ffx_track_rows_2, ffx_track_rows_3, ffx_track_rows_4;

#ifdef FFX_JOINTS
enum { D = FFX_JOINTS }; /* the joints of whatever is compiled here */
#define FFX_JOIN_(name, number) name##_##number
#define FFX_JOIN(name, number) FFX_JOIN_(name, number)
#define FFX_OF_JOINTS(name) FFX_JOIN(name, FFX_JOINTS)
#endif

#endif
