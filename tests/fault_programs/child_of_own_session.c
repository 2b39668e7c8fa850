/* Leaves a child running in a session of its own. */
#include "program.h"

int main(int argc, char **argv)
{
    if (fork() == 0) {
        setsid();
        sleep_ms(600000);
    }
    hand_through(argv);
    return argc < 0;
}
