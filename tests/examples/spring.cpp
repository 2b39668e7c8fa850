// The spring of spring.c as a C++ class behind the same five functions.
//
//     c++ -O2 -shared -fPIC -o libspring.so spring.cpp
#include <array>
#include <cmath>
#include <exception>
#include <map>
#include <string>
#include <vector>

#include "reverb.h"

namespace {

class Spring {
  public:
    void prepare(double rate, const std::map<std::string, double> &values) {
        line_.assign(static_cast<std::size_t>(std::lround(values.at("trip_ms") * rate / 1000)), 0.0);
        sections_.assign(static_cast<std::size_t>(values.at("sections")), 0.0);
        coefficient_ = values.at("coefficient");
        reflection_ = values.at("reflection");
        position_ = 0;
    }

    double step(double in) {
        double x = line_[position_];
        for (double &state : sections_) {
            const double y = coefficient_ * x + state;
            state = x - coefficient_ * y;
            x = y;
        }
        line_[position_] = in + reflection_ * x;
        position_ = (position_ + 1) % line_.size();
        return x;
    }

  private:
    std::vector<double> line_, sections_;
    double coefficient_ = 0, reflection_ = 0;
    std::size_t position_ = 0;
};

class Reverb {
  public:
    Reverb(double rate, int inputs, int outputs)
        : rate_(rate), inputs_(static_cast<std::size_t>(inputs)), springs_(static_cast<std::size_t>(outputs)) {
        prepare();
    }

    void prepare() {
        for (Spring &spring : springs_) spring.prepare(rate_, values_);
    }

    bool set(const std::string &name, double value) {
        const auto found = values_.find(name);
        if (found == values_.end()) return false;
        found->second = value;
        prepare();
        return true;
    }

    void process(const float *const *input, float *const *output, int frames) {
        for (std::size_t c = 0; c < springs_.size(); c++)
            for (int n = 0; n < frames; n++)
                output[c][n] = static_cast<float>(springs_[c].step(input[c < inputs_ ? c : 0][n]));
    }

  private:
    double rate_;
    std::size_t inputs_;
    std::vector<Spring> springs_;
    std::map<std::string, double> values_{{"trip_ms", 30}, {"sections", 40}, {"coefficient", 0.6}, {"reflection", -0.8}};
};

}  // namespace

// No exception may leave a function that C calls.
void *reverb_open(double sample_rate, int inputs, int outputs, int /*largest_block*/) {
    try {
        return new Reverb(sample_rate, inputs, outputs);
    } catch (const std::exception &) {
        return nullptr;
    }
}

int reverb_set(void *reverb, const char *name, double value) {
    try {
        return static_cast<Reverb *>(reverb)->set(name, value) ? 0 : 1;
    } catch (const std::exception &) {
        return 1;
    }
}

void reverb_process(void *reverb, const float *const *input, float *const *output, int frames) {
    static_cast<Reverb *>(reverb)->process(input, output, frames);
}

void reverb_reset(void *reverb) { static_cast<Reverb *>(reverb)->prepare(); }

void reverb_close(void *reverb) { delete static_cast<Reverb *>(reverb); }
