/* See ffx_table.h: the binary form of a table. Needed only where a table is loaded at run time. */
#include "ffx_table.h"

#define TABLE_MAGIC 0x5846U
#define VERSION 1U
#define HEAD_WORDS 4U
#define DESCRIPTOR_WORDS 95U
#define CRC_WORDS 2U

static uint32_t word_crc(const uint16_t words[], uint32_t count)
{
    uint32_t crc = 0U;
    uint32_t i;

    for (i = 0U; i < count; i++) {
        crc = ffx_crc(crc, (uint8_t)(words[i] & 0xFFU));
        crc = ffx_crc(crc, (uint8_t)(words[i] >> 8));
    }
    return crc;
}

/* The words in turn; of a field of eight bits too large a word is kept for `wrong`. */
typedef struct {
    const uint16_t *next;
    uint32_t wrong;
} cursor;

static uint16_t u16(cursor *from)
{
    return *from->next++;
}

static uint32_t u32(cursor *from)
{
    const uint32_t low = u16(from);

    return low | ((uint32_t)u16(from) << 16);
}

static uint8_t u8(cursor *from)
{
    const uint16_t word = u16(from);

    from->wrong |= (word > 255U) ? 1U : 0U;
    return (uint8_t)(word & 0xFFU);
}

static int32_t i32(cursor *from)
{
    const uint32_t word = u32(from);

    return (word > 0x7FFFFFFFU) ? (-(int32_t)(0xFFFFFFFFU - word) - 1) : (int32_t)word;
}

static int16_t i16(cursor *from)
{
    const uint16_t word = u16(from);

    return (int16_t)((word > 0x7FFFU) ? ((int32_t)word - 65536) : (int32_t)word);
}

static void read_table(cursor *from, ffx_table *table)
{
    uint32_t i;

    table->weak = u32(from);
    table->strong = u32(from);
    table->numerator = u32(from);
    for (i = 0U; i < 3U; i++) {
        table->interval[i].low = i32(from);
        table->interval[i].width = u32(from);
        table->interval[i].multiplier = u16(from);
        table->interval[i].shift = u8(from);
        table->interval[i].down = u8(from);
    }
    for (i = 0U; i < 3U; i++) {
        table->output[i].offset = i32(from);
        table->output[i].limit_low = i32(from);
        table->output[i].limit_high = i32(from);
        table->output[i].scale = u16(from);
        table->output[i].turn = i16(from);
    }
    table->strength.slope = i32(from);
    table->strength.reference = i16(from);
    table->strength.low = i16(from);
    table->strength.high = i16(from);
    table->strength.shift = u8(from);
    table->strength.used = u8(from);
    for (i = 0U; i < 4U; i++) {
        table->axis[i].low = i16(from);
        table->axis[i].span = u16(from);
        table->axis[i].weight = u16(from);
        table->axis[i].number = u16(from);
    }
    table->spare_low = i16(from);
    table->spare_high = i16(from);
    table->always = u16(from);
    table->mask = u16(from);
    table->first_knot = u16(from);
    table->form = u8(from);
    table->order = u8(from);
    table->joints = u8(from);
    table->axes = u8(from);
    table->ratios = u8(from);
    table->reach = u8(from);
    i = u16(from);
    table->sign = (int8_t)((i == 1U) ? 1 : ((i == 0xFFFFU) ? -1 : 0));
    table->square_shift = u8(from);
    table->knots_per_quadrant = u8(from);
    table->spare = u8(from);
    for (i = 0U; i < 3U; i++) {
        table->cells[i] = u8(from);
    }
    table->coordinates = u8(from);
    table->saturation_is_strong = u8(from);
    table->rotated = u8(from);
}

/* Upper 32 of the 48 bits of a product. */
static uint32_t upper(uint32_t value, uint32_t factor)
{
    return factor * (value >> 16) + ((factor * (value & 0xFFFFU)) >> 16);
}

static uint32_t bad_interval(const ffx_interval *one, uint32_t cells)
{
    if ((one->shift > 31U) || (one->down > 15U) || (cells > (0xFFFFFFFFU >> (16U + one->down)))) {
        return 1U;
    }
    if (one->width > 0x7FFFFFFFU - (uint32_t)one->low) {
        return 1U; /* its end is no int32_t */
    }
    return (upper(one->width >> one->shift, one->multiplier) >= (cells << one->down)) ? 1U : 0U;
}

static uint32_t beyond(int32_t value, int32_t most)
{
    return ((value > most) || (value < -most)) ? 1U : 0U;
}

static uint32_t bad_output(const ffx_table *table, const ffx_output *one)
{
    uint32_t bad = beyond(one->offset, 1073741823);

    bad |= beyond(one->limit_low, 1073741823) | beyond(one->limit_high, 1073741823);
    bad |= (one->limit_low > one->limit_high) ? 1U : 0U;
    bad |= (one->scale > 32768U) ? 1U : 0U;
    bad |= beyond(one->turn, (table->form == FFX_FORM_RATIO) ? 0 : 1);
    return bad;
}

static uint32_t bad_strength(const ffx_strength *one)
{
    uint32_t bad = beyond(one->slope, 262128);

    bad |= ((one->shift > 31U) || (one->used > 1U)) ? 1U : 0U;
    bad |= ((one->low > one->reference) || (one->reference > one->high)) ? 1U : 0U;
    bad |= ((one->high - one->reference > 4095) || (one->reference - one->low > 4095)) ? 1U : 0U;
    return (one->used == 0U) ? 0U : bad;
}

/* What the parts of each form are; `first` is the first coordinate that is placed by an interval. */
static uint32_t bad_form(const ffx_table *table, uint32_t *first)
{
    const uint32_t strength = table->strength.used;
    const uint32_t spare_weight = (table->spare != 0U) ? table->axis[table->axes - 1U].weight : 0U;
    const uint32_t reach = table->reach;

    *first = 0U;
    if (table->form == FFX_FORM_RATIO) {
        return ((table->ratios > 2U) || (table->coordinates != table->ratios + strength) ||
                (table->axes != table->ratios + 1U + table->spare) || (table->sign == 0) || (reach == 0U) ||
                (table->numerator == 0U) || (table->numerator > 0x7FFFFFFFU) || (upper(table->numerator + 16384U, reach) > 0x7FFFU))
                   ? 1U
                   : 0U;
    }
    *first = 1U;
    if ((table->weak == 0U) || (spare_weight != 0U) || (table->axes != 2U + table->ratios + table->spare)) {
        return 1U; /* two zeros would not be noticed */
    }
    if (table->form == FFX_FORM_HARMONIC) {
        return ((table->order < 1U) || (table->order > 8U) || (table->joints != 1U) || (table->coordinates != 1U) ||
                (table->ratios != 0U) || (strength != 0U) || (table->output[0].turn == 0))
                   ? 1U
                   : 0U;
    }
    if ((table->form != FFX_FORM_DIRECTION) || (table->ratios > 1U) || (table->coordinates != 1U + table->ratios + strength) ||
        (table->knots_per_quadrant < 1U) || (table->knots_per_quadrant > 63U) ||
        (table->first_knot >= 4U * table->knots_per_quadrant) || (table->cells[0] > 4U * table->knots_per_quadrant)) {
        return 1U;
    }
    return ((table->numerator > 0x7FFFFFFFU) || ((table->ratios != 0U) && (reach == 0U)) ||
            (upper(table->numerator / 4U + 32769U, reach) > 0x7FFFU))
               ? 1U
               : 0U;
}

static uint32_t bad_table(const ffx_table *table, uint32_t axes)
{
    uint32_t first = 0U;
    uint32_t bad;
    uint32_t i;

    if ((table->joints < 1U) || (table->joints > 3U) || (table->axes < 1U) || (table->axes > 4U) || (table->spare > 1U) ||
        (table->coordinates < 1U) || (table->coordinates > 3U) || (table->rotated > 1U) || (table->strength.used > 1U)) {
        return 1U;
    }
    bad = bad_form(table, &first) | bad_strength(&table->strength);
    bad |= ((table->weak > table->strong) || (table->square_shift > 31U) || (table->saturation_is_strong > 1U)) ? 1U : 0U;
    bad |= beyond(table->spare_low, 16383) | beyond(table->spare_high, 16383);
    bad |= (table->spare_low > table->spare_high) ? 1U : 0U;
    for (i = 0U; i < table->axes; i++) {
        bad |= (table->axis[i].number >= axes) ? 1U : 0U;
    }
    for (i = 0U; i < table->joints; i++) {
        bad |= bad_output(table, &table->output[i]);
    }
    if ((bad != 0U) || (table->form == FFX_FORM_HARMONIC)) {
        return bad;
    }
    bad |= ((table->order < 1U) || (table->order > 3U)) ? 1U : 0U;
    for (i = 0U; i < table->coordinates; i++) {
        bad |= (table->cells[i] == 0U) ? 1U : 0U;
        bad |= (i >= first) ? bad_interval(&table->interval[i], table->cells[i]) : 0U;
    }
    return bad;
}

static uint32_t coefficients_of(const ffx_table *table)
{
    uint32_t size = table->joints;
    uint32_t i;

    if (table->form == FFX_FORM_HARMONIC) {
        return 2U * table->order;
    }
    for (i = 0U; i < table->coordinates; i++) {
        size *= (uint32_t)table->cells[i] + table->order;
    }
    return size;
}

uint16_t ffx_open(const uint16_t words[], uint32_t count, uint32_t axes, ffx_table *table, const uint16_t **coefficients)
{
    cursor from = { words, 0U };
    uint32_t crc;
    uint32_t total;

    if (count < HEAD_WORDS + DESCRIPTOR_WORDS + CRC_WORDS) {
        return FFX_OPEN_SIZE;
    }
    if ((u16(&from) != TABLE_MAGIC) || (u16(&from) != VERSION)) {
        return FFX_OPEN_KIND;
    }
    total = u32(&from);
    if (total != count) {
        return FFX_OPEN_SIZE;
    }
    crc = (uint32_t)words[count - 2U] | ((uint32_t)words[count - 1U] << 16);
    if (word_crc(words, count - CRC_WORDS) != crc) {
        return FFX_OPEN_DAMAGED;
    }
    read_table(&from, table);
    if ((from.wrong != 0U) || (bad_table(table, axes) != 0U)) {
        return FFX_OPEN_FIELD;
    }
    if (coefficients_of(table) != count - HEAD_WORDS - DESCRIPTOR_WORDS - CRC_WORDS) {
        return FFX_OPEN_SIZE;
    }
    *coefficients = from.next;
    return FFX_OPEN_OK;
}
