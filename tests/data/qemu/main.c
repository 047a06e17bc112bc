/* Runs a table on a simulated board: readings from counts.bin, results to rows.bin, both in the host's folder.
 *
 * No operating system and no library: files are the debugger's (Arm, Semihosting for AArch32 and AArch64, 2.0), reached by
 * a breakpoint with the number 0xAB.
 */
#include <stdint.h>

#define OPEN 0x01U
#define CLOSE 0x02U
#define WRITE 0x05U
#define READ 0x06U
#define EXIT 0x18U
#define DONE 0x20026U
#define READ_BINARY 1U
#define WRITE_BINARY 5U
#define VECTORS 256U
#define NOT_WRITTEN (-2147483647 - 1)

uint16_t FFX_POSITION(const int16_t counts[], int32_t position[]);
void start(void);
extern uint32_t top_of_stack[];

__attribute__((section(".vectors"), used)) static const uintptr_t vectors[2] = { (uintptr_t)top_of_stack, (uintptr_t)start };

static int16_t counts[VECTORS * FFX_AXES];
static int32_t rows[VECTORS * (FFX_JOINTS + 1U)];

static uint32_t host(uint32_t operation, uint32_t argument)
{
    register uint32_t r0 __asm__("r0") = operation;
    register uint32_t r1 __asm__("r1") = argument;

    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static uint32_t call(uint32_t operation, uint32_t first, uint32_t second, uint32_t third)
{
    const uint32_t block[3] = { first, second, third };

    return host(operation, (uint32_t)(uintptr_t)block);
}

void start(void)
{
    const uint32_t in = call(OPEN, (uint32_t)(uintptr_t)"counts.bin", READ_BINARY, 10U);
    const uint32_t out = call(OPEN, (uint32_t)(uintptr_t)"rows.bin", WRITE_BINARY, 8U);

    for (;;) {
        const uint32_t missing = call(READ, in, (uint32_t)(uintptr_t)counts, sizeof(counts)); /* bytes not read */
        const uint32_t vectors_read = (uint32_t)(sizeof(counts) - missing) / (2U * FFX_AXES);
        uint32_t vector;
        uint32_t joint;

        for (vector = 0U; vector < vectors_read; vector++) {
            int32_t *row = &rows[vector * (FFX_JOINTS + 1U)];

            for (joint = 0U; joint < FFX_JOINTS; joint++) {
                row[joint] = NOT_WRITTEN;
            }
            row[FFX_JOINTS] = (int32_t)FFX_POSITION(&counts[vector * FFX_AXES], row);
        }
        (void)call(WRITE, out, (uint32_t)(uintptr_t)rows, vectors_read * 4U * (FFX_JOINTS + 1U));
        if (missing != 0U) {
            break;
        }
    }
    (void)call(CLOSE, out, 0U, 0U);
    (void)host(EXIT, DONE);
    for (;;) {
    }
}
