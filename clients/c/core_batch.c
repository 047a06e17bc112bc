/* A table on a core without an operating system: many readings in one call, for running on an emulated core.
 *
 * Compile with -DFFX_POSITION=ffx_boom_stick_position -DFFX_AXES=3U -DFFX_JOINTS=2U; enter at ffx_core_batch. No library.
 */
#include <stdint.h>

uint16_t FFX_POSITION(const int16_t counts[], int32_t position[]);
void ffx_core_batch(const int16_t counts[], int32_t rows[], uint32_t vectors);

/* rows[]: what position[] holds after each call, then the flags. */
void ffx_core_batch(const int16_t counts[], int32_t rows[], uint32_t vectors)
{
    uint32_t vector;

    for (vector = 0U; vector < vectors; vector++) {
        rows[FFX_JOINTS] = (int32_t)FFX_POSITION(counts, rows);
        counts += FFX_AXES;
        rows += FFX_JOINTS + 1U;
    }
}
