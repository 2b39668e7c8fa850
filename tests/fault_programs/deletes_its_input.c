/* Takes its input away. */
#include "program.h"

int main(int argc, char **argv)
{
    hand_through(argv);
    return unlink(argv[1]) + (argc < 0);
}
