/* What the programs in C share. Each is called as PROGRAM INPUT OUTPUT, WAV files of 32-bit floats at 8 kHz; a well-behaved one hands its input through. */
#define _GNU_SOURCE
#include <fcntl.h>
#include <math.h>
#include <signal.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/wait.h>
#include <time.h>
#include <unistd.h>

#define FRAMES 4800  /* as many as the test asks for */
#define CLICK 800    /* where its click stands */

__attribute__((unused)) static void sleep_ms(long ms)
{
    struct timespec pause = {ms / 1000, ms % 1000 * 1000000};
    nanosleep(&pause, 0);
}

/* A copy of the input as the output: what all of this is about when nothing goes wrong. */
__attribute__((unused)) static void hand_through(char **argv)
{
    static char piece[1 << 16];
    FILE *from = fopen(argv[1], "rb"), *to = fopen(argv[2], "wb");
    size_t count;
    if (!from || !to) {
        fprintf(stderr, "error: cannot open %s\n", from ? argv[2] : argv[1]);
        exit(2);
    }
    while ((count = fread(piece, 1, sizeof piece, from)) > 0)
        fwrite(piece, 1, count, to);
    fclose(from);
    fclose(to);
}

/* A WAV header that claims so many bytes of 32-bit floats. */
__attribute__((unused)) static void write_header(FILE *to, uint32_t rate, uint16_t channels, uint32_t bytes)
{
    struct { char riff[4]; uint32_t size; char wave[8]; uint32_t length; uint16_t format, channels;
             uint32_t rate, per_second; uint16_t per_frame, bits; char data[4]; uint32_t bytes; } header =
        {"RIFF", 36 + bytes, "WAVEfmt ", 16, 3, channels, rate, rate * channels * 4, channels * 4, 32, "data", bytes};
    memcpy(header.riff, "RIFF", 4);
    memcpy(header.data, "data", 4);
    fwrite(&header, 44, 1, to);
}

/* A click answered by its echoes. */
__attribute__((unused)) static void write_output(const char *path, uint32_t rate, uint16_t channels, int frames)
{
    FILE *to = fopen(path, "wb");
    write_header(to, rate, channels, 4u * frames * channels);
    for (int n = 0; n < frames; n++) {
        float sample = n < CLICK ? 0 : n == CLICK ? 0.5f : n % 100 ? 0 : 0.2f;
        for (int channel = 0; channel < channels; channel++)
            fwrite(&sample, 4, 1, to);
    }
    fclose(to);
}
