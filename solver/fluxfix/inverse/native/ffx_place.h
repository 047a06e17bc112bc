/* Readings expected at one place. The lanes of ffx_model.h hold eight places; where there is one, the numbers of a row of
   coefficients fill them instead, with a fifth of the work. */
#ifndef FFX_PLACE_H
#define FFX_PLACE_H

#include <string.h>

#include "ffx_model.h"

/* Behind the coefficients stand so many numbers more, which are read and not used (native.py). */
enum { FFX_BEHIND = 2 * FFX_LANES, FFX_ROW = 3 * FFX_MAX_TERMS + FFX_BEHIND };

/* Three values of a form of two joints, and how they move with each, at the place of the first lane, from the
   coefficients at `c`. Returns where those after them stand. */
INLINE const double *sum_place(const Basis *basis, const int64_t *terms, const double *c, double value[3],
                               double slope[2][3])
{
    double kept[FFX_ROW], turned[FFX_ROW]; /* sums over the first joint, and over its slopes */
    const int64_t width = 3 * terms[1];
    for (int64_t first = 0; first < width; first += FFX_BEHIND) {
        Lanes kept_0 = all_lanes(0.0), kept_1 = kept_0, turned_0 = kept_0, turned_1 = kept_0;
        for (int64_t i = 0; i < terms[0]; ++i) {
            const double v = GET(basis->value[0][i], 0), s = GET(basis->slope[0][i], 0);
            Lanes c_0, c_1;
            memcpy(&c_0, c + i * width + first, sizeof c_0);
            memcpy(&c_1, c + i * width + first + FFX_LANES, sizeof c_1);
            kept_0 += v * c_0;
            kept_1 += v * c_1;
            turned_0 += s * c_0;
            turned_1 += s * c_1;
        }
        memcpy(kept + first, &kept_0, sizeof kept_0);
        memcpy(kept + first + FFX_LANES, &kept_1, sizeof kept_1);
        memcpy(turned + first, &turned_0, sizeof turned_0);
        memcpy(turned + first + FFX_LANES, &turned_1, sizeof turned_1);
    }
    for (int a = 0; a < 3; ++a) {
        value[a] = slope[0][a] = slope[1][a] = 0.0;
    }
    for (int64_t i = 0; i < terms[1]; ++i) {
        const double v = GET(basis->value[1][i], 0), s = GET(basis->slope[1][i], 0);
        for (int a = 0; a < 3; ++a) {
            value[a] += v * kept[3 * i + a];
            slope[0][a] += v * turned[3 * i + a];
            slope[1][a] += s * kept[3 * i + a];
        }
    }
    return c + terms[0] * width;
}

#endif
