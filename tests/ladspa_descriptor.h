/* The descriptor of LADSPA 1.1 (from memory of its header), as the plug-ins of these tests fill it in. */
#include <stddef.h>

typedef struct { int bits; float low, high; } Hint;
typedef struct Descriptor {
    unsigned long id; const char *label; int properties; const char *name, *maker, *copyright;
    unsigned long ports; const int *kinds; const char *const *names; const Hint *hints; void *own;
    void *(*instantiate)(const struct Descriptor *, unsigned long);
    void (*connect_port)(void *, unsigned long, float *);
    void (*activate)(void *); void (*run)(void *, unsigned long); void (*run_adding)(void *, unsigned long);
    void (*set_run_adding_gain)(void *, float); void (*deactivate)(void *); void (*cleanup)(void *);
} Descriptor;
