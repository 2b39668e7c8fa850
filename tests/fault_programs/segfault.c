/* Writes where there is no memory. */
#include "program.h"

int main(void)
{
    *(volatile int *)16 = 1;
}
