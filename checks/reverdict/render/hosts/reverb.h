/* reverb.h: what a shared library must have so that reverdict can run the reverb in it.
 *
 * Five functions, and three more that may be there. Plain C; from C++ this header declares them extern "C".
 * All calls come from one thread. Several instances may be open at a time, at different rates.
 *
 *     cc  -O2 -shared -fPIC -o libspring.so spring.c -lm
 *     c++ -O2 -shared -fPIC -o libspring.so spring.cpp
 *
 *     [build]
 *     name = "spring"
 *     version = "1.0"
 *     kind = "library"
 *     file = "libspring.so"
 */
#ifndef REVERB_H
#define REVERB_H

#if defined(_WIN32)
#define REVERB_API __declspec(dllexport)
#else
#define REVERB_API __attribute__((visibility("default")))
#endif

#ifdef __cplusplus
extern "C" {
#endif

/* Make a reverb in its initial state, or return NULL where it cannot be run like this.
 * sample_rate    Hz
 * inputs         channels it will be fed: 1 or 2
 * outputs        channels it must fill: 1 or 2
 * largest_block  frames a block at most; a block may be shorter, and is at least 1 */
REVERB_API void *reverb_open(double sample_rate, int inputs, int outputs, int largest_block);

/* Set a parameter; true and false come as 1 and 0. May come between any two blocks.
 * Returns 0, or something else where there is no such parameter. */
REVERB_API int reverb_set(void *reverb, const char *name, double value);

/* Turn one block of input into one block of output. Channels lie apart: input[channel][frame]. */
REVERB_API void reverb_process(void *reverb, const float *const *input, float *const *output, int frames);

/* Forget all sound that went in; parameters stay. */
REVERB_API void reverb_reset(void *reverb);

/* Free everything. */
REVERB_API void reverb_close(void *reverb);

/* These may be left out. */

/* Set a parameter whose value is a text. Returns as reverb_set does. */
REVERB_API int reverb_set_text(void *reverb, const char *name, const char *value);

/* Latency in samples that the output has beside what it should have. A host takes it out. */
REVERB_API int reverb_latency(void *reverb);

/* Name of a parameter by its number from 0, NULL after the last: told to whoever misspells one. */
REVERB_API const char *reverb_parameter(int number);

#ifdef __cplusplus
}
#endif
#endif
