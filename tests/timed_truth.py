"""Builds whose work is known, and neighbours that disturb a machine in a known way, for proofs of timed cost.

A chain of allpass sections in C and one in numpy: ten percent more sections are ten percent more work, but for the
little that a call costs. Loads are processes of their own that end with their ``with`` block.
"""

from __future__ import annotations

import shutil
import subprocess
from typing import TYPE_CHECKING

from reverdict.render import Build, Limits
from reverdict.render.build import Plugin
from reverdict.render.preparing import HEADERS
from reverdict.words import BuildIdentity

if TYPE_CHECKING:
    from pathlib import Path

HAS_COMPILER = shutil.which("cc") is not None
LIMITS = Limits(60.0, 2048)

CHAIN_C = """
#include <stdlib.h>
#include <string.h>
#include "reverb.h"
enum { MOST = 400 };
typedef struct { int sections, every, heavy, block; float state[MOST][2]; } R;
void *reverb_open(double rate, int in, int out, int largest) {
    (void)rate; (void)in; (void)out; (void)largest;
    R *r = calloc(1, sizeof *r);
    r->sections = 100;
    return r;
}
int reverb_set(void *v, const char *name, double value) {
    R *r = v;
    if (strcmp(name, "sections") == 0) r->sections = (int)value;
    else if (strcmp(name, "every") == 0) r->every = (int)value;
    else if (strcmp(name, "heavy") == 0) r->heavy = (int)value;
    else return 1;
    return 0;
}
static float chain(R *r, float x) {
    for (int k = 0; k < r->sections; k++) {
        float *s = r->state[k];
        float y = 0.6f * (x - s[1]) + s[0];
        s[0] = x;
        s[1] = y;
        x = y;
    }
    return x;
}
void reverb_process(void *v, const float *const *in, float *const *out, int frames) {
    R *r = v;
    int times = r->every && r->block % r->every == r->every - 1 ? r->heavy : 1;
    for (int t = 0; t < times; t++)
        for (int n = 0; n < frames; n++) out[0][n] = chain(r, in[0][n]);
    r->block++;
}
void reverb_reset(void *v) { R *r = v; memset(r->state, 0, sizeof r->state); r->block = 0; }
void reverb_close(void *v) { free(v); }
"""

CHAIN_PY = '''
import numpy as np


class Chain:
    """Allpass sections with a delay of a block each, a few array operations a section."""

    def __init__(self, sample_rate, sections=100):
        self.states = [None] * sections

    def process(self, block):
        x = block[0]
        for number, state in enumerate(self.states):
            if state is None or state.size != x.size:
                state = np.zeros_like(x)
            y = 0.6 * x + state
            self.states[number] = x - 0.6 * y
            x = y
        return x[None]
'''


def c_chain(folder: Path, **parameters: float) -> Build:
    """A library of ``sections`` allpass sections (100); each ``every``-th block is worked ``heavy`` times."""
    library = folder / "libchain.so"
    if not library.exists():
        source = folder / "chain.c"
        source.write_text(CHAIN_C)
        subprocess.run(["cc", "-O2", "-shared", "-fPIC", f"-I{HEADERS}", "-o", str(library), str(source)], check=True)
    identity = BuildIdentity("chain", "1", "library", about=_told(parameters))
    return Build(
        identity, "library", folder, plugin=Plugin(file=str(library)), parameters=dict(parameters), limits=LIMITS
    )


def numpy_chain(folder: Path, **parameters: int) -> Build:
    """The like in numpy."""
    (folder / "chain.py").write_text(CHAIN_PY)
    identity = BuildIdentity("chain", "1", "python", about=_told(parameters))
    return Build(identity, "python", folder, object="chain:Chain", parameters=dict(parameters), limits=LIMITS)


def _told(parameters: dict[str, float]) -> str:
    return ", ".join(f"{name} {value}" for name, value in parameters.items())
