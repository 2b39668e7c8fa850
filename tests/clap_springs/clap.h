/* The part of the CLAP 1.2 binary interface that the springs beside this file use.
 *
 * CLAP is an open standard under the MIT licence (free-audio/clap). The structures below were written down from its
 * headers, member by member, in order and type; tests/test_clap.py holds the host's own structures against them. */
#ifndef CLAP_H
#define CLAP_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
#define CLAP_EXPORT extern "C" __attribute__((visibility("default")))
#else
#define CLAP_EXPORT __attribute__((visibility("default")))
#endif

typedef struct { uint32_t major, minor, revision; } clap_version;

typedef struct {
  clap_version version;
  const char *id, *name, *vendor, *url, *manual_url, *support_url, *plugin_version, *description;
  const char *const *features;
} clap_plugin_descriptor;

typedef struct clap_host {
  clap_version version;
  void *host_data;
  const char *name, *vendor, *url, *host_version;
  const void *(*get_extension)(const struct clap_host *, const char *);
  void (*request_restart)(const struct clap_host *);
  void (*request_process)(const struct clap_host *);
  void (*request_callback)(const struct clap_host *);
} clap_host;

typedef struct { uint32_t size, time; uint16_t space_id, type; uint32_t flags; } clap_event_header;
enum { CLAP_EVENT_PARAM_VALUE = 5 };

typedef struct {
  clap_event_header header;
  uint32_t param_id;
  void *cookie;
  int32_t note_id;
  int16_t port_index, channel, key;
  double value;
} clap_event_param_value;

typedef struct clap_input_events {
  void *ctx;
  uint32_t (*size)(const struct clap_input_events *);
  const clap_event_header *(*get)(const struct clap_input_events *, uint32_t);
} clap_input_events;

typedef struct clap_output_events {
  void *ctx;
  bool (*try_push)(const struct clap_output_events *, const clap_event_header *);
} clap_output_events;

typedef struct {
  float **data32;
  double **data64;
  uint32_t channel_count, latency;
  uint64_t constant_mask;
} clap_audio_buffer;

typedef struct {
  int64_t steady_time;
  uint32_t frames_count;
  const void *transport;
  const clap_audio_buffer *audio_inputs;
  clap_audio_buffer *audio_outputs;
  uint32_t audio_inputs_count, audio_outputs_count;
  const clap_input_events *in_events;
  const clap_output_events *out_events;
} clap_process;

enum { CLAP_PROCESS_ERROR, CLAP_PROCESS_CONTINUE };

typedef struct clap_plugin {
  const clap_plugin_descriptor *desc;
  void *plugin_data;
  bool (*init)(const struct clap_plugin *);
  void (*destroy)(const struct clap_plugin *);
  bool (*activate)(const struct clap_plugin *, double, uint32_t, uint32_t);
  void (*deactivate)(const struct clap_plugin *);
  bool (*start_processing)(const struct clap_plugin *);
  void (*stop_processing)(const struct clap_plugin *);
  void (*reset)(const struct clap_plugin *);
  int32_t (*process)(const struct clap_plugin *, const clap_process *);
  const void *(*get_extension)(const struct clap_plugin *, const char *);
  void (*on_main_thread)(const struct clap_plugin *);
} clap_plugin;

typedef struct clap_plugin_factory {
  uint32_t (*get_plugin_count)(const struct clap_plugin_factory *);
  const clap_plugin_descriptor *(*get_plugin_descriptor)(const struct clap_plugin_factory *, uint32_t);
  const clap_plugin *(*create_plugin)(const struct clap_plugin_factory *, const clap_host *, const char *);
} clap_plugin_factory;

typedef struct {
  clap_version version;
  bool (*init)(const char *);
  void (*deinit)(void);
  const void *(*get_factory)(const char *);
} clap_plugin_entry;

typedef struct {
  uint32_t id;
  char name[256];
  uint32_t flags, channel_count;
  const char *port_type;
  uint32_t in_place_pair;
} clap_audio_port_info;

typedef struct {
  uint32_t (*count)(const clap_plugin *, bool is_input);
  bool (*get)(const clap_plugin *, uint32_t, bool is_input, clap_audio_port_info *);
} clap_plugin_audio_ports;

enum { CLAP_PARAM_IS_STEPPED = 1, CLAP_PARAM_IS_READONLY = 1 << 3, CLAP_PARAM_IS_ENUM = 1 << 16 };

typedef struct {
  uint32_t id, flags;
  void *cookie;
  char name[256], module[1024];
  double min_value, max_value, default_value;
} clap_param_info;

typedef struct {
  uint32_t (*count)(const clap_plugin *);
  bool (*get_info)(const clap_plugin *, uint32_t, clap_param_info *);
  bool (*get_value)(const clap_plugin *, uint32_t, double *);
  bool (*value_to_text)(const clap_plugin *, uint32_t, double, char *, uint32_t);
  bool (*text_to_value)(const clap_plugin *, uint32_t, const char *, double *);
  void (*flush)(const clap_plugin *, const clap_input_events *, const clap_output_events *);
} clap_plugin_params;

typedef struct { uint32_t (*get)(const clap_plugin *); } clap_plugin_latency;

typedef struct clap_istream {
  void *ctx;
  int64_t (*read)(const struct clap_istream *, void *, uint64_t);
} clap_istream;

typedef struct {
  bool (*save)(const clap_plugin *, const void *stream);
  bool (*load)(const clap_plugin *, const clap_istream *);
} clap_plugin_state;

typedef struct { void (*log)(const clap_host *, int32_t, const char *); } clap_host_log;

typedef struct {
  bool (*is_main_thread)(const clap_host *);
  bool (*is_audio_thread)(const clap_host *);
} clap_host_thread_check;

typedef struct {
  void (*rescan)(const clap_host *, uint32_t);
  void (*clear)(const clap_host *, uint32_t, uint32_t);
  void (*request_flush)(const clap_host *);
} clap_host_params;

#endif
