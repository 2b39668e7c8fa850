/* Two springs as a library or, with COMMAND, as a program that streams raw floats.
 *
 * SECTIONS        allpass sections of each spring's dispersion chain
 * EXTRA           instructions that do nothing, for every sample
 * EXPENSIVE_OPEN  much work before the first block */
#include <stdlib.h>
#include <string.h>

#ifndef SECTIONS
#define SECTIONS 100
#endif
#ifndef EXTRA
#define EXTRA 0
#endif
#define SPRINGS 2
#define LINE 1500
#define TEXT(x) #x
#define NOPS(n) __asm__ volatile(".rept " TEXT(n) "\n nop\n .endr")

typedef struct {
    double line[LINE], section[SECTIONS], low;
    int at;
} Spring;

typedef struct {
    Spring spring[SPRINGS];
} Reverb;

#define STAGE __attribute__((noinline)) static

STAGE double chain_step(double x, double *section) {
    for (int k = 0; k < SECTIONS; k++) {
        double y = 0.6 * x + section[k];
        section[k] = x - 0.6 * y;
        x = y;
    }
    return x;
}

STAGE void delay_write(Spring *s, double x) {
    s->line[s->at] = x;
    s->at = (s->at + 1) % LINE;
}

STAGE double lowpass(Spring *s, double x) { return s->low += 0.5 * (x - s->low); }

STAGE void play(Reverb *r, const float *in, float *out, int frames) {
    for (int n = 0; n < frames; n++) {
        double sum = 0;
        for (int k = 0; k < SPRINGS; k++) {
            Spring *s = &r->spring[k];
            double x = lowpass(s, chain_step(s->line[s->at], s->section));
            delay_write(s, in[n] - 0.7 * x);
            sum += x;
        }
        NOPS(EXTRA);
        out[n] = (float)sum;
    }
}

#ifdef COMMAND
#include <stdio.h>

int main(void) {
    static Reverb reverb;
    float in[512], out[512];
    size_t frames;
    while ((frames = fread(in, sizeof *in, 512, stdin)) > 0) {
        play(&reverb, in, out, (int)frames);
        fwrite(out, sizeof *out, frames, stdout);
    }
    return 0;
}
#else
#include "reverb.h"

void *reverb_open(double rate, int inputs, int outputs, int largest) {
    (void)rate, (void)inputs, (void)outputs, (void)largest;
#ifdef EXPENSIVE_OPEN
    for (volatile int k = 0; k < 3000000; k++) {}
#endif
    return calloc(1, sizeof(Reverb));
}

int reverb_set(void *reverb, const char *name, double value) {
    (void)reverb, (void)name, (void)value;
    return 1;
}

void reverb_process(void *reverb, const float *const *input, float *const *output, int frames) {
    play(reverb, input[0], output[0], frames);
}

void reverb_reset(void *reverb) { memset(reverb, 0, sizeof(Reverb)); }

void reverb_close(void *reverb) { free(reverb); }
#endif
