/* Never ends, and works all the while. */
#include "program.h"

int main(void)
{
    for (volatile long n = 0;; n++)
        ;
}
