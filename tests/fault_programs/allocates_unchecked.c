/* Takes ten gigabytes and does not look whether it got them. */
#include "program.h"

int main(void)
{
    volatile char *much = malloc(10L << 30);
    for (long at = 0; at < 10L << 30; at += 4096)
        much[at] = 1;
}
