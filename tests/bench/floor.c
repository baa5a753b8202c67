/* The floor of the machine: absolute sleeps in C, and nothing else.
 *
 *     floor PRIORITY < offsets > lateness
 *
 * Reads offsets in nanoseconds, one a line, in order. Sleeps until each, counted from shortly
 * after the start, and prints how late it woke, in nanoseconds. PRIORITY 0 is the usual
 * scheduler. Exit status 3: the priority was refused.
 */
#define _GNU_SOURCE
#include <sched.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <sys/prctl.h>
#include <time.h>

enum { MOST = 1 << 20 };
static long long offset[MOST], late[MOST];

static long long now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

int main(int argc, char **argv) {
    struct sched_param priority = {.sched_priority = argc > 1 ? atoi(argv[1]) : 0};
    int count = 0;
    while (count < MOST && scanf("%lld", &offset[count]) == 1) count++;
    if (priority.sched_priority && sched_setscheduler(0, SCHED_FIFO, &priority) != 0) {
        perror("floor: SCHED_FIFO");
        return 3;
    }
    mlockall(MCL_CURRENT | MCL_FUTURE);
    prctl(PR_SET_TIMERSLACK, 1, 0, 0, 0);
    long long start = now() + 50000000;
    for (int i = 0; i < count; i++) {
        long long due = start + offset[i];
        struct timespec t = {.tv_sec = due / 1000000000LL, .tv_nsec = due % 1000000000LL};
        while (clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL) != 0) continue;
        late[i] = now() - due;
    }
    for (int i = 0; i < count; i++) printf("%lld\n", late[i]);
    return 0;
}
