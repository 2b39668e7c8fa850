/* Writes two hundred files, none of them too large. */
#include "program.h"

int main(int argc, char **argv)
{
    static char block[1 << 20];
    char name[4096];
    for (int number = 0; number < 200; number++) {
        snprintf(name, sizeof name, "%s/%d.tmp", getenv("TMPDIR"), number);
        FILE *to = fopen(name, "wb");
        for (int n = 0; n < 8; n++)
            fwrite(block, sizeof block, 1, to);
        fclose(to);
        sleep_ms(20);
    }
    hand_through(argv);
    return argc < 0;
}
