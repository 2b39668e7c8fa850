// Springs as VST3 plug-ins: a delay line with allpass sections and a reflection. On request they misbehave.
#include "vst3.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <vector>

namespace {

enum { DELAY, REFLECTION, MODE, LATENCY, FAULT, PARAMETERS };
enum { NONE, SEGFAULT, ABORT, NAN_FROM_1000, ENDLESS, DISPLAY, FAULTS };
constexpr int SECTIONS = 8, MOST_LATENCY = 16384;

struct Parameter {
  const char16_t *title, *units;
  double low, high, start;
  int steps;
};

const Parameter KNOWN[PARAMETERS] = {
  {u"Delay", u"ms", 0.0, 100.0, 33.0, 0},
  {u"Reflection", u"", 0.0, 1.0, 0.6, 0},
  {u"Mode", u"", 0.0, 1.0, 0.0, 1},
  {u"Latency", u"", 0.0, MOST_LATENCY, 0.0, MOST_LATENCY},
  {u"Fault", u"", 0.0, FAULTS - 1, 0.0, FAULTS - 1},
};
const char *const MODES[] = {"Plain", "Inverted"};
const char *const FAULT_NAMES[] = {"None", "Segfault", "Abort", "NaN", "Endless", "Display"};

struct Tank {
  std::vector<float> line, waiting;
  float in[SECTIONS] = {}, out[SECTIONS] = {};
};

void spell(char16_t *target, const std::string &text) {
  std::copy(text.begin(), text.end(), target);
  target[text.size()] = 0;
}

class Spring final : public IComponent, public IAudioProcessor, public IEditController {
 public:
  explicit Spring(bool stereo_only) : stereo_only_(stereo_only), channels_(stereo_only ? 2 : 1) {
    for (int p = 0; p < PARAMETERS; ++p) values_[p] = (KNOWN[p].start - KNOWN[p].low) / (KNOWN[p].high - KNOWN[p].low);
  }

  Result queryInterface(const char *id, void **object) override {
    if (UNKNOWN.is(id) || PLUGIN_BASE.is(id) || COMPONENT.is(id)) *object = static_cast<IComponent *>(this);
    else if (AUDIO_PROCESSOR.is(id)) *object = static_cast<IAudioProcessor *>(this);
    else if (EDIT_CONTROLLER.is(id)) *object = static_cast<IEditController *>(this);
    else return *object = nullptr, NO_INTERFACE;
    addRef();
    return OK;
  }
  std::uint32_t addRef() override { return ++references_; }
  std::uint32_t release() override {
    const std::uint32_t left = --references_;
    if (left == 0) delete this;
    return left;
  }

  Result initialize(IUnknown *) override { return OK; }
  Result terminate() override { return OK; }

  // The component.
  Result getControllerClassId(char *) override { return NOT_IMPLEMENTED; }
  Result setIoMode(std::int32_t) override { return NOT_IMPLEMENTED; }
  std::int32_t getBusCount(std::int32_t type, std::int32_t) override { return type == AUDIO; }
  Result getBusInfo(std::int32_t type, std::int32_t direction, std::int32_t index, BusInfo &info) override {
    if (type != AUDIO || index != 0) return BAD_ARGUMENT;
    info = {AUDIO, direction, channels_, {}, 0, BUS_DEFAULT_ACTIVE};
    spell(info.name, direction == INPUT ? "In" : "Out");
    return OK;
  }
  Result getRoutingInfo(RoutingInfo &, RoutingInfo &) override { return NOT_IMPLEMENTED; }
  Result activateBus(std::int32_t, std::int32_t, std::int32_t, std::uint8_t) override { return OK; }
  Result setActive(std::uint8_t state) override {
    if (state) clear();
    return OK;
  }
  Result setState(IStream *stream) override {
    std::int32_t done = 0;
    double read[PARAMETERS];
    if (stream->read(read, sizeof read, &done) != OK || done != sizeof read) return NO;
    std::copy(read, read + PARAMETERS, values_);
    return OK;
  }
  Result getState(IStream *stream) override { return stream->write(values_, sizeof values_, nullptr); }

  // The processor.
  Result setBusArrangements(std::uint64_t *in, std::int32_t ins, std::uint64_t *out, std::int32_t outs) override {
    if (ins != 1 || outs != 1 || in[0] != out[0]) return NO;
    if (in[0] != STEREO && (in[0] != MONO || stereo_only_)) return NO;
    channels_ = in[0] == MONO ? 1 : 2;
    return OK;
  }
  Result getBusArrangement(std::int32_t, std::int32_t, std::uint64_t &arrangement) override {
    arrangement = channels_ == 1 ? MONO : STEREO;
    return OK;
  }
  Result canProcessSampleSize(std::int32_t size) override { return size == 0 ? OK : NO; }
  std::uint32_t getLatencySamples() override { return static_cast<std::uint32_t>(plain(LATENCY)); }
  Result setupProcessing(ProcessSetup &setup) override {
    rate_ = setup.sampleRate;
    largest_ = setup.maxSamplesPerBlock;
    return OK;
  }
  Result setProcessing(std::uint8_t) override { return OK; }
  std::uint32_t getTailSamples() override { return 0xFFFFFFFF; }
  Result process(ProcessData &data) override {
    if (data.numSamples > largest_) {
      std::fprintf(stderr, "error: %d frames, and %d were agreed\n", data.numSamples, largest_);
      std::abort();
    }
    take(data.inputParameterChanges);
    const int fault = static_cast<int>(plain(FAULT));
    if (fault == SEGFAULT) {
      volatile int *volatile nowhere = nullptr;
      *nowhere = 1;
    }
    if (fault == ABORT) std::abort();
    if (fault == DISPLAY && std::getenv("DISPLAY") == nullptr) {
      std::fprintf(stderr, "error: cannot open a display\n");
      std::exit(1);
    }
    volatile bool forever = fault == ENDLESS;
    while (forever) {}
    for (int i = 0; i < data.numSamples; ++i, ++played_)
      for (int c = 0; c < channels_; ++c) {
        const float out = one_sample(tanks_[c], data.inputs[0].channelBuffers32[c][i], plain(DELAY) * (1.0 + 0.1 * c));
        data.outputs[0].channelBuffers32[c][i] = fault == NAN_FROM_1000 && played_ >= 1000 ? NAN : out;
      }
    return OK;
  }

  // The controller.
  Result setComponentState(IStream *stream) override { return setState(stream); }
  std::int32_t getParameterCount() override { return PARAMETERS; }
  Result getParameterInfo(std::int32_t index, ParameterInfo &info) override {
    info = {};
    info.id = static_cast<std::uint32_t>(index);
    const Parameter &known = KNOWN[index];
    std::copy_n(known.title, std::char_traits<char16_t>::length(known.title), info.title);
    std::copy_n(known.units, std::char_traits<char16_t>::length(known.units), info.units);
    info.stepCount = known.steps;
    info.defaultNormalizedValue = (known.start - known.low) / (known.high - known.low);
    info.flags = PARAMETER_CAN_AUTOMATE | (index == MODE || index == FAULT ? PARAMETER_IS_LIST : 0);
    return OK;
  }
  Result getParamStringByValue(std::uint32_t id, double value, char16_t *text) override {
    const double at = normalizedParamToPlain(id, value);
    char digits[32];
    std::snprintf(digits, sizeof digits, id == DELAY ? "%.1f" : "%.4g", at);
    const int choice = static_cast<int>(at);
    spell(text, id == MODE ? MODES[choice] : id == FAULT ? FAULT_NAMES[choice] : digits);
    return OK;
  }
  Result getParamValueByString(std::uint32_t id, char16_t *text, double &value) override {
    char digits[128] = "";
    for (int i = 0; i < 127 && text[i]; ++i) digits[i] = static_cast<char>(text[i]), digits[i + 1] = 0;
    value = plainParamToNormalized(id, std::atof(digits));
    return OK;
  }
  double normalizedParamToPlain(std::uint32_t id, double value) override {
    const Parameter &known = KNOWN[id];
    const double plain = known.low + value * (known.high - known.low);
    return known.steps ? std::min(known.high, std::floor(value * (known.steps + 1))) : plain;
  }
  double plainParamToNormalized(std::uint32_t id, double value) override {
    return (value - KNOWN[id].low) / (KNOWN[id].high - KNOWN[id].low);
  }
  double getParamNormalized(std::uint32_t id) override { return values_[id]; }
  Result setParamNormalized(std::uint32_t id, double value) override {
    values_[id] = value;
    if (id == LATENCY && handler_ != nullptr) handler_->restartComponent(RESTART_LATENCY_CHANGED);
    return OK;
  }
  Result setComponentHandler(IComponentHandler *handler) override {
    handler_ = handler;
    return OK;
  }
  void *createView(const char *) override { return nullptr; }

 private:
  double plain(int id) { return normalizedParamToPlain(static_cast<std::uint32_t>(id), values_[id]); }

  void clear() {
    for (Tank &tank : tanks_) {
      tank = Tank();
      tank.line.assign(1 << 16, 0.0f);
      tank.waiting.assign(MOST_LATENCY + 1, 0.0f);
      at_[0] = at_[1] = 0;
    }
    played_ = 0;
  }

  void take(IParameterChanges *changes) {
    for (int i = 0; changes != nullptr && i < changes->getParameterCount(); ++i) {
      IParamValueQueue *queue = changes->getParameterData(i);
      std::int32_t offset = 0;
      double value = 0.0;
      if (queue->getPoint(queue->getPointCount() - 1, offset, value) == OK) values_[queue->getParameterId()] = value;
    }
  }

  float one_sample(Tank &tank, float in, double delay_ms) {
    std::size_t &at = at_[&tank - tanks_];
    const auto delay = static_cast<std::size_t>(std::max(1L, std::lround(delay_ms / 1000.0 * rate_)));
    float out = tank.line[(at + tank.line.size() - delay) % tank.line.size()];
    for (int s = 0; s < SECTIONS; ++s) {  // (a + z^-1) / (1 + a z^-1)
      const float passed = 0.6f * (out - tank.out[s]) + tank.in[s];
      tank.in[s] = out;
      tank.out[s] = out = passed;
    }
    tank.line[at % tank.line.size()] = in - static_cast<float>(plain(REFLECTION)) * out;
    const std::size_t size = tank.waiting.size();
    tank.waiting[at % size] = plain(MODE) == 1.0 ? -out : out;
    const auto late = static_cast<std::size_t>(plain(LATENCY));
    return tank.waiting[(at++ + size - late) % size];
  }

  std::atomic<std::uint32_t> references_{1};
  bool stereo_only_;
  int channels_;
  double rate_ = 44100.0, values_[PARAMETERS];
  std::int32_t largest_ = 0;
  Tank tanks_[2];
  std::size_t at_[2] = {};
  long played_ = 0;
  IComponentHandler *handler_ = nullptr;
};

constexpr Id SPRING(0x5C0FFEE0, 0x11112222, 0x33334444, 0x55556666);
constexpr Id WIDE_SPRING(0x5C0FFEE1, 0x11112222, 0x33334444, 0x55556666);

class Factory final : public IPluginFactory {
 public:
  Result queryInterface(const char *id, void **object) override {
    const bool known = UNKNOWN.is(id) || PLUGIN_FACTORY.is(id);
    *object = known ? this : nullptr;
    return known ? OK : NO_INTERFACE;
  }
  std::uint32_t addRef() override { return 1; }
  std::uint32_t release() override { return 1; }
  Result getFactoryInfo(FactoryInfo *info) override {
    *info = {"Example", "", "", 16};
    return OK;
  }
  std::int32_t countClasses() override { return 2; }
  Result getClassInfo(std::int32_t index, ClassInfo *info) override {
    *info = {{}, MANY_INSTANCES, "Audio Module Class", ""};
    std::memcpy(info->id, (index ? WIDE_SPRING : SPRING).bytes, 16);
    std::strcpy(info->name, index ? "Wide Spring" : "Spring");
    return OK;
  }
  Result createInstance(const char *id, const char *interface, void **object) override {
    if (!SPRING.is(id) && !WIDE_SPRING.is(id)) return *object = nullptr, NO_INTERFACE;
    auto *spring = new Spring(WIDE_SPRING.is(id));
    const Result found = spring->queryInterface(interface, object);
    spring->release();
    return found;
  }
} factory;

}  // namespace

VST3_EXPORT IPluginFactory *GetPluginFactory() { return &factory; }
VST3_EXPORT bool ModuleEntry(void *) { return true; }
VST3_EXPORT bool ModuleExit() { return true; }
