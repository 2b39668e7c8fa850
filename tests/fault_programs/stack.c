/* Calls itself for ever. */
#include "program.h"

static int deeper(volatile char *above)
{
    volatile char frame[4096];
    frame[0] = above ? above[0] : 0;
    return deeper(frame) + frame[1];
}

int main(void)
{
    return deeper(0);
}
