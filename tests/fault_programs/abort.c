/* A failed assertion. */
#include "program.h"

#include <assert.h>

int main(int argc, char **argv)
{
    (void)argv;
    assert(argc < 0);
}
