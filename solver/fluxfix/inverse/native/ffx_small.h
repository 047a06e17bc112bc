/* Small symmetric systems, written out: matrices as lower triangles, row i beginning at entry i (i + 1) / 2. */
#ifndef FFX_SMALL_H
#define FFX_SMALL_H

#include "ffx_model.h"

/* Factors of matrix = L D Lᵀ: L below the diagonal, 1 / D on it. A pivot that is not positive becomes NaN. */
INLINE void factorise(const Lanes *matrix, Lanes *factor)
{
    for (int i = 0; i < D; ++i) {
        Lanes row[FFX_MAX_JOINTS], pivot = matrix[i * (i + 1) / 2 + i];
        for (int j = 0; j < i; ++j) {
            row[j] = matrix[i * (i + 1) / 2 + j];
            for (int k = 0; k < j; ++k) {
                row[j] -= row[k] * factor[j * (j + 1) / 2 + k];
            }
        }
        for (int j = 0; j < i; ++j) {
            const Lanes scaled = row[j] * factor[j * (j + 1) / 2 + j];
            pivot -= scaled * row[j];
            factor[i * (i + 1) / 2 + j] = scaled;
        }
        factor[i * (i + 1) / 2 + i] = choose(LESS(all_lanes(0.0), pivot), 1.0 / pivot, all_lanes((double)NAN));
    }
}

/* Solve for one right side. */
INLINE void solve_factored(const Lanes *factor, const Lanes *right, Lanes *found)
{
    for (int i = 0; i < D; ++i) {
        found[i] = right[i];
        for (int k = 0; k < i; ++k) {
            found[i] -= factor[i * (i + 1) / 2 + k] * found[k];
        }
    }
    for (int i = 0; i < D; ++i) {
        found[i] *= factor[i * (i + 1) / 2 + i];
    }
    for (int i = D - 1; i >= 0; --i) {
        for (int k = i + 1; k < D; ++k) {
            found[i] -= factor[k * (k + 1) / 2 + i] * found[k];
        }
    }
}

/* The inverse of a matrix, as a lower triangle. Returns the lanes in which there is none worth the name: of unit
   diagonal, the determinant is round-off. */
INLINE Mask invert(const Lanes *matrix, Lanes *inverse)
{
    Lanes factor[FFX_MATRIX], determinant = all_lanes(1.0);
    Mask sound = EQUAL(determinant, determinant);
    factorise(matrix, factor);
    for (int i = 0; i < D; ++i) {
        const int diagonal = i * (i + 1) / 2 + i;
        determinant *= factor[diagonal] * matrix[diagonal];
        sound &= LESS(all_lanes(1e-300), matrix[diagonal]);
        Lanes unit[FFX_MAX_JOINTS], column[FFX_MAX_JOINTS];
        for (int k = 0; k < D; ++k) {
            unit[k] = all_lanes(k == i ? 1.0 : 0.0);
        }
        solve_factored(factor, unit, column);
        for (int k = i; k < D; ++k) {
            inverse[k * (k + 1) / 2 + i] = column[k];
        }
    }
    /* The product above is one over the determinant of the matrix of unit diagonal. */
    return ~(sound & LESS(determinant, all_lanes(1e13)));
}

#endif
