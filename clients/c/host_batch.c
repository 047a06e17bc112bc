/* A table on a host: many readings in one call, for comparing with other implementations and for timing.
 *
 *     cc -std=c99 -O2 -shared -fPIC -DFFX_POSITION=ffx_boom_stick_position -DFFX_AXES=3 -DFFX_JOINTS=2 \
 *        host_batch.c boom_stick_table.c ffx_table.c -o boom_stick.so
 */
#define _POSIX_C_SOURCE 199309L
#include <stddef.h>
#include <stdint.h>
#include <time.h>

uint16_t FFX_POSITION(const int16_t counts[], int32_t position[]);
void ffx_host_batch(const int16_t *counts, size_t rows, int32_t *positions, uint16_t *flags);
void ffx_host_time(const int16_t *counts, size_t rows, size_t calls, size_t blocks, double *microseconds);

/* positions: what the table does not write stays as it was. */
void ffx_host_batch(const int16_t *counts, size_t rows, int32_t *positions, uint16_t *flags)
{
    for (size_t i = 0; i < rows; i++) {
        flags[i] = FFX_POSITION(counts + i * FFX_AXES, positions + i * FFX_JOINTS);
    }
}

/* Mean time of one call in each of `blocks` blocks of `calls` calls: reading the clock costs as much as a call does. */
void ffx_host_time(const int16_t *counts, size_t rows, size_t calls, size_t blocks, double *microseconds)
{
    volatile int32_t sink = 0;
    size_t row = 0;

    for (size_t b = 0; b < blocks; b++) {
        struct timespec from;
        struct timespec to;

        (void)clock_gettime(CLOCK_MONOTONIC, &from);
        for (size_t i = 0; i < calls; i++) {
            int32_t position[FFX_JOINTS] = { 0 };

            (void)FFX_POSITION(counts + row * FFX_AXES, position);
            sink = position[0];
            row = (row + 1U < rows) ? row + 1U : 0U;
        }
        (void)clock_gettime(CLOCK_MONOTONIC, &to);
        microseconds[b] =
            ((double)(to.tv_sec - from.tv_sec) * 1e6 + (double)(to.tv_nsec - from.tv_nsec) * 1e-3) / (double)calls;
    }
    (void)sink;
}
