/* Writes stereo where mono is asked. */
#include "program.h"

int main(int argc, char **argv)
{
    write_output(argv[argc - 1], 8000, 2, FRAMES);
}
