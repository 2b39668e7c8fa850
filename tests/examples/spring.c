/* One spring as a shared library, in C: a delay line and a chain of allpass sections in a loop.
 *
 *     cc -O2 -shared -fPIC -o libspring.so spring.c
 */
#include <stdlib.h>
#include <string.h>

#include "reverb.h"

#define MOST_SECTIONS 200
#define LONGEST_S 0.2
#define CHANNELS 2

typedef struct {
    double *line, section[MOST_SECTIONS];
    int position;
} Spring;

typedef struct {
    double rate, trip_ms, coefficient, reflection;
    int sections, length, inputs, outputs;
    Spring spring[CHANNELS];
} Reverb;

static const char *const NAMES[] = {"trip_ms", "sections", "coefficient", "reflection"};

const char *reverb_parameter(int number) { return number < 4 ? NAMES[number] : NULL; }

int reverb_set(void *reverb, const char *name, double value) {
    Reverb *r = reverb;
    if (!strcmp(name, "trip_ms") && value > 0 && value < 1000 * LONGEST_S) r->trip_ms = value;
    else if (!strcmp(name, "sections") && value >= 0 && value <= MOST_SECTIONS) r->sections = (int)value;
    else if (!strcmp(name, "coefficient") && value > -1 && value < 1) r->coefficient = value;
    else if (!strcmp(name, "reflection") && value > -1 && value < 1) r->reflection = value;
    else return 1;
    r->length = (int)(r->trip_ms * r->rate / 1000 + 0.5);
    return 0;
}

void reverb_reset(void *reverb) {
    Reverb *r = reverb;
    for (int c = 0; c < CHANNELS; c++) {
        memset(r->spring[c].line, 0, (size_t)(LONGEST_S * r->rate) * sizeof(double));
        memset(r->spring[c].section, 0, sizeof r->spring[c].section);
        r->spring[c].position = 0;
    }
}

void *reverb_open(double sample_rate, int inputs, int outputs, int largest_block) {
    (void)largest_block; /* works sample by sample */
    if (inputs > CHANNELS || outputs > CHANNELS) return NULL;
    Reverb *r = calloc(1, sizeof *r);
    if (!r) return NULL;
    r->rate = sample_rate;
    r->inputs = inputs;
    r->outputs = outputs;
    r->sections = 40;
    r->coefficient = 0.6;
    r->reflection = -0.8;
    for (int c = 0; c < CHANNELS; c++) {
        r->spring[c].line = calloc((size_t)(LONGEST_S * sample_rate), sizeof(double));
        if (!r->spring[c].line) return reverb_close(r), NULL;
    }
    reverb_set(r, "trip_ms", 30);
    return r;
}

static double step(const Reverb *r, Spring *s, double in) {
    double x = s->line[s->position];
    for (int k = 0; k < r->sections; k++) { /* (a + 1/z) / (1 + a/z) */
        double y = r->coefficient * x + s->section[k];
        s->section[k] = x - r->coefficient * y;
        x = y;
    }
    s->line[s->position] = in + r->reflection * x;
    s->position = (s->position + 1) % r->length;
    return x;
}

void reverb_process(void *reverb, const float *const *input, float *const *output, int frames) {
    Reverb *r = reverb;
    for (int c = 0; c < r->outputs; c++)
        for (int n = 0; n < frames; n++) output[c][n] = (float)step(r, &r->spring[c], input[c < r->inputs ? c : 0][n]);
}

void reverb_close(void *reverb) {
    Reverb *r = reverb;
    for (int c = 0; c < CHANNELS; c++) free(r->spring[c].line);
    free(r);
}
