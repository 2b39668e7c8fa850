/* A mono LADSPA plug-in whose run takes EXTRA do-nothing instructions for every sample. */
#include <stdlib.h>

#include "../ladspa_descriptor.h"

#ifndef EXTRA
#define EXTRA 0
#endif
#define TEXT(x) #x
#define NOPS(n) __asm__ volatile(".rept " TEXT(n) "\n nop\n .endr")

typedef struct { float *port[2], held; } Reverb;

static void *instantiate(const Descriptor *d, unsigned long rate) {
    (void)d, (void)rate;
    return calloc(1, sizeof(Reverb));
}

static void connect_port(void *handle, unsigned long n, float *to) { ((Reverb *)handle)->port[n] = to; }

static void run(void *handle, unsigned long frames) {
    Reverb *r = handle;
#ifdef THOUSAND /* four for every sample, a thousand that do nothing, and a few to begin and to return */
    float *to = r->port[1];
    __asm__ volatile("1: movl $0, (%0)\n add $4, %0\n dec %1\n jnz 1b" : "+r"(to), "+r"(frames) : : "memory", "cc");
    NOPS(1000);
    return;
#endif
    for (unsigned long n = 0; n < frames; n++) {
        r->port[1][n] = r->held = r->port[0][n] + 0.5f * r->held;
        NOPS(EXTRA);
    }
}

static void cleanup(void *handle) { free(handle); }

static const int kinds[] = {9, 10};
static const char *const names[] = {"In", "Out"};
static const Hint hints[2];
static const Descriptor one = {1, "one", 0, "One", "test", "none", 2, kinds, names, hints, NULL, instantiate,
                               connect_port, NULL, run, NULL, NULL, NULL, cleanup};

const Descriptor *ladspa_descriptor(unsigned long n) { return n ? NULL : &one; }
