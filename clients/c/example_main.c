/* Example for the armrest of a field sprayer: the boom stick's position, three words of the field sensor at a time.
 *
 * Make the table, then compile on a host:
 *     fluxfix table shared/rigs/boom-stick.toml --out build/stick
 *     cc -std=c99 -Ibuild/stick -o example clients/c/example_main.c build/stick/boom_stick_table.c build/stick/ffx_table.c
 *     echo "-2709 1324 13524" | ./example
 * On the target, the loop's body stands in the interrupt that the sensor's last conversion raises.
 *
 * Not certified for safety functions: see the README beside the table.
 */
#include <stdio.h>

#include "boom_stick_table.h"

#define SPAN_MILLIDEG 36000 /* both joints: -18 to 18 degrees */

static long millidegrees(int32_t position)
{
    return (long)position * SPAN_MILLIDEG / 65536 - SPAN_MILLIDEG / 2;
}

int main(void)
{
    int16_t counts[FFX_BOOM_STICK_AXES];

    while (scanf("%hd %hd %hd", &counts[0], &counts[1], &counts[2]) == 3) {
        int32_t position[FFX_BOOM_STICK_JOINTS];
        const uint16_t flags = ffx_boom_stick_position(counts, position);

        if ((flags & FFX_BOOM_STICK_MASK) != 0U) {
            printf("no position, flags %u: the valves go to their safe state\n", (unsigned)flags);
        } else {
            printf("tilt-x %ld, tilt-y %ld thousandths of a degree, flags %u\n", millidegrees(position[0]),
                   millidegrees(position[1]), (unsigned)flags);
        }
    }
    return 0;
}
