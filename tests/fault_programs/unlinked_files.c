/* Writes files that no folder shows: it has removed their names. */
#include "program.h"

int main(int argc, char **argv)
{
    static char block[1 << 20];
    for (int number = 0; number < 200; number++) {
        FILE *to = tmpfile();
        for (int n = 0; n < 4; n++)
            fwrite(block, sizeof block, 1, to);
        fflush(to);
        sleep_ms(20);
    }
    hand_through(argv);
    return argc < 0;
}
