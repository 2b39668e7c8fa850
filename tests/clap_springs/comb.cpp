// A comb as a CLAP plug-in, in C++: the least that the standard asks for. It has no parameters, latency or state.
#include "clap.h"

#include <cstddef>
#include <cstdint>
#include <cstring>
#include <vector>

namespace {

struct Comb {
  clap_plugin plugin{};
  std::vector<float> line;
  std::size_t at = 0;
};

Comb &comb(const clap_plugin *plugin) { return *static_cast<Comb *>(plugin->plugin_data); }

const clap_plugin_descriptor DESCRIPTOR = {{1, 0, 0}, "org.example.comb", "Comb", "", "", "", "", "1.0", "", nullptr};

std::int32_t process(const clap_plugin *plugin, const clap_process *block) {
  Comb &self = comb(plugin);
  for (std::uint32_t i = 0; i < block->frames_count; ++i) {
    float out = self.line[self.at];
    self.line[self.at] = block->audio_inputs[0].data32[0][i] + 0.5f * out;
    block->audio_outputs[0].data32[0][i] = out;
    self.at = (self.at + 1) % self.line.size();
  }
  return CLAP_PROCESS_CONTINUE;
}

const clap_plugin_audio_ports PORTS = {
  [](const clap_plugin *, bool) -> std::uint32_t { return 1; },
  [](const clap_plugin *, std::uint32_t, bool, clap_audio_port_info *info) {
    *info = {};
    info->channel_count = 1;
    return true;
  },
};

const clap_plugin_factory FACTORY = {
  [](const clap_plugin_factory *) -> std::uint32_t { return 1; },
  [](const clap_plugin_factory *, std::uint32_t) { return &DESCRIPTOR; },
  [](const clap_plugin_factory *, const clap_host *, const char *) -> const clap_plugin * {
    auto *self = new Comb;
    self->plugin.desc = &DESCRIPTOR;
    self->plugin.plugin_data = self;
    self->plugin.init = [](const clap_plugin *) { return true; };
    self->plugin.destroy = [](const clap_plugin *plugin) { delete &comb(plugin); };
    self->plugin.activate = [](const clap_plugin *plugin, double rate, std::uint32_t, std::uint32_t) {
      comb(plugin).line.assign(static_cast<std::size_t>(rate / 100.0), 0.0f);
      return true;
    };
    self->plugin.deactivate = [](const clap_plugin *) {};
    self->plugin.start_processing = [](const clap_plugin *) { return true; };
    self->plugin.stop_processing = [](const clap_plugin *) {};
    self->plugin.reset = [](const clap_plugin *plugin) { comb(plugin).line.assign(comb(plugin).line.size(), 0.0f); };
    self->plugin.process = process;
    self->plugin.get_extension = [](const clap_plugin *, const char *id) -> const void * {
      return std::strcmp(id, "clap.audio-ports") == 0 ? &PORTS : nullptr;
    };
    self->plugin.on_main_thread = [](const clap_plugin *) {};
    return &self->plugin;
  },
};

}  // namespace

CLAP_EXPORT const clap_plugin_entry clap_entry = {
  {1, 0, 0},
  [](const char *) { return true; },
  [] {},
  [](const char *) -> const void * { return &FACTORY; },
};
