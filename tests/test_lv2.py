"""Kind lv2 against a plug-in of our own, in C, that looks at everything the standard promises it."""

from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

import packaged
from reverdict.errors import BadInput
from reverdict.render import Build, Failure, Limits, Rendered, Request, play, render, working_folder
from reverdict.render.build import Plugin, Stimulus
from reverdict.words import BuildIdentity

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [
    pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler called cc"),
    pytest.mark.skipif(not packaged.lilv_is_there(), reason="no liblilv here (ci/get-plugins fetches it)"),
]

REQUEST = Request("tank", rate_hz=8000, block_size=64, seconds=0.5, preroll_s=0.1)
URI = "urn:reverdict:looker"

MANIFEST = """
@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix pset: <http://lv2plug.in/ns/ext/presets#> .
@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .
<urn:reverdict:looker> a lv2:Plugin ; lv2:binary <looker.so> ; rdfs:seeAlso <looker.ttl> .
<urn:reverdict:loud> a pset:Preset ; lv2:appliesTo <urn:reverdict:looker> ; rdfs:label "Loud" ;
    lv2:port [ lv2:symbol "gain" ; pset:value 3.0 ] , [ lv2:symbol "gone" ; pset:value 1.0 ] .
<urn:reverdict:soft> a pset:Preset ; lv2:appliesTo <urn:reverdict:looker> ; rdfs:label "Soft" ;
    lv2:port [ lv2:symbol "gain" ; pset:value 0.25 ] .
"""

DATA = """
@prefix atom: <http://lv2plug.in/ns/ext/atom#> .
@prefix doap: <http://usefulinc.com/ns/doap#> .
@prefix lv2: <http://lv2plug.in/ns/lv2core#> .
@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .
@prefix rsz: <http://lv2plug.in/ns/ext/resize-port#> .
<urn:reverdict:looker> a lv2:Plugin ; doap:name "Looker" ;
    lv2:requiredFeature <http://lv2plug.in/ns/ext/urid#map> , <http://lv2plug.in/ns/ext/options#options> ,
        <http://lv2plug.in/ns/ext/buf-size#boundedBlockLength> , <http://lv2plug.in/ns/ext/worker#schedule> REQUIRED ;
    lv2:optionalFeature lv2:hardRTCapable , <urn:reverdict:unheard-of> ,
        <http://lv2plug.in/ns/ext/state#loadDefaultState> ;
    <http://lv2plug.in/ns/ext/state#state> [ <urn:reverdict:word> "7"^^<http://www.w3.org/2001/XMLSchema#int> ] ;
    lv2:port [ a lv2:InputPort , lv2:AudioPort ; lv2:index 0 ; lv2:symbol "in" ; lv2:name "Input" ]
    , [ a lv2:OutputPort , lv2:AudioPort ; lv2:index 1 ; lv2:symbol "out" ; lv2:name "Output" ]
    , [ a lv2:InputPort , lv2:ControlPort ; lv2:index 2 ; lv2:symbol "gain" ; lv2:name "Make-up" ; lv2:default 1.0 ;
        lv2:minimum 0.0 ; lv2:maximum 4.0 ; lv2:scalePoint [ rdfs:label "Half" ; rdf:value 0.5 ] ]
    , [ a lv2:InputPort , lv2:ControlPort ; lv2:index 3 ; lv2:symbol "cutoff" ; lv2:name "Cutoff" ; lv2:default 0.25 ;
        lv2:minimum 0.0 ; lv2:maximum 0.5 ; lv2:portProperty lv2:sampleRate ]
    , [ a lv2:InputPort , atom:AtomPort ; lv2:index 4 ; lv2:symbol "events" ; lv2:name "Events" ;
        atom:bufferType atom:Sequence ]
    , [ a lv2:OutputPort , atom:AtomPort ; lv2:index 5 ; lv2:symbol "notify" ; lv2:name "Notify" ;
        atom:bufferType atom:Sequence ; rsz:minimumSize 20000 ]
    , [ a lv2:InputPort , lv2:CVPort ; lv2:index 6 ; lv2:symbol "cv" ; lv2:name "CV" ]
    , [ a lv2:OutputPort , lv2:ControlPort ; lv2:index 7 ; lv2:symbol "late" ; lv2:name "Late" ;
        lv2:designation lv2:latency ; lv2:portProperty lv2:reportsLatency ]
    , [ a lv2:InputPort , <urn:reverdict:StrangePort> ; lv2:index 8 ; lv2:symbol "strange" ; lv2:name "Strange" ;
        OPTIONAL ]
    , [ a lv2:InputPort , lv2:ControlPort ; lv2:index 9 ; lv2:symbol "enabled" ; lv2:name "Enabled" ; lv2:default 1 ;
        lv2:minimum 0 ; lv2:maximum 1 ; lv2:portProperty lv2:toggled ; lv2:designation lv2:enabled ]
    , [ a lv2:InputPort , lv2:ControlPort ; lv2:index 10 ; lv2:symbol "boost" ; lv2:name "Boost" ; lv2:default 0 ;
        lv2:minimum 0 ; lv2:maximum 9 ; lv2:portProperty lv2:integer ] .
""".replace("@prefix rdfs:", "@prefix rdf: <http://www.w3.org/1999/02/22-rdf-syntax-ns#> .\n@prefix rdfs:", 1)

SOURCE = """
#include <math.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
typedef struct { const char *uri; void *data; } Feature;
typedef struct Descriptor {
    const char *uri;
    void *(*instantiate)(const struct Descriptor *, double, const char *, const Feature *const *);
    void (*connect_port)(void *, uint32_t, void *);
    void (*activate)(void *); void (*run)(void *, uint32_t); void (*deactivate)(void *); void (*cleanup)(void *);
    const void *(*extension_data)(const char *);
} Descriptor;
typedef struct { void *handle; uint32_t (*map)(void *, const char *); } Map;
typedef struct { void *handle; const char *(*unmap)(void *, uint32_t); } Unmap;
typedef struct { void *handle; int (*schedule)(void *, uint32_t, const void *); } Schedule;
typedef struct { int context; uint32_t subject, key, size, type; const void *value; } Option;
typedef int (*Respond)(void *, uint32_t, const void *);
typedef struct { int (*work)(void *, Respond, void *, uint32_t, const void *);
                 int (*response)(void *, uint32_t, const void *); int (*end_run)(void *); } Worker;
typedef struct { void *port[11]; Map *map; Unmap *unmap; Schedule *schedule; float boost, last[300];
                 uint32_t seen, runs, ends; int wrong; } Looker;
typedef const void *(*Retrieve)(void *, uint32_t, size_t *, uint32_t *, uint32_t *);
typedef struct { void *save; int (*restore)(void *, Retrieve, void *, uint32_t, const Feature *const *); } State;
#define EXT "http://lv2plug.in/ns/ext/"
static void *instantiate(const Descriptor *d, double rate, const char *bundle, const Feature *const *features) {
    (void)d;
    if (rate == 44100) return NULL;
    Looker *r = calloc(1, sizeof *r);
    const Option *options = NULL;
    r->boost = 1;
    r->wrong = 1024;
    for (int n = 0; features[n]; n++) {
        if (!strcmp(features[n]->uri, EXT "urid#map")) r->map = features[n]->data;
        if (!strcmp(features[n]->uri, EXT "urid#unmap")) r->unmap = features[n]->data;
        if (!strcmp(features[n]->uri, EXT "options#options")) options = features[n]->data;
        if (!strcmp(features[n]->uri, EXT "worker#schedule")) r->schedule = features[n]->data;
    }
    uint32_t gain = r->map->map(r->map->handle, "urn:gain"), other = r->map->map(r->map->handle, "urn:other");
    if (!gain || gain == other || gain != r->map->map(r->map->handle, "urn:gain")) r->wrong |= 1;
    if (strcmp(r->unmap->unmap(r->unmap->handle, other), "urn:other") || r->unmap->unmap(r->unmap->handle, 9999))
        r->wrong |= 2;
    int seen = 0;
    for (; options->key; options++) {
        const char *key = r->unmap->unmap(r->unmap->handle, options->key);
        const char *type = r->unmap->unmap(r->unmap->handle, options->type);
        if (!strcmp(key, EXT "parameters#sampleRate") && !strcmp(type, EXT "atom#Float"))
            seen += *(const float *)options->value == (float)rate;
        if (!strcmp(key, EXT "buf-size#maxBlockLength") && !strcmp(type, EXT "atom#Int"))
            seen += *(const int32_t *)options->value == 64;
        if (!strcmp(key, EXT "buf-size#minBlockLength")) seen += *(const int32_t *)options->value == 1;
        if (!strcmp(key, EXT "buf-size#nominalBlockLength")) seen += *(const int32_t *)options->value == 64;
    }
    if (seen != 4) r->wrong |= 4;
    if (bundle[strlen(bundle) - 1] != '/') r->wrong |= 8;
    return r;
}
static void connect_port(void *r, uint32_t n, void *to) { ((Looker *)r)->port[n] = to; }
static void activate(void *h) { Looker *r = h; memset(r->last, 0, sizeof r->last); r->seen = 0; }
static void run(void *h, uint32_t frames) {
    Looker *r = h;
    float *in = r->port[0], *out = r->port[1], *cv = r->port[6];
    const uint32_t *events = r->port[4];
    uint32_t *notify = r->port[5], ask = *(float *)r->port[10];
    uint32_t sequence = r->map->map(r->map->handle, EXT "atom#Sequence");
    if (events[0] != 8 || events[1] != sequence || events[2] || events[3]) r->wrong |= 16;
    if (notify[0] < 20000 - 8 || notify[1] != r->map->map(r->map->handle, EXT "atom#Chunk")) r->wrong |= 32;
    memset(notify + 2, 0xAA, notify[0]);
    for (uint32_t n = 0; n < frames; n++) if (cv[n] != 0) r->wrong |= 64;
    if (r->port[8]) r->wrong |= 128;
    if (*(float *)r->port[9] != 1 || *(float *)r->port[3] != 2000) r->wrong |= 256;
    if (r->runs++ != r->ends) r->wrong |= 512;
    *(float *)r->port[7] = 0;
    for (uint32_t n = 0; n < frames; n++, r->seen++) {
        r->last[r->seen % 300] = in[n];
        out[n] = *(float *)r->port[2] * r->boost * (in[n] + r->last[(r->seen + 200) % 300]) + 1000 * r->wrong;
    }
    if (ask && r->seen == 64) r->schedule->schedule(r->schedule->handle, sizeof ask, &ask);
    BODY
}
static int work(void *h, Respond respond, void *handle, uint32_t size, const void *data) {
    uint32_t doubled = 2 * *(const uint32_t *)data;
    (void)h;
    return size == 4 ? respond(handle, sizeof doubled, &doubled) : 1;
}
static int response(void *h, uint32_t size, const void *body) {
    ((Looker *)h)->boost = size == 4 ? *(const uint32_t *)body : -1;
    return 0;
}
static int end_run(void *h) { ((Looker *)h)->ends++; return 0; }
static const Worker worker = {work, response, end_run};
static int restore(void *h, Retrieve retrieve, void *handle, uint32_t flags, const Feature *const *features) {
    Looker *r = h;
    size_t size;
    uint32_t type;
    const int32_t *word = retrieve(handle, r->map->map(r->map->handle, "urn:reverdict:word"), &size, &type, &flags);
    (void)features;
    if (word && size == 4 && type == r->map->map(r->map->handle, EXT "atom#Int") && *word == 7) r->wrong &= ~1024;
    return 0;
}
static const State state = {NULL, restore};
static const void *extension_data(const char *uri) {
    if (!strcmp(uri, EXT "state#interface")) return &state;
    return strcmp(uri, EXT "worker#interface") ? NULL : &worker;
}
static const Descriptor looker = {"urn:reverdict:looker", instantiate, connect_port, activate, run, NULL, free,
                                  extension_data};
const Descriptor *lv2_descriptor(uint32_t n) { return n ? NULL : &looker; }
"""


@pytest.fixture(autouse=True)
def _found(monkeypatch):
    packaged.let_find(monkeypatch)


def compiled(folder: Path, body: str = "", required: str = "", optional: bool = True) -> Build:
    """A build of the looker: its bundle, with a body of one's own at the end of run."""
    bundle = folder / "looker.lv2"
    bundle.mkdir()
    property_of_strange = "lv2:portProperty lv2:connectionOptional" if optional else ""
    data = DATA.replace("REQUIRED", required).replace("OPTIONAL", property_of_strange)
    (bundle / "manifest.ttl").write_text(MANIFEST, encoding="utf-8")
    (bundle / "looker.ttl").write_text(data, encoding="utf-8")
    (folder / "looker.c").write_text(SOURCE.replace("BODY", body), encoding="utf-8")
    argv = ["cc", "-O1", "-w", "-shared", "-fPIC", "-o", str(bundle / "looker.so"), str(folder / "looker.c"), "-lm"]
    subprocess.run(argv, check=True)
    identity = BuildIdentity("looker", "1", "lv2")
    limits = Limits(seconds=20.0, memory_mb=2048)
    toml = folder / "build.toml"
    return Build(identity, "lv2", folder, plugin=Plugin("looker.lv2", URI), limits=limits, source=toml)


@pytest.fixture(scope="module")
def looker(tmp_path_factory) -> Build:
    return compiled(tmp_path_factory.mktemp("looker"))


@pytest.fixture
def work():
    with working_folder() as folder:
        yield folder


def response_of(build: Build, work: Path, **request: Any) -> np.ndarray:
    rendering = render(build, replace(REQUEST, **request), work)
    assert isinstance(rendering, Rendered), rendering
    return rendering.response.samples


def reason_of(build: Build, work: Path, **request: Any) -> str:
    rendering = render(build, replace(REQUEST, **request), work)
    assert isinstance(rendering, Failure), rendering
    return rendering.reason


def slip_of(build: Build, work: Path, **request: Any) -> str:
    with pytest.raises(BadInput) as slip:
        render(build, replace(REQUEST, **request), work)
    return str(slip.value).removeprefix(f"{build.source}: ")


def test_a_plugin_finds_everything_as_the_standard_promises_it(looker, work):
    """It adds 1000 times a bit for each thing that is not so; nothing may be added to click and echo."""
    samples = response_of(looker, work)
    np.testing.assert_array_equal(samples[0, [0, 100]], [1.0, 1.0])
    assert np.flatnonzero(samples[0]).tolist() == [0, 100]


@pytest.mark.parametrize(
    ("parameters", "preset", "gain"),
    [
        ({}, "", 1.0),
        ({"gain": 2}, "", 2.0),
        ({"make-up": 2}, "", 2.0),
        ({"gain": "half"}, "", 0.5),
        ({}, "Loud", 3.0),
        ({}, "urn:reverdict:soft", 0.25),
        ({"gain": 4}, "loud", 4.0),
    ],
)
def test_parameters_by_symbol_name_and_label_and_presets(parameters, preset, gain, looker, work):
    build = replace(looker, plugin=replace(looker.plugin, preset=preset))
    assert response_of(build, work, parameters=parameters)[0, 0] == gain


def test_slips_are_told_with_what_there_is(looker, tmp_path, work):
    def with_plugin(**changes: Any) -> Build:
        return replace(looker, plugin=replace(looker.plugin, **changes))

    known = "there are gain, cutoff, enabled, boost"
    told = slip_of(looker, work, parameters={"gian": 1})
    assert told == f'build.parameters: no parameter "gian"; did you mean gain? {known}'
    assert slip_of(looker, work, parameters={"cutoff": 4001}).endswith("4001 is out of range, 0 to 4000")
    assert slip_of(looker, work, parameters={"enabled": 0.5}).endswith("0.5 is not a whole number")
    told = slip_of(with_plugin(preset="Lout"), work)
    assert told == 'build.preset: no preset "Lout"; did you mean Loud? there are Loud, Soft'
    told = slip_of(with_plugin(plugin="urn:reverdict:loker"), work)
    assert told.endswith(f"did you mean {URI}?; there is {URI}")
    assert "is no LV2 bundle" in slip_of(with_plugin(file=str(tmp_path)), work)
    assert "no none.lv2 beside the TOML" in slip_of(with_plugin(file="none.lv2"), work)
    told = slip_of(with_plugin(inputs=("side",)), work)
    assert told == 'build.ports.inputs: no audio input "side"; there is in'


def test_what_no_host_here_can_do_is_named(tmp_path, work):
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    needy = compiled(tmp_path / "a", required=", <urn:reverdict:magic>")
    assert slip_of(needy, work) == f"build.plugin: {URI} needs a host that offers urn:reverdict:magic"
    strange = compiled(tmp_path / "b", optional=False)
    assert reason_of(strange, work) == "port strange is of a kind that this host does not know, and must be connected"


def test_the_plugin_is_found_on_its_path_by_uri_alone(looker, work, monkeypatch):
    monkeypatch.setenv("LV2_PATH", str(looker.folder))
    alone = replace(looker, folder=work, plugin=Plugin("", URI))
    assert response_of(alone, work)[0, 0] == 1.0


def test_a_worker_answers_before_the_next_block(looker, work):
    """Asked at the end of the first block of 64 to do 3, it hands 6 over."""
    ones = np.ones((1, 128))
    asked = replace(looker, parameters={"boost": 3})
    (played,) = play(asked, REQUEST, [Stimulus(ones)], work)
    assert not isinstance(played, Failure)
    assert played.samples[0, [0, 63, 64, 99]].tolist() == [1.0, 1.0, 6.0, 6.0]


def test_reset_forgets_and_a_parameter_moves_while_it_runs(looker, work):
    samples = np.zeros((1, 500))
    samples[0, [10, 200, 350]] = 1.0
    (played,) = play(looker, REQUEST, [Stimulus(samples, changes=((150, "gain", 2.0), (400, "", 0.0)))], work)
    assert not isinstance(played, Failure)
    assert (played.can_move, played.can_reset) == (True, True)
    echoes = {int(at): float(played.samples[0, at]) for at in np.flatnonzero(played.samples[0])}
    assert echoes == {10: 1.0, 110: 1.0, 200: 2.0, 300: 2.0, 350: 2.0}


FAULTS = {
    "segfault": ("if (r->seen > 1000) *(volatile int *)0 = 1;", "died by SIGSEGV (segmentation fault)"),
    "not finite": ("if (r->seen > 1000) out[0] = NAN;", "60 samples are not finite, first at sample 960 (0.120 s)"),
    "one too many": ("out[64] = 1;", "run writes outside of its buffers"),
    "into the CV's end": ("cv[64] = 1;", "run writes outside of its buffers"),
    "latency": ("*(float *)r->port[7] = 1e9;", "reports a latency of 1000000000 samples, which cannot be"),
    "nothing written": ("memset(out, 0, 4 * frames);", "output is silent (peak below −120 dB of the click)"),
}


@pytest.mark.parametrize(("body", "reason"), FAULTS.values(), ids=FAULTS)
def test_a_faulty_plugin_is_named_plainly_and_the_next_render_works(body, reason, looker, tmp_path, work):
    assert reason_of(compiled(tmp_path, body), work) == reason
    assert response_of(looker, work)[0, 0] == 1.0


def test_a_plugin_that_cannot_be_made(looker, work):
    assert reason_of(looker, work, rate_hz=44100) == "instantiate returned NULL at 44100 Hz"
