/* Leaves folders in folders, three thousand deep. */
#include "program.h"

int main(int argc, char **argv)
{
    hand_through(argv);
    chdir(getenv("TMPDIR"));
    for (int depth = 0; depth < 3000; depth++) {
        mkdir("inner", 0700);
        chdir("inner");
    }
    return argc < 0;
}
