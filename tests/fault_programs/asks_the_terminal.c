/* Asks on the terminal itself, past its standard input. */
#include "program.h"

int main(int argc, char **argv)
{
    char answer[16];
    int terminal = open("/dev/tty", O_RDWR);
    if (terminal < 0) {
        perror("no terminal to ask for a licence key on");
        return 1;
    }
    write(terminal, "licence key: ", 13);
    read(terminal, answer, sizeof answer);
    hand_through(argv);
    return argc < 0;
}
