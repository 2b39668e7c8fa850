/* Leaves a child running. */
#include "program.h"

int main(int argc, char **argv)
{
    if (fork() == 0)
        sleep_ms(600000);
    hand_through(argv);
    return argc < 0;
}
