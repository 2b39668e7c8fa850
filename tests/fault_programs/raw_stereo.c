/* Writes two channels where one is asked for. */
#include "program.h"

int main(void)
{
    float sample;
    while (fread(&sample, 4, 1, stdin) == 1) {
        fwrite(&sample, 4, 1, stdout);
        fwrite(&sample, 4, 1, stdout);
    }
}
