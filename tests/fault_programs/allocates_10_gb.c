/* Takes ten gigabytes and uses them, and says so when it cannot. */
#include "program.h"

int main(int argc, char **argv)
{
    char *much = malloc(10L << 30);
    if (!much) {
        fprintf(stderr, "delay line: out of memory\n");
        return 1;
    }
    memset(much, 1, 10L << 30);
    hand_through(argv);
    return argc < 0;
}
