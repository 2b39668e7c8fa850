/* Two hundred decays that run into denormal numbers: right, and slow. */
#include "program.h"

int main(int argc, char **argv)
{
    FILE *to = fopen(argv[argc - 1], "wb");
    static volatile float lines[200];
    write_header(to, 8000, 1, 4 * FRAMES);
    for (int n = 0; n < FRAMES; n++) {
        float output = 0;
        for (int k = 0; k < 200; k++) {
            lines[k] = (n == CLICK ? 0.5f : 0) + 0.9f * lines[k];
            if (n > CLICK && lines[k] == 0)
                lines[k] = 1e-40f;
            output += lines[k] / 200;
        }
        fwrite(&output, 4, 1, to);
    }
    fclose(to);
}
