"""Builds that grow as they should, and each with one way in which they should not: C library, program, Python."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from reverdict.render import Build, Limits
from reverdict.render.build import Plugin
from reverdict.render.preparing import HEADERS
from reverdict.words import BuildIdentity

SOURCE = r"""
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "reverb.h"

/* A delay and a chain of allpass sections in a loop, one for each channel. */
typedef struct {
    double rate, *line[2], state[2][400], *fed;
    int in, out, sections, position, length;
    long played;
} R;
static volatile double sink;

static void work(long macs) { /* about a nanosecond each */
    double sum = 0.0;
    for (long n = 0; n < macs; n++) sum = sum * 0.999 + 1e-9;
    sink = sum;
}

void *reverb_open(double rate, int in, int out, int largest) {
    R *r = calloc(1, sizeof *r);
    (void)largest;
    r->rate = rate; r->in = in; r->out = out; r->sections = 100; r->length = (int)(0.03 * rate);
    for (int c = 0; c < 2; c++) r->line[c] = calloc((size_t)r->length, sizeof(double));
#ifdef SETUP
    work(100000000);
#endif
#ifdef MEMORY
    r->fed = malloc(8 << 20);
    memset(r->fed, 1, 8 << 20);
#endif
    return r;
}

int reverb_set(void *v, const char *name, double value) {
    if (strcmp(name, "sections")) return 1;
    ((R *)v)->sections = (int)value;
    return 0;
}

static double step(R *r, int c, double x) {
    double *at = &r->line[c][r->position], chain = *at;
    for (int k = 0; k < r->sections; k++) {
        double held = r->state[c][k], next = chain - 0.6 * held;
        chain = 0.6 * next + held;
        r->state[c][k] = next;
    }
    *at = x - 0.7 * chain;
    return chain;
}

void reverb_process(void *v, const float *const *in, float *const *out, int frames) {
    R *r = v;
    for (int n = 0; n < frames; n++) {
        double wet[2] = {0, 0};
        for (int c = 0; c < r->in; c++) wet[c] = step(r, c, in[c][n]);
        r->position = (r->position + 1) % r->length;
        for (int c = 0; c < r->out; c++) out[c][n] = (float)wet[c % r->in];
#ifdef RATE
        work((long)(r->rate / 60));
#endif
#ifdef SECTIONS
        work((long)r->sections * r->sections / 10);
#endif
    }
#ifdef BLOCK
    work((long)frames * frames);
#endif
#ifdef LENGTH
    work(r->played);
#endif
#ifdef LEAK
    sink = *(char *)memset(malloc(1024), 1, 1024);
#endif
    r->played += frames;
}

void reverb_reset(void *v) { (void)v; }
void reverb_close(void *v) { R *r = v; free(r->line[0]); free(r->line[1]); free(r->fed); free(r); }

int main(int argc, char **argv) { /* PROGRAM RATE BLOCK CHANNELS SECTIONS: raw floats in and out */
    int block = atoi(argv[2]), channels = atoi(argv[3]), got;
    float *sound = malloc(sizeof(float) * (size_t)(block * channels)), *rows[2];
    R *r = reverb_open(atof(argv[1]), channels, channels, block);
    reverb_set(r, "sections", argc > 4 ? atof(argv[4]) : 100);
    for (int c = 0; c < 2; c++) rows[c] = malloc(sizeof(float) * (size_t)block);
    while ((got = (int)fread(sound, sizeof(float) * (size_t)channels, (size_t)block, stdin)) > 0) {
        for (int n = 0; n < got * channels; n++) rows[n % channels][n / channels] = sound[n];
        reverb_process(r, (const float *const *)rows, rows, got);
        for (int n = 0; n < got * channels; n++) sound[n] = rows[n % channels][n / channels];
        fwrite(sound, sizeof(float) * (size_t)channels, (size_t)got, stdout);
    }
    return 0;
}
"""

MODULE = '''
"""A reverb in numpy with one way to grow that it should not have, or none."""

import resource
import numpy as np

def work(turns):
    for _ in range(int(turns)):
        pass

class Reverb:
    def __init__(self, sample_rate, sections=20, fault=""):
        self.rate, self.fault = sample_rate, fault
        self.sections = [0.0] * int(sections)
        self.line = np.zeros((2, int(0.03 * sample_rate)))
        self.place, self.played, self.kept = 0, 0, []
        if fault == "SETUP":
            work(10_000_000)
        if fault == "MEMORY":
            self.fed = np.ones(1 << 22)

    def process(self, block):
        frames = block.shape[1]
        out = 0.5 * block
        for number, held in enumerate(self.sections):
            out = 0.6 * out + 0.1 * held
            self.sections[number] = float(out[0, -1])
        if self.fault == "BLOCK":
            work(frames * frames / 100)
        if self.fault == "RATE":
            work(frames * self.rate / 5000)
        if self.fault == "SECTIONS":
            work(frames * len(self.sections) ** 2 / 50)
        if self.fault == "LENGTH":
            work(self.played / 50)
        if self.fault == "APPEND":
            self.kept.append(block.copy())
            self.sum = sum(float(one[0] @ one[0]) for one in self.kept)
        if self.fault == "LEAK":
            self.kept.append(bytearray(b"x" * 1024))
        self.played += frames
        return out

class Convolution:
    """Overlap-save by one long transform: n log n, and in bursts."""

    def __init__(self, sample_rate, seconds=0.25):
        self.size = 1 << int(np.ceil(np.log2(seconds * sample_rate)))
        response = np.random.default_rng(1).normal(size=self.size) * 0.999 ** np.arange(self.size)
        self.spectrum = np.fft.rfft(response, 2 * self.size)
        self.heard = None

    def process(self, block):
        if self.heard is None:
            self.heard = np.zeros((block.shape[0], 2 * self.size))
            self.answer = np.zeros((block.shape[0], self.size))
            self.place = 0
        out, done = np.empty_like(block), 0
        while done < block.shape[1]:
            now = min(block.shape[1] - done, self.size - self.place)
            self.heard[:, self.size + self.place : self.size + self.place + now] = block[:, done : done + now]
            out[:, done : done + now] = self.answer[:, self.place : self.place + now]
            self.place, done = self.place + now, done + now
            if self.place == self.size:
                self.answer = np.fft.irfft(np.fft.rfft(self.heard) * self.spectrum)[:, self.size :]
                self.heard[:, : self.size] = self.heard[:, self.size :]
                self.place = 0
        return 0.01 * out
'''

PROGRAM = """
import sys
import numpy as np
import reverb

rate, block, channels, sections, fault = sys.argv[1:]
made = reverb.Reverb(int(rate), int(sections), fault)
while len(sound := sys.stdin.buffer.read(4 * int(block) * int(channels))):
    rows = np.frombuffer(sound, "<f4").reshape(-1, int(channels)).T
    sys.stdout.buffer.write(made.process(rows.astype(float)).T.astype("<f4").tobytes())
"""

GROWS = {"library": {"sections": (50.0, 100.0, 200.0)}, "python": {"sections": (10.0, 20.0, 40.0)}}
GROWS["command"] = GROWS["library"]
LIMITS = Limits(seconds=60.0, memory_mb=4096)


def build(folder: Path, kind: str, fault: str = "", name: str = "Reverb") -> Build:
    """A build of a kind with a fault: one of the names that the sources test for; compiled into ``folder``."""
    identity = BuildIdentity(f"{kind} {fault or 'innocent'}", "1", kind)
    if kind == "python":
        (folder / "reverb.py").write_text(MODULE, encoding="utf-8")
        parameters = {"fault": fault} if name == "Reverb" else {}
        return Build(identity, kind, folder, object=f"reverb:{name}", parameters=parameters, limits=LIMITS)
    source, target = folder / "reverb.c", folder / f"{kind}-{fault or 'innocent'}"
    if not target.exists():
        source.write_text(SOURCE, encoding="utf-8")
        shared = ["-shared", "-fPIC"] if kind == "library" else []
        faults = [f"-D{fault}"] if fault else []
        subprocess.run(["cc", "-O2", f"-I{HEADERS}", *shared, *faults, "-o", target, source], check=True)
    if kind == "library":
        return Build(identity, kind, folder, plugin=Plugin(str(target)), limits=LIMITS)
    argv = (f"./{target.name}", "{sample_rate}", "{block_size}", "{input_channels}", "{parameters.sections}")
    usual = {"sections": 100}
    return Build(identity, kind, folder, argv, exchange="raw", parameters=usual, limits=LIMITS)


def script(folder: Path, fault: str = "") -> Build:
    """The Python one as a program."""
    (folder / "reverb.py").write_text(MODULE, encoding="utf-8")
    (folder / "program.py").write_text(PROGRAM, encoding="utf-8")
    argv = (
        sys.executable, "-B", "program.py", "{sample_rate}", "{block_size}", "{input_channels}",
        "{parameters.sections}", fault,
    )  # fmt: skip
    identity = BuildIdentity(f"script {fault or 'innocent'}", "1", "command")
    return Build(identity, "command", folder, argv, exchange="raw", parameters={"sections": 20}, limits=LIMITS)
