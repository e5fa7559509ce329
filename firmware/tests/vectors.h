#ifndef VECTORS_H
#define VECTORS_H

/* 0 when every example holds; else what does not is printed. */
int check_vectors(const char *path);

#endif
