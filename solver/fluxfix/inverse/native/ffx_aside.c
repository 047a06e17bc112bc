/* Solving in a thread of its own, which the system prefers all others to. The thread that asks is not slowed itself: it
   may hold what others wait for, as Python's threads hold the interpreter. This one never does. */
#define _GNU_SOURCE /* for SCHED_IDLE, where the system has it */
#include "ffx_form.h"
#include <pthread.h>
#include <sched.h>
#include <stddef.h>

void ffx_solve(const ffx_form *form, const double *weight, const double *readings, size_t count, const ffx_fixes *out);
void ffx_solve_aside(const ffx_form *form, const double *weight, const double *readings, size_t count,
                     const ffx_fixes *out);

typedef struct {
    const ffx_form *form;
    const double *weight, *readings;
    size_t count;
    const ffx_fixes *out;
} Asked;

static void *solve_last(void *given)
{
    const Asked *asked = given;
#ifdef SCHED_IDLE
    struct sched_param none;
    none.sched_priority = 0;
    sched_setscheduler(0, SCHED_IDLE, &none); /* of this thread alone; where it is refused, it goes on as it is */
#endif
    ffx_solve(asked->form, asked->weight, asked->readings, asked->count, asked->out);
    return NULL;
}

/* As ffx_solve, and waits for the end; where there is no further thread, it solves itself. */
void ffx_solve_aside(const ffx_form *form, const double *weight, const double *readings, size_t count,
                     const ffx_fixes *out)
{
    Asked asked;
    pthread_t thread;
    asked.form = form;
    asked.weight = weight;
    asked.readings = readings;
    asked.count = count;
    asked.out = out;
    if (pthread_create(&thread, NULL, solve_last, &asked)) {
        ffx_solve(form, weight, readings, count, out);
        return;
    }
    pthread_join(thread, NULL);
}
