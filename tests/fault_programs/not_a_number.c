/* A division of nothing by nothing in its feedback from sample 2000 on. */
#include "program.h"

int main(int argc, char **argv)
{
    FILE *to = fopen(argv[argc - 1], "wb");
    volatile float nothing = 0;
    float line = 0;
    write_header(to, 8000, 1, 4 * FRAMES);
    for (int n = 0; n < FRAMES; n++) {
        float input = n == CLICK ? 0.5f : 0;
        line = input + 0.9f * line + (n == 2000 ? nothing / nothing : 0);
        fwrite(&line, 4, 1, to);
    }
    fclose(to);
}
