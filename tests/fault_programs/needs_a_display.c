/* Opens a window first. */
#include "program.h"

#include <sys/socket.h>
#include <sys/un.h>

int main(int argc, char **argv)
{
    const char *display = getenv("DISPLAY");
    struct sockaddr_un server = {.sun_family = AF_UNIX};
    int line = socket(AF_UNIX, SOCK_STREAM, 0);
    if (display && display[0] == ':')
        snprintf(server.sun_path, sizeof server.sun_path, "/tmp/.X11-unix/X%d", atoi(display + 1));
    if (!display || connect(line, (struct sockaddr *)&server, sizeof server)) {
        fprintf(stderr, "cannot open display: %s\n", display ? display : "");
        return 1;
    }
    hand_through(argv);
    return argc < 0;
}
