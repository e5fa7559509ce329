/* The little of the C library that the core uses, and that compilers take to be there; in string.c. */
#ifndef STRING_H
#define STRING_H

#include <stddef.h>

void *memcpy(void *restrict to, const void *restrict from, size_t count);
void *memset(void *to, int byte, size_t count);

#endif
