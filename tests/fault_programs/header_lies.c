/* Claims four gigabytes and holds a tenth of a second. */
#include "program.h"

int main(int argc, char **argv)
{
    static float block[CLICK];
    FILE *to = fopen(argv[argc - 1], "wb");
    write_header(to, 8000, 1, 0xfffffff0);
    fwrite(block, sizeof block, 1, to);
    fclose(to);
}
