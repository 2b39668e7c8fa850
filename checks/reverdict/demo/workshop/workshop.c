/* The workshop's reverb in C, as it goes into the pedal: the same programs and numbers as workshop.py.
 *
 *     workshop INPUT.wav OUTPUT.wav --rate HZ --block FRAMES --program tank|spring|stereo|hall
 *
 * Reads PCM of 16, 24 or 32 bits or float of 32 bits, writes float of 32 bits, as many frames as it read.
 * Build: cc -O2 -o workshop workshop.c -lm
 *
 * With -DHELD=float the allpass sections keep their state in single precision, which halves their memory.
 */
#include <complex.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define TUNED_AT_HZ 500.0
#define HIGH_PASS_HZ 80.0
#define MOST_SPRINGS 2
#define STEEP_BIQUADS 4
#define TRIP_BIQUADS (STEEP_BIQUADS + 2)

#ifndef HELD
#define HELD double
#endif
/* Functions that are a stage of the algorithm stay functions, so that counted cost can be told stage by stage. */
#define STAGE __attribute__((noinline)) static

static void give_up(const char *place, const char *problem) {
    fprintf(stderr, "%s: %s\n", place, problem);
    exit(1);
}

static void *zeros(size_t count, size_t size) {
    void *memory = calloc(count, size);
    if (!memory) give_up("workshop", "out of memory");
    return memory;
}

/* ---- settings, the same as in workshop.py ---- */

typedef struct {
    int count;
    double a;
} Group;

typedef struct {
    double trip_ms, transition_hz;
    Group groups[2];
    double trip_db, damping_hz, damping_q, edge_hz, level_db;
} Spring;

typedef struct {
    int count;
    Spring springs[MOST_SPRINGS];
    double coupling, bleed, gain;
} Tank;

static const Tank TANK = {2,
                          {{30.9431, 4800, {{100, 0.60581}, {108, 0.16386}}, -0.540, 4711, 0.652, 4150, 0},
                           {41.9630, 4000, {{106, 0.60727}, {122, 0.16825}}, -0.728, 3902, 0.657, 3497, -2.0}},
                          0.02, 0.00037, 14.85};
static const Tank SPRING = {2,
                            {{24.35, 4800, {{100, 0.62}}, -0.50, 6500, 0.65, 4050, 0},
                             {33.45, 4800, {{100, 0.57}}, -0.65, 6500, 0.65, 4050, -1.5}},
                            0.01, 0.0004, 10.0};
static const Tank LEFT = {1, {{28.72, 4800, {{80, 0.60}}, -0.62, 5500, 0.65, 4250, 0}}, 0, 0.0004, 10.0};
static const Tank RIGHT = {1, {{36.55, 4000, {{80, 0.60}}, -0.75, 5000, 0.65, 3550, 0}}, 0, 0.0004, 10.0};
#define ACROSS_DB -12.0

#define HALL_LINES 16
#define HALL_DIFFUSERS 4
static const int HALL_LENGTHS[HALL_LINES] = {1009, 1087, 1171, 1259, 1361, 1459, 1571, 1693,
                                             1823, 1973, 2111, 2273, 2447, 2633, 2837, 3049};
static const int DIFFUSER_LENGTHS[HALL_DIFFUSERS] = {113, 167, 241, 347};
#define DIFFUSION 0.62
#define HALL_SECONDS 1.6
#define HALL_DAMPING_HZ 9000.0
#define HALL_GAIN 6.5

/* pole frequency, pole Q, zero frequency, relative to the pass-band edge */
static const double STEEP[STEEP_BIQUADS][3] = {{0.680764, 0.564667, 5.295923},
                                               {0.865186, 1.126594, 1.985029},
                                               {0.999374, 2.782354, 1.443794},
                                               {1.055589, 10.542823, 1.293794}};

/* ---- parts ---- */

typedef struct {
    double b[3], a[3], state[2];
} Biquad;

STAGE double biquad_step(Biquad *f, double x) {
    double y = f->b[0] * x + f->state[0];
    f->state[0] = f->b[1] * x - f->a[1] * y + f->state[1];
    f->state[1] = f->b[2] * x - f->a[2] * y;
    return y;
}

static Biquad lowpass(double rate, double corner_hz, double quality, double notch) {
    double root = 1 / tan(PI * corner_hz / rate), square = root * root;
    double slope = root / quality, above = notch > 0 ? square / (notch * notch) : 0;
    double norm = square + slope + 1;
    Biquad f = {{(above + 1) / norm, 2 * (1 - above) / norm, (above + 1) / norm},
                {1, 2 * (1 - square) / norm, (square - slope + 1) / norm},
                {0, 0}};
    return f;
}

static Biquad one_pole_highpass(double rate, double corner_hz) {
    double tangent = tan(PI * corner_hz / rate);
    Biquad f = {{1 / (1 + tangent), -1 / (1 + tangent), 0}, {1, (tangent - 1) / (1 + tangent), 0}, {0, 0}};
    return f;
}

static Biquad fraction(double samples) {
    double a = (1 - samples) / (1 + samples);
    Biquad f = {{a, 1, 0}, {1, a, 0}, {0, 0}};
    return f;
}

/* Group delay in samples of b or a at the frequency whose one-sample turn is given. */
static double polynomial_delay(const double *c, double complex turn) {
    double complex value = c[0] + c[1] * turn + c[2] * turn * turn;
    return creal((c[1] * turn + 2 * c[2] * turn * turn) / value);
}

typedef struct {
    double *ring;
    int length, position;
} Line;

static Line line_of(int length) {
    Line line = {zeros((size_t)length, sizeof(double)), length, 0};
    return line;
}

STAGE double line_read(const Line *line) { return line->ring[line->position]; }

STAGE void line_write(Line *line, double x) {
    line->ring[line->position] = x;
    if (++line->position == line->length) line->position = 0;
}

/* Allpass sections (a + z^-K)/(1 + a z^-K) in a row; each keeps K values, all at the same place of their ring. */
typedef struct {
    int count, stretch, position;
    double *a;
    HELD *state;
} Chain;

static Chain chain_of(const Group *groups, int group_count, int stretch) {
    Chain chain = {0, stretch, 0, NULL, NULL};
    for (int g = 0; g < group_count; g++) chain.count += groups[g].count;
    chain.a = zeros((size_t)chain.count, sizeof *chain.a);
    chain.state = zeros((size_t)chain.count * (size_t)stretch, sizeof *chain.state);
    int next = 0;
    for (int g = 0; g < group_count; g++)
        for (int i = 0; i < groups[g].count; i++) chain.a[next++] = groups[g].a;
    return chain;
}

STAGE double chain_step(Chain *chain, double x) {
    HELD *state = chain->state + (size_t)chain->position * (size_t)chain->count;
    for (int i = 0; i < chain->count; i++) {
        double inner = x - chain->a[i] * state[i];
        x = chain->a[i] * inner + state[i];
        state[i] = (HELD)inner;
    }
    if (++chain->position == chain->stretch) chain->position = 0;
    return x;
}

/* ---- springs ---- */

typedef struct {
    Line line;
    Chain chain;
    Biquad losses[TRIP_BIQUADS];
    double gain;
} Trip;

static Trip trip_of(const Spring *spring, double rate) {
    Trip trip;
    int stretch = (int)lround(rate / (2 * spring->transition_hz));
    double radians = 2 * PI * TUNED_AT_HZ / rate, others = 0;
    double complex turn = cexp(-I * radians);
    trip.losses[1] = lowpass(rate, spring->damping_hz, spring->damping_q, 0);
    for (int i = 0; i < STEEP_BIQUADS; i++) {
        double corner_hz = rate / PI * atan(STEEP[i][0] * tan(PI * spring->edge_hz / rate));
        trip.losses[2 + i] = lowpass(rate, corner_hz, STEEP[i][1], STEEP[i][2] / STEEP[i][0]);
    }
    for (int i = 1; i < TRIP_BIQUADS; i++)
        others += polynomial_delay(trip.losses[i].b, turn) - polynomial_delay(trip.losses[i].a, turn);
    for (int g = 0; g < 2; g++) {
        double a = spring->groups[g].a;
        others += spring->groups[g].count * stretch * (1 - a * a) / (1 + 2 * a * cos(stretch * radians) + a * a);
    }
    double wanted = spring->trip_ms * rate / 1000 - others;
    int length = (int)(wanted - 0.5);
    trip.line = line_of(length);
    trip.losses[0] = fraction(wanted - length);
    trip.chain = chain_of(spring->groups, 2, stretch);
    trip.gain = pow(10, spring->trip_db / 20);
    return trip;
}

static double trip_read(Trip *trip) {
    double x = chain_step(&trip->chain, line_read(&trip->line));
    for (int i = 0; i < TRIP_BIQUADS; i++) x = biquad_step(&trip->losses[i], x);
    return trip->gain * x;
}

typedef struct {
    const Tank *tank;
    Trip forth[MOST_SPRINGS], back[MOST_SPRINGS];
    Biquad high_pass;
} Springs;

static Springs springs_of(const Tank *tank, double rate) {
    Springs springs;
    springs.tank = tank;
    for (int i = 0; i < tank->count; i++) {
        springs.forth[i] = trip_of(&tank->springs[i], rate);
        springs.back[i] = trip_of(&tank->springs[i], rate);
    }
    springs.high_pass = one_pole_highpass(rate, HIGH_PASS_HZ);
    return springs;
}

STAGE double springs_step(Springs *springs, double drive) {
    const Tank *tank = springs->tank;
    double far[MOST_SPRINGS], near[MOST_SPRINGS], both = 0, pickup = 0;
    for (int i = 0; i < tank->count; i++) {
        far[i] = trip_read(&springs->forth[i]);
        near[i] = trip_read(&springs->back[i]);
        both += near[i];
        pickup += pow(10, tank->springs[i].level_db / 20) * far[i];
    }
    for (int i = 0; i < tank->count; i++) {
        double reflected = (1 - tank->count * tank->coupling) * near[i] + tank->coupling * both;
        line_write(&springs->forth[i].line, drive - reflected);
        line_write(&springs->back[i].line, far[i]);
    }
    return tank->gain * (biquad_step(&springs->high_pass, pickup) + tank->bleed * drive);
}

/* ---- hall ---- */

typedef struct {
    Chain diffusers[HALL_DIFFUSERS];
    Line lines[HALL_LINES];
    double gains[HALL_LINES], damped[HALL_LINES], pole;
} Hall;

static double sign(int row, int column) { /* of a Hadamard matrix */
    int common = row & column, odd = 0;
    for (; common; common >>= 1) odd ^= common & 1;
    return odd ? -1 : 1;
}

static Hall hall_of(double rate) {
    Hall hall;
    Group one = {1, DIFFUSION};
    for (int i = 0; i < HALL_DIFFUSERS; i++)
        hall.diffusers[i] = chain_of(&one, 1, (int)lround(DIFFUSER_LENGTHS[i] * rate / 48000));
    for (int i = 0; i < HALL_LINES; i++) {
        hall.lines[i] = line_of((int)lround(HALL_LENGTHS[i] * rate / 48000));
        hall.gains[i] = pow(10, -60 * hall.lines[i].length / (rate * HALL_SECONDS) / 20);
        hall.damped[i] = 0;
    }
    hall.pole = exp(-2 * PI * HALL_DAMPING_HZ / rate);
    return hall;
}

STAGE void hall_step(Hall *hall, double drive, double *left, double *right) {
    const double scale = 1 / sqrt(HALL_LINES);
    double *arriving = hall->damped;
    *left = *right = 0;
    for (int i = 0; i < HALL_DIFFUSERS; i++) drive = chain_step(&hall->diffusers[i], drive);
    for (int i = 0; i < HALL_LINES; i++) {
        double x = hall->gains[i] * line_read(&hall->lines[i]);
        arriving[i] = (1 - hall->pole) * x + hall->pole * arriving[i];
        *left += HALL_GAIN * scale * sign(5, i) * arriving[i];
        *right += HALL_GAIN * scale * sign(10, i) * arriving[i];
    }
    for (int i = 0; i < HALL_LINES; i++) {
        double sent = drive;
        for (int j = 0; j < HALL_LINES; j++) sent += scale * sign(i, j) * arriving[j];
        line_write(&hall->lines[i], sent);
    }
}

/* ---- WAV ---- */

typedef struct {
    uint32_t rate, frames;
    uint16_t channels;
    float *samples; /* interleaved */
} Sound;

static uint32_t little(const unsigned char *bytes, int count) {
    uint32_t value = 0;
    while (count--) value = value << 8 | bytes[count];
    return value;
}

static float sample_of(const unsigned char *bytes, int bits, int is_float) {
    uint32_t raw = little(bytes, bits / 8) << (32 - bits);
    int32_t whole;
    float value;
    if (is_float) {
        memcpy(&value, &raw, sizeof value);
        return value;
    }
    memcpy(&whole, &raw, sizeof whole);
    return (float)(whole / 2147483648.0);
}

STAGE Sound read_wav(const char *path) {
    Sound sound = {0, 0, 0, NULL};
    FILE *file = fopen(path, "rb");
    unsigned char head[12], format[40] = {0};
    if (!file) give_up(path, "cannot be opened");
    if (fread(head, 1, 12, file) != 12 || memcmp(head, "RIFF", 4) || memcmp(head + 8, "WAVE", 4))
        give_up(path, "not a WAV file");
    while (fread(head, 1, 8, file) == 8) {
        uint32_t size = little(head + 4, 4);
        if (!memcmp(head, "fmt ", 4)) {
            uint32_t kept = size < sizeof format ? size : sizeof format;
            if (fread(format, 1, kept, file) != kept) give_up(path, "its format is cut off");
            fseek(file, (long)(size - kept + size % 2), SEEK_CUR);
        } else if (!memcmp(head, "data", 4)) {
            uint32_t tag = little(format, 2), bits = little(format + 14, 2);
            if (tag == 0xFFFE) tag = little(format + 24, 2); /* extensible: the real tag opens the sub-format */
            if (!((tag == 1 && (bits == 16 || bits == 24 || bits == 32)) || (tag == 3 && bits == 32)))
                give_up(path, "need PCM of 16, 24 or 32 bits or float of 32 bits");
            sound.channels = (uint16_t)little(format + 2, 2);
            sound.rate = little(format + 4, 4);
            if (sound.channels < 1) give_up(path, "has no channels");
            unsigned char *bytes = malloc(size ? size : 1);
            if (!bytes) give_up(path, "out of memory");
            size = (uint32_t)fread(bytes, 1, size, file);
            sound.frames = size / (sound.channels * (bits / 8));
            size_t count = (size_t)sound.frames * sound.channels;
            sound.samples = malloc((count ? count : 1) * sizeof *sound.samples);
            if (!sound.samples) give_up(path, "out of memory");
            for (size_t i = 0; i < count; i++)
                sound.samples[i] = sample_of(bytes + i * (bits / 8), (int)bits, tag == 3);
            free(bytes);
            fclose(file);
            return sound;
        } else {
            fseek(file, (long)(size + size % 2), SEEK_CUR);
        }
    }
    give_up(path, "holds no samples");
    return sound;
}

static void put_little(unsigned char *bytes, uint32_t value, int count) {
    for (int i = 0; i < count; i++) bytes[i] = (unsigned char)(value >> 8 * i);
}

STAGE void write_wav(const char *path, const Sound *sound) {
    uint32_t size = sound->frames * sound->channels * 4;
    unsigned char head[58];
    FILE *file = fopen(path, "wb");
    if (!file) give_up(path, "cannot be written");
    memcpy(head, "RIFF", 4);
    put_little(head + 4, 50 + size, 4);
    memcpy(head + 8, "WAVEfmt ", 8);
    put_little(head + 16, 18, 4);
    put_little(head + 20, 3, 2); /* float */
    put_little(head + 22, sound->channels, 2);
    put_little(head + 24, sound->rate, 4);
    put_little(head + 28, sound->rate * sound->channels * 4, 4);
    put_little(head + 32, sound->channels * 4u, 2);
    put_little(head + 34, 32, 2);
    put_little(head + 36, 0, 2);
    memcpy(head + 38, "fact", 4);
    put_little(head + 42, 4, 4);
    put_little(head + 46, sound->frames, 4);
    memcpy(head + 50, "data", 4);
    put_little(head + 54, size, 4);
    int failed = fwrite(head, 1, 58, file) != 58;
    for (size_t i = 0; !failed && i < (size_t)sound->frames * sound->channels; i++) {
        unsigned char bytes[4];
        uint32_t raw;
        memcpy(&raw, &sound->samples[i], sizeof raw);
        put_little(bytes, raw, 4);
        failed = fwrite(bytes, 1, 4, file) != 4;
    }
    if (fclose(file) || failed) give_up(path, "cannot be written in full");
}

/* ---- program ---- */

typedef struct {
    int inputs, outputs, sides;
    Springs side[2];
    Hall hall;
} Reverb;

static Reverb reverb_of(const char *program, double rate) {
    static Reverb reverb;
    if (!strcmp(program, "tank") || !strcmp(program, "spring")) {
        reverb.inputs = reverb.outputs = reverb.sides = 1;
        reverb.side[0] = springs_of(strcmp(program, "tank") ? &SPRING : &TANK, rate);
    } else if (!strcmp(program, "stereo")) {
        reverb.inputs = reverb.outputs = reverb.sides = 2;
        reverb.side[0] = springs_of(&LEFT, rate);
        reverb.side[1] = springs_of(&RIGHT, rate);
    } else if (!strcmp(program, "hall")) {
        reverb.inputs = 1;
        reverb.outputs = 2;
        reverb.hall = hall_of(rate);
    } else {
        give_up(program, "no such program; there are tank, spring, stereo and hall");
    }
    return reverb;
}

static void process(Reverb *reverb, const float *in, float *out, uint32_t frames) {
    double across = pow(10, ACROSS_DB / 20);
    for (uint32_t n = 0; n < frames; n++) {
        double left, right;
        if (reverb->sides == 1) {
            out[n] = (float)springs_step(&reverb->side[0], in[n]);
            continue;
        }
        if (reverb->sides == 2) {
            double own = springs_step(&reverb->side[0], in[2 * n]);
            double other = springs_step(&reverb->side[1], in[2 * n + 1]);
            left = own + across * other;
            right = other + across * own;
        } else {
            hall_step(&reverb->hall, in[n], &left, &right);
        }
        out[2 * n] = (float)left;
        out[2 * n + 1] = (float)right;
    }
}

int main(int count, char **words) {
    const char *program = "tank";
    long rate = 0, block = 512;
    if (count < 3 || count % 2 == 0)
        give_up("workshop", "need INPUT.wav OUTPUT.wav [--rate HZ] [--block FRAMES] [--program NAME]");
    for (int i = 3; i < count; i += 2) {
        if (!strcmp(words[i], "--rate")) rate = atol(words[i + 1]);
        else if (!strcmp(words[i], "--block")) block = atol(words[i + 1]);
        else if (!strcmp(words[i], "--program")) program = words[i + 1];
        else give_up(words[i], "no such option");
    }
    Sound in = read_wav(words[1]);
    if (rate && rate != (long)in.rate) give_up(words[1], "its sample rate is not the one of --rate");
    if (block < 1) give_up("--block", "need at least one frame");
    static Reverb reverb;
    reverb = reverb_of(program, in.rate);
    if (in.channels != reverb.inputs) give_up(words[1], "has another number of channels than the program takes");
    Sound out = {in.rate, in.frames, (uint16_t)reverb.outputs, NULL};
    out.samples = malloc(((size_t)in.frames * out.channels + 1) * sizeof *out.samples);
    if (!out.samples) give_up(words[1], "out of memory");
    for (uint32_t start = 0; start < in.frames; start += (uint32_t)block) {
        uint32_t frames = in.frames - start < (uint32_t)block ? in.frames - start : (uint32_t)block;
        process(&reverb, in.samples + (size_t)start * in.channels, out.samples + (size_t)start * out.channels, frames);
    }
    write_wav(words[2], &out);
    return 0;
}
