/* Test of the runtime on a host, without any generated table: what must hold for every table.
 *
 *     cc -std=c99 -o host_test host_test.c ffx_table.c ffx_open.c ffx_unit.c && ./host_test
 */
#include <stdio.h>
#include <stdlib.h>

#include "ffx_kernel.h"

#define ROUNDS 60000
#define CELLS 3U
#define MOST ((CELLS + 3U) * (CELLS + 3U) * (CELLS + 3U) * 3U)

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

/* Values of -1 to 1 of a numerator of nearly 2^31. */
static const ffx_interval whole = { -2147467263, 4294934526U, 767U, 14U, 10U };
static const ffx_interval positive = { 0, 1073733632U, 767U, 12U, 10U };
static const ffx_output plain = { 0, -1073741823, 1073741823, 8192U, 0 };

/* A table that lets everything through: form, spline, coordinates and joints as wanted. */
static ffx_table table_of(uint32_t form, uint32_t order, uint32_t ratios, uint32_t strength, uint32_t joints)
{
    static const ffx_table zero;
    ffx_table table = zero;
    uint32_t i;

    table.weak = (form == FFX_FORM_RATIO) ? 0U : 1U;
    table.strong = 0xFFFFFFFFU;
    table.numerator = 2147467263U;
    for (i = 0U; i < 3U; i++) {
        table.interval[i] = whole;
        table.output[i] = plain;
    }
    for (i = 0U; i < 4U; i++) {
        table.axis[i].low = -32768;
        table.axis[i].span = 65535U;
        table.axis[i].weight = 1U;
        table.axis[i].number = (uint16_t)i;
    }
    table.form = (uint8_t)form;
    table.order = (uint8_t)order;
    table.joints = (uint8_t)joints;
    table.ratios = (uint8_t)ratios;
    table.reach = 1U;
    table.sign = 1;
    table.knots_per_quadrant = 1U;
    table.strength.used = (uint8_t)strength;
    table.strength.shift = 14U;
    table.strength.low = -4095;
    table.strength.high = 4095;
    table.coordinates = (uint8_t)(ratios + strength + ((form == FFX_FORM_RATIO) ? 0U : 1U));
    table.axes = (uint8_t)(ratios + ((form == FFX_FORM_RATIO) ? 1U : 2U));
    for (i = 0U; i < table.coordinates; i++) {
        table.cells[i] = CELLS;
    }
    if (strength != 0U) {
        table.interval[table.coordinates - 1U] = positive;
    }
    return table;
}

typedef struct {
    uint32_t form;
    uint32_t ratios;
    uint32_t strength;
} shape;

static const shape shapes[] = { { FFX_FORM_RATIO, 1U, 0U },     { FFX_FORM_RATIO, 2U, 0U },     { FFX_FORM_RATIO, 0U, 1U },
                                { FFX_FORM_RATIO, 1U, 1U },     { FFX_FORM_RATIO, 2U, 1U },     { FFX_FORM_DIRECTION, 0U, 0U },
                                { FFX_FORM_DIRECTION, 1U, 0U }, { FFX_FORM_DIRECTION, 0U, 1U }, { FFX_FORM_DIRECTION, 1U, 1U } };

#define SHAPES (sizeof(shapes) / sizeof(shapes[0]))

/* Whatever the counts, a result lies between the least and the largest coefficient; where all are equal it is that value. */
static void results_lie_between_coefficients(void)
{
    static uint16_t c[MOST];
    long round;

    for (round = 0; round < ROUNDS; round++) {
        const shape *one = &shapes[(uint32_t)round % SHAPES];
        const uint32_t order = 1U + random_word() % 3U;
        const uint32_t joints = 1U + random_word() % 3U;
        ffx_table table = table_of(one->form, order, one->ratios, one->strength, joints);
        const int16_t counts[4] = { random_count(), random_count(), random_count(), random_count() };
        const uint32_t kind = random_word() % 3U;
        const uint16_t equal = (uint16_t)random_word();
        int32_t position[3] = { 7, 7, 7 };
        uint16_t low = 65535U;
        uint16_t high = 0U;
        uint32_t i;

        table.sign = ((round & 1) != 0) ? 1 : -1;
        table.rotated = (uint8_t)(random_word() & 1U);
        table.first_knot = (uint16_t)(random_word() & 3U);
        for (i = 0U; i < MOST; i++) {
            c[i] = (kind == 0U) ? equal : ((kind == 1U) ? (uint16_t)random_word() : (((random_word() & 1U) != 0U) ? 65535U : 0U));
            low = (c[i] < low) ? c[i] : low;
            high = (c[i] > high) ? c[i] : high;
        }
        if ((ffx_evaluate(&table, c, 0, counts, (int32_t)random_count(), position) & FFX_NOT_MEASURED) != 0U) {
            expect(counts[0] == 0 && counts[1] == 0, "only two zeros have no direction");
            continue;
        }
        for (i = 0U; i < joints; i++) {
            if (position[i] < low || position[i] > high) {
                expect(0, "a result lies between the coefficients");
                return;
            }
        }
    }
}

/* A linear table of one ratio gives the ratio. */
static void straight_table_gives_ratio(void)
{
    static const uint16_t c[CELLS + 1U] = { 0U, 20000U, 40000U, 60000U };
    ffx_table table = table_of(FFX_FORM_RATIO, 1U, 1U, 0U, 1U);
    long round;

    table.sign = -1;
    for (round = 0; round < ROUNDS; round++) {
        int16_t counts[2];
        int32_t position = 0;
        double right;

        counts[1] = (int16_t)(-(int32_t)(random_word() & 0x3FFFU) - 1000);
        counts[0] = (int16_t)((int32_t)(random_word() % (uint32_t)(-2 * counts[1])) + counts[1]);
        (void)ffx_evaluate(&table, c, 0, counts, 0, &position);
        right = 30000.0 * ((double)counts[0] / (double)counts[1] + 1.0);
        if ((double)position - right > 2.0 || (double)position - right < -84.0) { /* 767 of 768: the interval's multiplier is whole */
            expect(0, "a straight table gives the ratio");
            return;
        }
    }
}

/* Over its whole domain or a sample of it, the division without a divider is the division. */
static void quotients(uint32_t step)
{
    static const uint32_t numerators[] = { 2147467263U, 2147483647U, 1073725440U, 134201343U, 65535U, 0U };
    uint32_t larger;
    uint32_t i;

    for (larger = 1U; larger < 0x40000U; larger++) {
        for (i = 0U; i < sizeof(numerators) / sizeof(numerators[0]); i++) {
            const uint32_t numerator = numerators[i] + (larger >> 1);

            if (ffx_quotient(numerator, larger) != numerator / larger) {
                expect(0, "a reciprocal is the quotient");
                return;
            }
        }
    }
    for (larger = 1U; larger <= 65536U; larger++) {
        const uint32_t most = (larger < 32768U) ? larger : 32768U;
        uint32_t smaller;

        for (smaller = larger % step; smaller <= most; smaller += step) {
            if (ffx_quotient(smaller << 16, larger) != (smaller << 16) / larger) {
                expect(0, "a folded direction is the quotient");
                return;
            }
        }
    }
}

static void flags_are_raised(void)
{
    static const uint16_t c[MOST];
    ffx_table table = table_of(FFX_FORM_RATIO, 2U, 2U, 0U, 2U);
    ffx_table around = table_of(FFX_FORM_DIRECTION, 2U, 0U, 0U, 1U);
    int16_t counts[3] = { 10, 10, 1000 };
    int32_t position[2] = { 7, 7 };
    uint32_t strong;

    table.weak = 900000U;
    table.strong = 4000000U;
    table.mask = 0xFFFFU;
    for (strong = 0U; strong < 3U; strong++) {
        table.axis[strong].low = -5000;
        table.axis[strong].span = 10000U;
    }
    for (strong = 0U; strong < 2U; strong++) { /* saturation looked at always, or where the squares fail: 5000^2 does */
        table.saturation_is_strong = (uint8_t)strong;
        counts[2] = 1000;
        position[0] = position[1] = 7;
        expect(ffx_evaluate(&table, c, 0, counts, 0, position) == 0U && position[0] == 0, "a good reading is written");
        position[0] = position[1] = 7;
        counts[2] = 900;
        expect(ffx_evaluate(&table, c, 0, counts, 0, position) == FFX_WEAK_FIELD, "too little field is flagged");
        counts[2] = 2500;
        expect(ffx_evaluate(&table, c, 0, counts, 0, position) == FFX_STRONG_FIELD, "too much field is flagged");
        counts[2] = 5001;
        expect(ffx_evaluate(&table, c, 0, counts, 0, position) == (FFX_STRONG_FIELD | FFX_SATURATED), "saturation is flagged");
        counts[2] = -1000;
        expect(ffx_evaluate(&table, c, 0, counts, 0, position) == FFX_OUTSIDE_TRAVEL, "a denominator of the other sign is flagged");
        expect(position[0] == 7 && position[1] == 7, "a flagged position is not written");
    }
    counts[0] = counts[1] = 0;
    expect((ffx_evaluate(&around, c, 0, counts, 0, position) & FFX_NOT_MEASURED) != 0U, "no direction is flagged");
    expect(position[0] == 7, "without a direction nothing is written, whatever the mask");
}

/* The angle of a direction against first principles: at eighths of a turn it is known. */
static void angle_is_known_at_eighths(void)
{
    uint32_t eighth;

    for (eighth = 0U; eighth < 8U; eighth++) {
        const int32_t off = (int32_t)ffx_angle(eighth << 15) - (int32_t)(eighth << 16);

        expect(off >= -2 && off <= 2, "the angle is right at every eighth of a turn"); /* 2: of 2^19, rounding of the polynomial */
    }
    expect(ffx_sine(16384U) == 32768 && ffx_sine(49152U) == -32768, "the sine is one at a quarter, less one at three");
    expect(ffx_sine(0U) <= 1 && ffx_sine(32768U) >= -1, "the sine is zero at zero and at half a turn");
    expect(ffx_sine(8192U) - 23170 <= 1 && 23170 - ffx_sine(8192U) <= 1, "the sine of an eighth is the root of a half");
}

int main(int count, char **words)
{
    (void)words;
    results_lie_between_coefficients();
    straight_table_gives_ratio();
    quotients((count > 1) ? 1U : 251U); /* any argument: all pairs */
    flags_are_raised();
    angle_is_known_at_eighths();
    printf("%u failures\n", failures);
    return failures == 0U ? EXIT_SUCCESS : EXIT_FAILURE;
}
