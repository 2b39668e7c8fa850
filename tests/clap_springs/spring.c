/* Springs as CLAP plug-ins, in C: delay lines with allpass sections and a reflection. On request they misbehave.
 *
 * They keep the host to the standard: a call out of turn, on the wrong thread or outside of what was agreed ends the
 * process with what was wrong. */
#include "clap.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { DELAY, REFLECTION, MIX_TANK, MIX_DRY, MODE, LATENCY, LEVEL, FAULT, PARAMETERS };
enum { NONE, SEGFAULT, ABORT, NAN_FROM_1000, OVERRUN, ERROR_STATUS, NOTHING_WRITTEN, ENDLESS, REFUSES_RATE, FAULTS };
enum { SECTIONS = 8, LONGEST = 1 << 16, MOST_LATENCY = 4096, CHANNELS = 2 };

static const char *const MODES[] = {"Plain", "Inverted"};
static const char *const FAULT_NAMES[] = {
  "None", "Segfault", "Abort", "NaN", "Overrun", "Error status", "Nothing written", "Endless", "Refuses rate",
};
static const clap_param_info INFOS[PARAMETERS] = {
  {10, 0, 0, "Delay", "Tank", 1, 200, 33},
  {11, 0, 0, "Reflection", "Tank", 0, 0.99, 0.6},
  {12, 0, 0, "Mix", "Tank", 0, 1, 1},
  {13, 0, 0, "Mix", "Dry", 0, 1, 0},
  {14, CLAP_PARAM_IS_STEPPED | CLAP_PARAM_IS_ENUM, 0, "Mode", "", 0, 1, 0},
  {15, CLAP_PARAM_IS_STEPPED, 0, "Latency", "", 0, MOST_LATENCY, 0},
  {16, CLAP_PARAM_IS_READONLY, 0, "Level", "", -120, 0, -120},
  {17, CLAP_PARAM_IS_STEPPED | CLAP_PARAM_IS_ENUM, 0, "Fault", "", 0, FAULTS - 1, 0},
};

typedef struct { float line[LONGEST], past_in[SECTIONS], past_out[SECTIONS], waiting[MOST_LATENCY + 1]; } tank;

typedef struct {
  clap_plugin plugin;
  const clap_host *host;
  const clap_host_thread_check *threads;
  double rate, values[PARAMETERS];
  uint32_t largest, latency, at, waiting_at;
  uint64_t played;
  bool initialised, active, processing, called_back;
  tank tanks[CHANNELS];
} spring;

static void require(bool kept, const char *rule) {
  if (kept) return;
  fprintf(stderr, "error: the host broke a rule: %s\n", rule);
  abort();
}

static spring *on_main(const clap_plugin *plugin) {
  spring *self = plugin->plugin_data;
  require(self->threads->is_main_thread(self->host) && !self->threads->is_audio_thread(self->host), "main thread");
  return self;
}

static spring *on_audio(const clap_plugin *plugin) {
  spring *self = plugin->plugin_data;
  require(self->threads->is_audio_thread(self->host) && !self->threads->is_main_thread(self->host), "audio thread");
  return self;
}

static uint32_t channels_of(const clap_plugin *plugin) {
  return strstr(plugin->desc->id, "mono") ? 1 : 2;
}

static void clear(spring *self) {
  memset(self->tanks, 0, sizeof self->tanks);
  self->at = self->waiting_at = 0;
  self->played = 0;
}

static void take(spring *self, const clap_input_events *events) {
  uint32_t before = 0, seen = 0;
  for (uint32_t i = 0; i < events->size(events); ++i) {
    const clap_event_header *header = events->get(events, i);
    require(header->time >= before, "events in order");
    before = header->time;
    if (header->space_id != 0 || header->type != CLAP_EVENT_PARAM_VALUE) continue;
    const clap_event_param_value *event = (const clap_event_param_value *)header;
    require(header->size == sizeof *event, "size of an event");
    require(event->param_id >= INFOS[0].id && event->param_id < INFOS[0].id + PARAMETERS, "known parameters");
    const uint32_t parameter = event->param_id - INFOS[0].id;
    require((seen >> parameter & 1) == 0, "no move told twice");
    seen |= 1u << parameter;
    self->values[parameter] = event->value;
  }
  if (self->active && (uint32_t)self->values[LATENCY] != self->latency) self->host->request_restart(self->host);
}

static bool init(const clap_plugin *plugin) {
  spring *self = plugin->plugin_data;
  self->threads = self->host->get_extension(self->host, "clap.thread-check");
  require(self->threads != NULL, "thread check");
  require(self->host->get_extension(self->host, "clap.params") != NULL, "params of the host");
  require(self->host->get_extension(self->host, "no.such.extension") == NULL, "no such extension");
  require(self->host->version.major == 1, "version");
  const clap_host_log *log = self->host->get_extension(self->host, "clap.log");
  log->log(self->host, 1, "a spring was made");
  self->initialised = true;
  self->host->request_callback(self->host);
  on_main(plugin);
  return true;
}

static void destroy(const clap_plugin *plugin) {
  spring *self = on_main(plugin);
  require(!self->active, "deactivate before destroy");
  require(self->called_back, "the call on the main thread that was asked for");
  free(self);
}

static bool activate(const clap_plugin *plugin, double rate, uint32_t smallest, uint32_t largest) {
  spring *self = on_main(plugin);
  require(self->initialised && !self->active && smallest >= 1 && smallest <= largest, "activate once, after init");
  if (self->values[FAULT] == REFUSES_RATE) return false;
  self->rate = rate;
  self->largest = largest;
  self->latency = (uint32_t)self->values[LATENCY];
  self->active = true;
  clear(self);
  return true;
}

static void deactivate(const clap_plugin *plugin) {
  spring *self = on_main(plugin);
  require(self->active && !self->processing, "stop before deactivate");
  self->active = false;
}

static bool start_processing(const clap_plugin *plugin) {
  spring *self = on_audio(plugin);
  require(self->active && !self->processing, "start once, when active");
  return self->processing = true;
}

static void stop_processing(const clap_plugin *plugin) {
  spring *self = on_audio(plugin);
  require(self->processing, "stop only what was started");
  self->processing = false;
}

static void reset(const clap_plugin *plugin) {
  spring *self = on_audio(plugin);
  require(self->active, "reset only when active");
  clear(self);
}

static float one_sample(spring *self, tank *tank, float in, uint32_t delay) {
  uint32_t read = (self->at + LONGEST - delay) % LONGEST;
  float out = tank->line[read];
  for (int s = 0; s < SECTIONS; ++s) { /* (a + z^-1) / (1 + a z^-1) */
    float passed = 0.6f * (out - tank->past_out[s]) + tank->past_in[s];
    tank->past_in[s] = out;
    tank->past_out[s] = out = passed;
  }
  tank->line[self->at] = in - (float)self->values[REFLECTION] * out;
  float sign = self->values[MODE] == 1 ? -1.0f : 1.0f;
  float now = sign * (float)self->values[MIX_TANK] * out + (float)self->values[MIX_DRY] * in;
  tank->waiting[self->waiting_at] = now;
  return tank->waiting[(self->waiting_at + MOST_LATENCY + 1 - self->latency) % (MOST_LATENCY + 1)];
}

static int32_t process(const clap_plugin *plugin, const clap_process *block) {
  spring *self = on_audio(plugin);
  uint32_t channels = channels_of(plugin);
  bool sidechain = strstr(plugin->desc->id, "ducked") != NULL;
  require(self->processing, "process only what was started");
  require(block->frames_count >= 1 && block->frames_count <= self->largest, "frames within what was agreed");
  require(block->audio_inputs_count == 1u + sidechain && block->audio_outputs_count == 1, "all ports");
  require(block->audio_inputs[0].channel_count == channels, "channels of the ports");
  require(block->steady_time >= 0, "steady time");
  if (sidechain)
    for (uint32_t i = 0; i < block->frames_count; ++i)
      require(block->audio_inputs[1].data32[0][i] == 0.0f, "silence in what nobody feeds");
  take(self, block->in_events);
  int fault = (int)self->values[FAULT];
  if (fault == SEGFAULT) {
    volatile int *volatile nowhere = NULL;
    *nowhere = 1;
  }
  if (fault == ABORT) abort();
  while (fault == ENDLESS) {}
  if (fault == ERROR_STATUS) return CLAP_PROCESS_ERROR;
  if (fault == NOTHING_WRITTEN) return CLAP_PROCESS_CONTINUE;
  for (uint32_t i = 0; i < block->frames_count; ++i) {
    for (uint32_t c = 0; c < channels; ++c) {
      uint32_t delay = (uint32_t)lround(self->values[DELAY] * (1.0 + 0.1 * c) / 1000.0 * self->rate);
      float out = one_sample(self, &self->tanks[c], block->audio_inputs[0].data32[c][i], delay);
      if (fault == NAN_FROM_1000 && self->played >= 1000) out = NAN;
      block->audio_outputs[0].data32[c][i] = out;
    }
    self->at = (self->at + 1) % LONGEST;
    self->waiting_at = (self->waiting_at + 1) % (MOST_LATENCY + 1);
    ++self->played;
  }
  if (fault == OVERRUN) block->audio_outputs[0].data32[0][self->largest] = 1.0f;
  return CLAP_PROCESS_CONTINUE;
}

static void on_main_thread(const clap_plugin *plugin) {
  on_main(plugin)->called_back = true;
}

static uint32_t port_count(const clap_plugin *plugin, bool is_input) {
  on_main(plugin);
  return is_input && strstr(plugin->desc->id, "ducked") ? 2 : 1;
}

static bool port_get(const clap_plugin *plugin, uint32_t index, bool is_input, clap_audio_port_info *info) {
  on_main(plugin);
  memset(info, 0, sizeof *info);
  info->id = index;
  info->channel_count = index ? 1 : channels_of(plugin);
  strcpy(info->name, index ? "Sidechain" : is_input ? "In" : "Out");
  info->flags = index == 0;
  info->in_place_pair = UINT32_MAX;
  return true;
}

static uint32_t parameter_count(const clap_plugin *plugin) {
  on_main(plugin);
  return PARAMETERS;
}

static bool parameter_info(const clap_plugin *plugin, uint32_t index, clap_param_info *info) {
  on_main(plugin);
  *info = INFOS[index];
  return true;
}

static bool parameter_value(const clap_plugin *plugin, uint32_t id, double *value) {
  *value = on_main(plugin)->values[id - INFOS[0].id];
  return true;
}

static bool value_to_text(const clap_plugin *plugin, uint32_t id, double value, char *text, uint32_t size) {
  on_main(plugin);
  int parameter = (int)(id - INFOS[0].id);
  if (parameter == MODE) snprintf(text, size, "%s", MODES[(int)value]);
  else if (parameter == FAULT) snprintf(text, size, "%s", FAULT_NAMES[(int)value]);
  else snprintf(text, size, "%g", value);
  return true;
}

/* Reads "0.05 s" for a delay. */
static bool text_to_value(const clap_plugin *plugin, uint32_t id, const char *text, double *value) {
  on_main(plugin);
  char unit[8] = "";
  if (sscanf(text, "%lf %7s", value, unit) < 1) return false;
  if (id == INFOS[DELAY].id && strcmp(unit, "s") == 0) *value *= 1000.0;
  return true;
}

static void flush(const clap_plugin *plugin, const clap_input_events *in, const clap_output_events *out) {
  spring *self = on_main(plugin);
  require(!self->processing, "flush only while nothing is processed");
  const clap_event_header told = {sizeof told, 0, 0, 999, 0};
  require(out->try_push(out, &told), "room for events");
  take(self, in);
}

static uint32_t latency(const clap_plugin *plugin) {
  return on_main(plugin)->latency;
}

/* A state is lines such as "Delay 20". */
static bool load(const clap_plugin *plugin, const clap_istream *stream) {
  spring *self = on_main(plugin);
  char text[1024], name[32];
  int64_t length = 0, got;
  while ((got = stream->read(stream, text + length, 7)) > 0 && length < 1000) length += got;
  text[length] = 0;
  double value;
  int used;
  for (const char *at = text; sscanf(at, "%31s %lf %n", name, &value, &used) == 2; at += used)
    for (int p = 0; p < PARAMETERS; ++p)
      if (strcmp(name, INFOS[p].name) == 0) self->values[p] = value;
  return got == 0 && strncmp(text, "Delay ", 6) == 0;
}

static const clap_plugin_audio_ports PORTS = {port_count, port_get};
static const clap_plugin_params PARAMS = {
  parameter_count, parameter_info, parameter_value, value_to_text, text_to_value, flush,
};
static const clap_plugin_latency LATENCIES = {latency};
static const clap_plugin_state STATE = {NULL, load};

static const void *get_extension(const clap_plugin *plugin, const char *id) {
  (void)plugin;
  if (strcmp(id, "clap.audio-ports") == 0) return &PORTS;
  if (strcmp(id, "clap.params") == 0) return &PARAMS;
  if (strcmp(id, "clap.latency") == 0) return &LATENCIES;
  return strcmp(id, "clap.state") == 0 ? &STATE : NULL;
}

#define DESCRIPTOR(id, name) {{1, 2, 0}, id, name, "", "", "", "", "1.0", "", NULL}
static const clap_plugin_descriptor DESCRIPTORS[] = {
  DESCRIPTOR("org.example.spring", "Spring"),
  DESCRIPTOR("org.example.mono-spring", "Mono spring"),
  DESCRIPTOR("org.example.mono-ducked-spring", "Ducked spring"),
};
enum { PLUGINS = sizeof DESCRIPTORS / sizeof DESCRIPTORS[0] };

static uint32_t plugin_count(const clap_plugin_factory *factory) {
  (void)factory;
  return PLUGINS;
}

static const clap_plugin_descriptor *descriptor(const clap_plugin_factory *factory, uint32_t index) {
  (void)factory;
  return &DESCRIPTORS[index];
}

static const clap_plugin *create(const clap_plugin_factory *factory, const clap_host *host, const char *id) {
  (void)factory;
  for (int i = 0; i < PLUGINS; ++i) {
    if (strcmp(id, DESCRIPTORS[i].id) != 0) continue;
    spring *self = calloc(1, sizeof *self);
    self->host = host;
    for (int p = 0; p < PARAMETERS; ++p) self->values[p] = INFOS[p].default_value;
    self->plugin = (clap_plugin){
      &DESCRIPTORS[i], self, init, destroy, activate, deactivate, start_processing, stop_processing, reset, process,
      get_extension, on_main_thread,
    };
    return &self->plugin;
  }
  return NULL;
}

static const clap_plugin_factory FACTORY = {plugin_count, descriptor, create};

static bool entry_init(const char *path) {
  return path != NULL && strstr(path, ".clap") != NULL;
}

static void entry_deinit(void) {}

static const void *get_factory(const char *id) {
  return strcmp(id, "clap.plugin-factory") == 0 ? &FACTORY : NULL;
}

CLAP_EXPORT const clap_plugin_entry clap_entry = {{1, 2, 0}, entry_init, entry_deinit, get_factory};
