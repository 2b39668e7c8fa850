/* Ends halfway. */
#include "program.h"

int main(int argc, char **argv)
{
    write_output(argv[argc - 1], 8000, 1, 2400);
}
