/* Test of ffx_table.c on a host, without any generated table: what must hold for every table.
 *
 *     cc -std=c99 -o host_test host_test.c ffx_table.c && ./host_test
 */
#include <stdio.h>
#include <stdlib.h>

#include "ffx_table.h"

#define ROUNDS 200000
#define CELLS 5U
#define KNOTS (CELLS + 2U)
#define TOUCHED(p) ((p) != INT32_MIN)

static unsigned failures;
static uint32_t state = 1U;

static void expect(int holds, const char *what)
{
    if (!holds) {
        failures++;
        printf("wrong: %s\n", what);
    }
}

/* Linear congruential generator; constants of Numerical Recipes (Press et al., 1992, ch. 7.1). */
static uint32_t random_word(void)
{
    state = state * 1664525U + 1013904223U;
    return state >> 16;
}

static int16_t random_count(void)
{
    static const int16_t extreme[] = { -32768, -32767, -1, 0, 1, 32766, 32767 };
    const uint32_t word = random_word();

    return ((word & 7U) == 7U) ? extreme[random_word() % 7U] : (int16_t)((int32_t)random_word() - 32768);
}

static const ffx_guard open_guard = { 0U, UINT32_MAX, { -32768, -32768, -32768 }, { 65535U, 65535U, 65535U },
                                      0U, 0U, { 0U, 1U, 2U }, 3U };
/* Ratios of -1 to 1; 2^18 - 1 steps of the coordinate at most. */
static const ffx_interval whole = { -2147467263, 4294934526U, 1280U, 14U, CELLS };
static const ffx_output plain = { 0, INT32_MIN, INT32_MAX, 8192U };

static ffx_ratio_1_table ratio_1;
static ffx_ratio_2_table ratio_2;
static ffx_octant_1_table octant_1;

static void set_up(void)
{
    ratio_1.guard = open_guard;
    ratio_1.numerator = 2147467263U;
    ratio_1.interval = whole;
    ratio_1.output = plain;
    ratio_1.reach = 1U;
    ratio_1.sign = -1;
    ratio_2.guard = open_guard;
    ratio_2.numerator = 2147467263U;
    ratio_2.interval[0] = whole;
    ratio_2.interval[1] = whole;
    ratio_2.output[0] = plain;
    ratio_2.output[1] = plain;
    ratio_2.reach = 1U;
    ratio_2.sign = 1;
    octant_1.guard = open_guard;
    octant_1.output = plain;
    octant_1.first_knot = 5U;
    octant_1.knots_per_octant = 1U;
    octant_1.cells = CELLS;
}

/* Runs all three on one reading; results[3] is the second joint of the two ratios. */
static void run_all(const uint16_t c[], const int16_t counts[], int32_t results[4])
{
    results[0] = results[1] = results[2] = results[3] = INT32_MIN;
    (void)ffx_ratio_1(&ratio_1, c, counts, &results[0]);
    (void)ffx_octant_1(&octant_1, c, counts, &results[1]);
    (void)ffx_ratio_2(&ratio_2, c, counts, &results[2]);
}

static void constant_table_reads_constant(void)
{
    uint16_t c[KNOTS * KNOTS * 2U];
    long i;
    unsigned k;

    for (i = 0; i < ROUNDS; i++) {
        const uint16_t value = (uint16_t)((i & 1) ? random_word() : (uint32_t)(65535 * ((i >> 1) & 1)));
        const int16_t counts[3] = { random_count(), random_count(), random_count() };
        int32_t results[4];

        for (k = 0U; k < KNOTS * KNOTS * 2U; k++) {
            c[k] = value;
        }
        run_all(c, counts, results);
        for (k = 0U; k < 4U; k++) {
            if (results[k] != value && !(k == 1U && counts[0] == 0 && counts[1] == 0)) {
                expect(0, "a table of equal coefficients gives that value for any counts");
                return;
            }
        }
    }
}

static void result_lies_between_coefficients(void)
{
    uint16_t c[KNOTS * KNOTS * 2U];
    long i;
    unsigned k;

    for (i = 0; i < ROUNDS; i++) {
        const int16_t counts[3] = { random_count(), random_count(), random_count() };
        uint16_t low = 65535U;
        uint16_t high = 0U;
        int32_t results[4];

        for (k = 0U; k < KNOTS * KNOTS * 2U; k++) {
            c[k] = (uint16_t)((i & 1) ? random_word() : ((random_word() & 1U) ? 65535U : 0U));
            low = (c[k] < low) ? c[k] : low;
            high = (c[k] > high) ? c[k] : high;
        }
        run_all(c, counts, results);
        for (k = 0U; k < 4U; k++) {
            if (TOUCHED(results[k]) && (results[k] < low || results[k] > high)) {
                expect(0, "a result lies between the least and the greatest coefficient");
                return;
            }
        }
    }
}

/* A quadratic B-spline whose coefficients lie on a line is that line: the position is then the ratio itself. */
static void straight_table_gives_ratio(void)
{
    uint16_t c[KNOTS];
    long i;
    unsigned k;

    for (k = 0U; k < KNOTS; k++) {
        c[k] = (uint16_t)(4000U + 8000U * k);
    }
    for (i = 0; i < ROUNDS; i++) {
        int16_t counts[3] = { 0, 0, 0 };
        double right;
        double off;
        int32_t position = INT32_MIN;

        counts[1] = (int16_t)(-100 - (int32_t)(random_word() % 32000U));
        counts[0] = (int16_t)((int32_t)(random_word() % (uint32_t)(-2 * counts[1])) + counts[1]);
        (void)ffx_ratio_1(&ratio_1, c, counts, &position);
        right = 8000.0 + 8000.0 * 2.5 * ((double)counts[0] / (double)counts[1] + 1.0);
        off = (double)position - right;
        if (off > 2.0 || off < -2.0) { /* 2: rounding of position, weights and coordinate */
            expect(0, "a straight table gives the ratio");
            return;
        }
    }
}

static void flags_are_raised(void)
{
    static const uint16_t c[KNOTS * KNOTS * 2U];
    ffx_ratio_2_table table = ratio_2;
    int16_t counts[3] = { 10, 10, 1000 };
    int32_t position[2] = { 7, 7 };

    table.guard.weak = 900000U;
    table.guard.strong = 4000000U;
    table.guard.mask = 0xFFFFU;
    table.guard.low[2] = -5000;
    table.guard.span[2] = 10000U;
    expect(ffx_ratio_2(&table, c, counts, position) == 0U && position[0] == 0, "a good reading has no flag and is written");
    position[0] = position[1] = 7;
    counts[2] = 900;
    expect(ffx_ratio_2(&table, c, counts, position) == FFX_WEAK_FIELD, "too little field is flagged");
    counts[2] = 2500;
    expect(ffx_ratio_2(&table, c, counts, position) == FFX_STRONG_FIELD, "too much field is flagged");
    counts[2] = 5001;
    expect(ffx_ratio_2(&table, c, counts, position) == (FFX_STRONG_FIELD | FFX_SATURATED), "saturation is flagged");
    counts[2] = -1000;
    expect(ffx_ratio_2(&table, c, counts, position) == FFX_OUTSIDE_TRAVEL, "a denominator of the other sign is flagged");
    expect(position[0] == 7 && position[1] == 7, "a flagged position is not written");
    counts[0] = counts[1] = 0;
    expect((ffx_octant_1(&octant_1, c, counts, position) & FFX_NOT_MEASURED) != 0U, "no direction is flagged");
    expect(position[0] == 7, "without a direction nothing is written, whatever the mask");
}

int main(void)
{
    set_up();
    constant_table_reads_constant();
    result_lies_between_coefficients();
    straight_table_gives_ratio();
    flags_are_raised();
    printf("%u failures\n", failures);
    return failures == 0U ? EXIT_SUCCESS : EXIT_FAILURE;
}
