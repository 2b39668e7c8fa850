/* Fills the disk with files that hold nothing. */
#include "program.h"

int main(void)
{
    char name[4096];
    for (int number = 0; number < 2000000; number++) {
        snprintf(name, sizeof name, "%s/%d.tmp", getenv("TMPDIR"), number);
        close(open(name, O_CREAT | O_WRONLY, 0600));
    }
}
