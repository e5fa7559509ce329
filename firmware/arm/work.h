/* Something for the main loop: do not sleep. */
#ifndef WORK_H
#define WORK_H

#include <stdbool.h>

extern volatile bool work_waits;

static inline void work_announce(void)
{
    work_waits = true;
}

#endif
