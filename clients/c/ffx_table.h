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
#define FFX_IMPRECISE 1024U     /* the temperature given is outside the range that the table was made for */

/* What the coordinates of a table are made from. */
#define FFX_FORM_RATIO 1U     /* up to two axes over a third one whose sign never changes; its reciprocal, if strength is used */
#define FFX_FORM_DIRECTION 2U /* the direction of two axes; a third one over their radius; the radius' reciprocal */
#define FFX_FORM_HARMONIC 3U  /* a full turn: the angle of two axes, and sines of its multiples */

/* A used axis. Order: numerators, denominator, spare; or the two of the direction, elevation, spare. */
typedef struct {
    int16_t low;     /* lowest count that is not saturated */
    uint16_t span;   /* how far above it counts are not saturated either */
    uint16_t weight; /* of its square */
    uint16_t number; /* in counts[] */
} ffx_axis;

/* From a value to a coordinate: (((value - low) >> shift) * multiplier) >> down; multiplier * (width >> shift) < cells * 2^(16 + down). */
typedef struct {
    int32_t low;
    uint32_t width;
    uint16_t multiplier;
    uint8_t shift;
    uint8_t down;
} ffx_interval;

/* From half coefficient steps to a position: offset + (value * scale + 2^13 >> 14). */
typedef struct {
    int32_t offset;
    int32_t limit_low;
    int32_t limit_high;
    uint16_t scale; /* below 2^15; 2^13 is one */
    int16_t turn;   /* 1 or -1: this joint makes full turns, the direction is added with this sign, and the sum wraps */
} ffx_output;

/* The magnet's strength as a coordinate: the reciprocal of an axis or radius, brought to the reference temperature. */
typedef struct {
    int32_t slope;     /* change of strength, in 2^-30 a sixteenth of a kelvin; below 2^18 */
    int16_t reference; /* temperatures in 1/16 degree Celsius */
    int16_t low;
    int16_t high;
    uint8_t shift;     /* of the reciprocal, to 17 bits */
    uint8_t used;
} ffx_strength;

/* All numbers of a table but its coefficients. */
typedef struct {
    uint32_t weak;      /* smallest and largest sum of weight * (count^2 >> square_shift) */
    uint32_t strong;
    uint32_t numerator; /* of the reciprocal */
    ffx_interval interval[3]; /* of the coordinates that are ratios or strength */
    ffx_output output[3];
    ffx_strength strength;
    ffx_axis axis[4];
    int16_t spare_low;   /* spare_low <= 2^13 * spare axis / what is divided by <= spare_high */
    int16_t spare_high;
    uint16_t always;     /* flags raised every time */
    uint16_t mask;       /* flags that withhold the position */
    uint16_t first_knot; /* of a direction: below 4 * knots_per_quadrant */
    uint8_t form;
    uint8_t order;       /* of the spline: 1, 2 or 3; of a harmonic table: how many harmonics */
    uint8_t joints;      /* 1 to 3 */
    uint8_t axes;        /* 1 to 4 */
    uint8_t ratios;      /* 0 to 2 */
    uint8_t reach;       /* largest ratio of the table, rounded up */
    int8_t sign;         /* of the denominator, over the whole travel: 1 or -1 */
    uint8_t square_shift;
    uint8_t knots_per_quadrant; /* 1 to 63 */
    uint8_t spare;       /* 1: the last axis is only compared */
    uint8_t cells[3];    /* by coordinate; 0 beyond the last */
    uint8_t coordinates; /* 1 to 3 */
    uint8_t saturation_is_strong; /* 1: every saturated word fails the window of squares, so that only then saturation is looked at */
    uint8_t rotated;              /* of a direction: 1 if it is folded half a quadrant further round, so that curvature jumps elsewhere */
} ffx_table;

/* One unit's sensor against that of the table's build: corrected = raw + sum of d * raw + offset, d and offset in 2^-17. */
typedef struct {
    int32_t offset; /* magnitude below 2^29 */
    int16_t d[3];   /* sum of magnitudes at most 49151 */
    uint8_t first;  /* the sensor's first axis in counts[] */
    uint8_t count;  /* how many axes the sensor has: 1 to 3 */
} ffx_unit_row;

#define FFX_UNIT_AXES 6U

typedef struct {
    uint32_t rig; /* first 32 bits of the rig file's SHA-256 */
    uint32_t axes;
    ffx_unit_row row[FFX_UNIT_AXES];
} ffx_unit;

/* What ffx_open and ffx_unit_open found. */
#define FFX_OPEN_OK 0U
#define FFX_OPEN_SIZE 1U    /* cut off, or longer than it says */
#define FFX_OPEN_KIND 2U    /* another kind of file, or another version */
#define FFX_OPEN_DAMAGED 3U /* the CRC does not fit */
#define FFX_OPEN_FIELD 4U   /* a field that no table of this version has */
#define FFX_OPEN_RIG 5U     /* made for another rig */

/* Returns the flags, and writes the position only if no flag of the table's mask is raised. unit may be 0: the counts are taken
 * as they are. temperature, in 1/16 degree Celsius, matters only where strength is used; table->strength.reference leaves it out. */
uint16_t ffx_evaluate(const ffx_table *table, const uint16_t coefficients[], const ffx_unit *unit, const int16_t counts[],
                      int32_t temperature, int32_t position[]);

/* Opens the binary form of a table: <rig>_table.bin, read as 16-bit words. Every field is checked, so that nothing that is opened can
 * make ffx_evaluate read beyond the words or overflow, provided that counts[] has at least `axes` entries. The words must stay where
 * they are: *coefficients points into them. Use *table only after FFX_OPEN_OK. */
uint16_t ffx_open(const uint16_t words[], uint32_t count, uint32_t axes, ffx_table *table, const uint16_t **coefficients);

/* Opens a unit's parameter block, for the rig and the number of axes that the generated header names. Use *unit only after
 * FFX_OPEN_OK. */
uint16_t ffx_unit_open(const uint8_t block[], uint32_t size, uint32_t rig, uint32_t axes, ffx_unit *unit);

/* CRC-32 of ISO 3309 over bytes; begin with 0. */
uint32_t ffx_crc(uint32_t crc, uint8_t byte);

#endif
