/* Position from the counts of a magnetic field sensor, by table. C99, integers only, no heap, no library calls, re-entrant.
 *
 * Not certified for safety functions: see the README beside a generated table.
 *
 * Words
 *   counts      signed output words of the sensor, one an axis, in the order that the generated header lists
 *   position    in 2^-16 of the joint's span above its lower end: 0 is the lower end, 65536 the upper one
 *   coordinate  place in the table: cell number times 2^16, plus the fraction of the cell
 *   flags       sum of the FFX_ values below; 0 means nothing was found wrong
 *
 * One out-of-range rule for all look-ups: the coordinate is set to the nearest end of the table, and FFX_OUTSIDE_TRAVEL is raised.
 * All divisions and shifts round as the comments say; no shift is of a negative number, so no result depends on the compiler.
 */
#ifndef FFX_TABLE_H
#define FFX_TABLE_H

#include <stdint.h>

/* The same bits as in the other doors of fluxfix. A table raises some of them; its own header says which. */
#define FFX_NOT_CONVERGED 1U
#define FFX_AMBIGUOUS 2U
#define FFX_SATURATED 4U        /* an axis is within 4 steps of a limit of its range */
#define FFX_OUTSIDE_TRAVEL 8U   /* beyond the table, or beyond a limit of the travel by more than the header says */
#define FFX_POOR_MATCH 16U      /* the spare axis does not fit the position */
#define FFX_WEAK_FIELD 32U      /* weaker than a sound magnet produces anywhere on the travel */
#define FFX_NOT_MEASURED 64U    /* no direction in the counts: there is no position */
#define FFX_UNCHECKED 128U      /* no spare axis is compared: a foreign field may go unnoticed */
#define FFX_PREDICTED 256U
#define FFX_STRONG_FIELD 512U   /* stronger than a sound magnet produces anywhere on the travel */
#define FFX_IMPRECISE 1024U

/* What is checked on the counts themselves, over the axes that the table uses. */
typedef struct {
    uint32_t weak;     /* smallest and largest sum of squared counts */
    uint32_t strong;
    int16_t low[3];    /* lowest count that is not saturated */
    uint16_t span[3];  /* how far above it counts are not saturated either */
    uint16_t always;   /* flags raised every time */
    uint16_t mask;     /* flags that withhold the position */
    uint8_t axis[3];   /* numbers of the axes in counts[]: numerators, denominator, spare */
    uint8_t axes;      /* how many are used: 2 or 3 */
} ffx_guard;

/* Window of an axis that the position is not made from: low <= 2^14 * axis / denominator <= high. */
typedef struct {
    int16_t low;
    int16_t high;
    uint8_t axis;
    uint8_t used;      /* 0: there is none */
} ffx_spare;

/* From a ratio to a coordinate: (((ratio - low) >> shift) * multiplier) >> 10; multiplier * (width >> shift) < cells * 2^26. */
typedef struct {
    int32_t low;
    uint32_t width;
    uint16_t multiplier;
    uint8_t shift;
    uint8_t cells;     /* 1 to 63 */
} ffx_interval;

/* From half coefficient steps to a position: offset + (value * scale + 2^13 >> 14). */
typedef struct {
    int32_t offset;
    int32_t limit_low;
    int32_t limit_high;
    uint32_t scale;    /* below 2^15; 2^13 is one */
} ffx_output;

/* One ratio of two axes. */
typedef struct {
    ffx_guard guard;
    uint32_t numerator; /* a ratio of one; reach * (numerator + 2^14) < 2^31 */
    ffx_interval interval;
    ffx_output output;
    ffx_spare spare;
    uint8_t reach;      /* largest ratio of the table, rounded up */
    int8_t sign;        /* of the denominator, over the whole travel: 1 or -1 */
} ffx_ratio_1_table;

/* Two ratios with one denominator. */
typedef struct {
    ffx_guard guard;
    uint32_t numerator;
    ffx_interval interval[2];
    ffx_output output[2];
    uint8_t reach;
    int8_t sign;
} ffx_ratio_2_table;

/* The direction of two axes, folded into an octant and one ratio. */
typedef struct {
    ffx_guard guard;
    ffx_output output;
    ffx_spare spare;
    uint16_t first_knot;      /* below 8 * knots_per_octant */
    uint8_t knots_per_octant; /* 1 to 32 */
    uint8_t cells;            /* 1 to 8 * knots_per_octant - 1 */
} ffx_octant_1_table;

/* Each returns the flags, and writes the position only if no flag of the table's mask is raised.
 * Coefficients are those of a quadratic B-spline on uniform knots: cells + 2 along each coordinate, the last coordinate and
 * then the joint running fastest. */
uint16_t ffx_ratio_1(const ffx_ratio_1_table *table, const uint16_t coefficients[], const int16_t counts[], int32_t position[]);
uint16_t ffx_ratio_2(const ffx_ratio_2_table *table, const uint16_t coefficients[], const int16_t counts[], int32_t position[]);
uint16_t ffx_octant_1(const ffx_octant_1_table *table, const uint16_t coefficients[], const int16_t counts[], int32_t position[]);

#endif
