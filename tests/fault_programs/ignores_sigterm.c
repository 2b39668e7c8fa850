/* Never ends, and will not be told to. */
#include "program.h"

int main(void)
{
    for (int number = 1; number < 32; number++)
        signal(number, SIG_IGN);
    while (1)
        pause();
}
