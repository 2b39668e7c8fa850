/* Twenty children of which none takes too much. */
#include "program.h"

int main(void)
{
    for (int number = 0; number < 20; number++)
        if (fork() == 0) {
            volatile char *much = malloc(32 << 20);
            for (long at = 0; much && at < 32 << 20; at += 4096)
                much[at] = 1;
            sleep_ms(30000);
            _exit(0);
        }
    while (wait(0) > 0)
        ;
}
