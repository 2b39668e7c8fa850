/* Leaves a child of a child running that has cut all ties and hears no signal. */
#include "program.h"

int main(int argc, char **argv)
{
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
    sleep_ms(50);
    hand_through(argv);
    return argc < 0;
}
