/* Writes at a rate of its own. */
#include "program.h"

int main(int argc, char **argv)
{
    write_output(argv[argc - 1], 44100, 1, FRAMES);
}
