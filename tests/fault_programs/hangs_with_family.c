/* Never ends, nor do its child, a child in a session of its own, and a child's child that has cut all ties. */
#include "program.h"

int main(void)
{
    if (fork() == 0)
        sleep_ms(600000);
    if (fork() == 0) {
        setsid();
        sleep_ms(600000);
    }
    if (fork() == 0) {
        setsid();
        if (fork() == 0) {
            for (int number = 1; number < 32; number++)
                signal(number, SIG_IGN);
            for (int file = 0; file < 64; file++)
                close(file);
            sleep_ms(600000);
        }
        _exit(0);
    }
    for (int number = 1; number < 32; number++)
        signal(number, SIG_IGN);
    while (1)
        pause();
}
