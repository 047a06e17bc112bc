/* Positions followed in time: what the filter is told, what it keeps between samples, and what it gives. Filled in Python
   (inverse/track/native.py), field by field in the same order. */
#ifndef FFX_TRACK_H
#define FFX_TRACK_H

#include "ffx_form.h"

enum {
    FFX_MAX_STATE = 2 * FFX_MAX_JOINTS, /* positions, then velocities */
    FFX_STATE_MATRIX = FFX_MAX_STATE * (FFX_MAX_STATE + 1) / 2,
    FFX_PREDICTED = 256
};

typedef struct {
    double acceleration[FFX_MAX_JOINTS]; /* the largest, in the joint's unit per s² */
    double speed[FFX_MAX_JOINTS];        /* sd of the velocity that a track begins with */
    double ahead_s;                      /* to which results are predicted */
    double coast_s;                      /* how long a prediction may stand in for samples; NaN: two periods */
    int64_t instants;                    /* at which values are converted, counted once each */
    const double *instant_s;             /* each of them, after the sample's time */
    const int64_t *instant_of_value;
    const double *gate;                  /* by values used: chi-square up to which a reading is believed */
} ffx_motion;

/* Doubles throughout, so that it can be kept and sent as a row of numbers. */
typedef struct {
    double t_s;       /* of the last sample; NaN before the first */
    double used_s;    /* of the last sample that was used, which is what the rest is for */
    double period_s;  /* between samples; NaN before the second */
    double running;   /* 1 while there is an estimate */
    double ambiguous; /* 1 while another position explains the readings as well */
    double state[FFX_MAX_STATE];
    double covariance[FFX_STATE_MATRIX]; /* lower triangle: row i begins at entry i (i + 1) / 2 */
} ffx_track_state;

/* Where results go; row by row, matrices whole. */
typedef struct {
    double *position, *velocity, *covariance, *noise, *velocity_covariance, *misfit, *age_s;
    int32_t *dof, *status;
} ffx_tracks;

#endif
