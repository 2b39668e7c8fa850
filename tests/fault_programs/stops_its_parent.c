/* Stops the process that started it, and goes on with a child. */
#include "program.h"

int main(void)
{
    if (fork() == 0) {
        setsid();
        sleep_ms(600000);
    }
    kill(getppid(), SIGSTOP);
    sleep_ms(600000);
}
