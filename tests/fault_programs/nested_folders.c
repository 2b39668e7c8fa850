/* Leaves folders in folders, twelve hundred deep. */
#include "program.h"

int main(int argc, char **argv)
{
    hand_through(argv);
    chdir(getenv("TMPDIR"));
    for (int depth = 0; depth < 1200; depth++) {
        mkdir("inner", 0700);
        chdir("inner");
    }
    return argc < 0;
}
