// The part of the VST 3 binary interface that the spring beside this file uses.
//
// VST 3 is published with its headers, under the MIT licence since version 3.8. The interfaces below were written down
// from them, method by method in the order of their tables; every identifier is the published one.
#ifndef VST3_H
#define VST3_H

#include <cstdint>
#include <cstring>

#define VST3_EXPORT extern "C" __attribute__((visibility("default")))

using Result = std::int32_t;
enum : Result { OK = 0, NO = 1, BAD_ARGUMENT = 2, NOT_IMPLEMENTED = 3, NO_INTERFACE = -1 };

struct Id {
  char bytes[16];
  constexpr Id(std::uint32_t a, std::uint32_t b, std::uint32_t c, std::uint32_t d) : bytes{} {
    const std::uint32_t words[] = {a, b, c, d};
    for (int i = 0; i < 16; ++i) bytes[i] = static_cast<char>(words[i / 4] >> (24 - 8 * (i % 4)));
  }
  bool is(const char *other) const { return std::memcmp(bytes, other, 16) == 0; }
};

constexpr Id UNKNOWN(0x00000000, 0x00000000, 0xC0000000, 0x00000046);
constexpr Id PLUGIN_BASE(0x22888DDB, 0x156E45AE, 0x8358B348, 0x08190625);
constexpr Id PLUGIN_FACTORY(0x7A4D811C, 0x52114A1F, 0xAED9D2EE, 0x0B43BF9F);
constexpr Id COMPONENT(0xE831FF31, 0xF2D54301, 0x928EBBEE, 0x25697802);
constexpr Id AUDIO_PROCESSOR(0x42043F99, 0xB7DA453C, 0xA569E79D, 0x9AAEC33D);
constexpr Id EDIT_CONTROLLER(0xDCD7BBE3, 0x7742448D, 0xA874AACC, 0x979C759E);

struct IUnknown {
  virtual Result queryInterface(const char *id, void **object) = 0;
  virtual std::uint32_t addRef() = 0;
  virtual std::uint32_t release() = 0;
};

struct IPluginBase : IUnknown {
  virtual Result initialize(IUnknown *context) = 0;
  virtual Result terminate() = 0;
};

struct IStream : IUnknown {
  virtual Result read(void *buffer, std::int32_t size, std::int32_t *done) = 0;
  virtual Result write(void *buffer, std::int32_t size, std::int32_t *done) = 0;
  virtual Result seek(std::int64_t, std::int32_t, std::int64_t *) = 0;
  virtual Result tell(std::int64_t *) = 0;
};

enum { AUDIO = 0 };
enum { INPUT = 0, OUTPUT = 1 };
enum { BUS_DEFAULT_ACTIVE = 1 };

struct BusInfo {
  std::int32_t mediaType, direction, channelCount;
  char16_t name[128];
  std::int32_t busType;
  std::uint32_t flags;
};

struct RoutingInfo { std::int32_t mediaType, busIndex, channel; };

struct IComponent : IPluginBase {
  virtual Result getControllerClassId(char *id) = 0;
  virtual Result setIoMode(std::int32_t mode) = 0;
  virtual std::int32_t getBusCount(std::int32_t type, std::int32_t direction) = 0;
  virtual Result getBusInfo(std::int32_t type, std::int32_t direction, std::int32_t index, BusInfo &info) = 0;
  virtual Result getRoutingInfo(RoutingInfo &in, RoutingInfo &out) = 0;
  virtual Result activateBus(std::int32_t type, std::int32_t direction, std::int32_t index, std::uint8_t state) = 0;
  virtual Result setActive(std::uint8_t state) = 0;
  virtual Result setState(IStream *stream) = 0;
  virtual Result getState(IStream *stream) = 0;
};

struct IParamValueQueue : IUnknown {
  virtual std::uint32_t getParameterId() = 0;
  virtual std::int32_t getPointCount() = 0;
  virtual Result getPoint(std::int32_t index, std::int32_t &offset, double &value) = 0;
  virtual Result addPoint(std::int32_t offset, double value, std::int32_t &index) = 0;
};

struct IParameterChanges : IUnknown {
  virtual std::int32_t getParameterCount() = 0;
  virtual IParamValueQueue *getParameterData(std::int32_t index) = 0;
  virtual IParamValueQueue *addParameterData(const std::uint32_t &id, std::int32_t &index) = 0;
};

struct ProcessSetup {
  std::int32_t processMode, symbolicSampleSize, maxSamplesPerBlock;
  double sampleRate;
};

struct AudioBusBuffers {
  std::int32_t numChannels;
  std::uint64_t silenceFlags;
  float **channelBuffers32;
};

struct ProcessData {
  std::int32_t processMode, symbolicSampleSize, numSamples, numInputs, numOutputs;
  AudioBusBuffers *inputs, *outputs;
  IParameterChanges *inputParameterChanges, *outputParameterChanges;
  void *inputEvents, *outputEvents, *processContext;
};

enum : std::uint64_t { MONO = 1ull << 19, STEREO = 3 };

struct IAudioProcessor : IUnknown {
  virtual Result setBusArrangements(std::uint64_t *in, std::int32_t ins, std::uint64_t *out, std::int32_t outs) = 0;
  virtual Result getBusArrangement(std::int32_t direction, std::int32_t index, std::uint64_t &arrangement) = 0;
  virtual Result canProcessSampleSize(std::int32_t size) = 0;
  virtual std::uint32_t getLatencySamples() = 0;
  virtual Result setupProcessing(ProcessSetup &setup) = 0;
  virtual Result setProcessing(std::uint8_t state) = 0;
  virtual Result process(ProcessData &data) = 0;
  virtual std::uint32_t getTailSamples() = 0;
};

enum { PARAMETER_CAN_AUTOMATE = 1, PARAMETER_IS_LIST = 1 << 3 };

struct ParameterInfo {
  std::uint32_t id;
  char16_t title[128], shortTitle[128], units[128];
  std::int32_t stepCount;
  double defaultNormalizedValue;
  std::int32_t unitId, flags;
};

enum { RESTART_LATENCY_CHANGED = 1 << 3 };

struct IComponentHandler : IUnknown {
  virtual Result beginEdit(std::uint32_t id) = 0;
  virtual Result performEdit(std::uint32_t id, double value) = 0;
  virtual Result endEdit(std::uint32_t id) = 0;
  virtual Result restartComponent(std::int32_t flags) = 0;
};

struct IEditController : IPluginBase {
  virtual Result setComponentState(IStream *stream) = 0;
  virtual Result setState(IStream *stream) = 0;
  virtual Result getState(IStream *stream) = 0;
  virtual std::int32_t getParameterCount() = 0;
  virtual Result getParameterInfo(std::int32_t index, ParameterInfo &info) = 0;
  virtual Result getParamStringByValue(std::uint32_t id, double value, char16_t *text) = 0;
  virtual Result getParamValueByString(std::uint32_t id, char16_t *text, double &value) = 0;
  virtual double normalizedParamToPlain(std::uint32_t id, double value) = 0;
  virtual double plainParamToNormalized(std::uint32_t id, double value) = 0;
  virtual double getParamNormalized(std::uint32_t id) = 0;
  virtual Result setParamNormalized(std::uint32_t id, double value) = 0;
  virtual Result setComponentHandler(IComponentHandler *handler) = 0;
  virtual void *createView(const char *name) = 0;
};

struct FactoryInfo { char vendor[64], url[256], email[128]; std::int32_t flags; };
struct ClassInfo { char id[16]; std::int32_t cardinality; char category[32], name[64]; };
enum { MANY_INSTANCES = 0x7FFFFFFF };

struct IPluginFactory : IUnknown {
  virtual Result getFactoryInfo(FactoryInfo *info) = 0;
  virtual std::int32_t countClasses() = 0;
  virtual Result getClassInfo(std::int32_t index, ClassInfo *info) = 0;
  virtual Result createInstance(const char *id, const char *interface, void **object) = 0;
};

#endif
