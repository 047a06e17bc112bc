/* A rig with its build as the fast evaluator sees it: the readings as sums of products of basis functions, and the
   limits that its fixes are held against. Made in Python (native.py), which fills the same fields in the same order. */
#ifndef FFX_FORM_H
#define FFX_FORM_H

#include <stdint.h>

enum {
    FFX_MAX_JOINTS = 4,
    FFX_MAX_VALUES = 24,
    FFX_MAX_TERMS = 128,   /* basis functions of one joint */
    FFX_MAX_POINTS = 4096, /* of the grid of starts */
    FFX_MAX_FEATURES = 4,
    FFX_MAX_MONOMIALS = 128
};

/* The bits of fluxfix.status.Status. */
enum {
    FFX_NOT_CONVERGED = 1,
    FFX_AMBIGUOUS = 2,
    FFX_SATURATED = 4,
    FFX_OUTSIDE_TRAVEL = 8,
    FFX_POOR_MATCH = 16,
    FFX_WEAK_FIELD = 32,
    FFX_NOT_MEASURED = 64,
    FFX_UNCHECKED = 128,
    FFX_STRONG_FIELD = 512,
    FFX_IMPRECISE = 1024
};

typedef struct {
    /* Sizes. Values are taken in groups of three, the last one padded with zeros. */
    int64_t joints, values, sensors;
    int64_t terms[FFX_MAX_JOINTS];        /* of the readings, by joint */
    int64_t common_terms[FFX_MAX_JOINTS]; /* of the common covariance, by joint; 0 where there is none */
    int64_t drift_terms[FFX_MAX_JOINTS];  /* of what varies unmeasured, by joint; 0 where nothing does */
    int64_t wraps[FFX_MAX_JOINTS];
    int64_t points, points_of_joint;   /* of the grid of starts */
    int64_t features, monomials, unit; /* of the polynomial start; 0 features: there is none */
    /* Ranges, each in its joint's unit: that of the travel, that of the search. */
    double low[FFX_MAX_JOINTS], high[FFX_MAX_JOINTS];
    double lowest[FFX_MAX_JOINTS], highest[FFX_MAX_JOINTS];
    double resolution[FFX_MAX_JOINTS], position_sd[FFX_MAX_JOINTS];
    double first[FFX_MAX_JOINTS], step[FFX_MAX_JOINTS]; /* of the grid */
    const double *coefficients; /* group, terms of the first joint, …, of the last joint, value in the group */
    const double *common;       /* the same of the entries of the lower triangle of dh/dbuild · C · dbuild/dh */
    const double *drift;        /* the same of how far the readings move with one sd of what varies unmeasured */
    const double *low_mT, *high_mT; /* by value: saturated beyond */
    const int64_t *sensor_of_value;
    const double *weakest2, *strongest2; /* by sensor: squares of the window's ends */
    const double *misfit_limit;          /* by degrees of freedom */
    const double *grid_mT;               /* value, point */
    const double *grid_drift_mT;         /* the same of the drift */
    const int64_t *across;               /* point, joint: cells to the point across a fold */
    const double *calm;                  /* point: misfit up to which no other position need be looked for */
    const double *mix, *centre;          /* feature, value; feature */
    const int64_t *parent, *variable;    /* monomial: the one it is made of, and by which feature */
    const double *start;                 /* monomial, joint */
} ffx_form;

/* Where results go; row by row. All but `position` may be null together, which leaves out what they need. */
typedef struct {
    double *position, *covariance, *noise, *misfit, *other;
    int32_t *dof, *status;
} ffx_fixes;

#endif
