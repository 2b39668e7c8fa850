/* Every process makes more of them, up to 400 (a real one has no such end). */
#include "program.h"

#include <sys/mman.h>

int main(void)
{
    volatile int *made = mmap(0, 4096, PROT_READ | PROT_WRITE, MAP_SHARED | MAP_ANONYMOUS, -1, 0);
    while (__sync_add_and_fetch(made, 1) < 400)
        fork();
    sleep_ms(600000);
}
