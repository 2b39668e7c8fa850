/* Writes a gigabyte to standard error. */
#include "program.h"

int main(void)
{
    static char line[1 << 16];
    memset(line, '.', sizeof line);
    line[sizeof line - 1] = '\n';
    for (int n = 0; n < 1 << 14; n++)
        write(2, line, sizeof line);
    fprintf(stderr, "gave up\n");
    return 1;
}
