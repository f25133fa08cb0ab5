#include "offline/audio/true_peak.h"
#include <algorithm>
#include <cmath>
#include <ebur128.h>
#include <new>

namespace kitfold::offline {
namespace {

constexpr std::size_t kPart = 512;
constexpr std::size_t kBefore = 64; // longer than the interpolation filter at any rate
constexpr double kMostGain = 2.5; // sum of the taps of one phase: (4 / pi)(1 + 1/3 + … + 1/11) = 2.39 at most

} // namespace

TruePeak::TruePeak(int rate_hz)
    : state_(ebur128_init(1, static_cast<unsigned long>(rate_hz), EBUR128_MODE_TRUE_PEAK),
             [](void* state) {
                 auto* mine = static_cast<ebur128_state*>(state);
                 ebur128_destroy(&mine);
             }),
      before_(kBefore, 0.0f) {
    if (!state_) throw std::bad_alloc();
    part_.reserve(kPart);
}

void TruePeak::measure(std::span<const float> part, bool counts) {
    auto* const state = static_cast<ebur128_state*>(state_.get());
    ebur128_add_frames_float(state, part.data(), part.size());
    double found = 0.0;
    if (counts && ebur128_prev_true_peak(state, 0, &found) == EBUR128_SUCCESS) peak_ = std::max(peak_, found);
}

void TruePeak::close() {
    float highest = 0.0f;
    for (const auto* v : {&before_, &part_})
        for (const float x : *v) highest = std::max(highest, std::abs(x));
    if (kMostGain * double(highest) > peak_) {
        if (!in_step_) measure(before_, false); // what was left over in the filter does not count
        measure(part_, true);
        in_step_ = true;
        for (const float x : part_) peak_ = std::max(peak_, std::abs(double(x)));
    } else {
        in_step_ = false;
    }
    before_.insert(before_.end(), part_.begin(), part_.end());
    before_.erase(before_.begin(), before_.end() - std::ptrdiff_t(kBefore));
    part_.clear();
}

void TruePeak::push(std::span<const float> block) {
    while (!block.empty()) {
        const auto take = std::min(block.size(), kPart - part_.size());
        part_.insert(part_.end(), block.begin(), block.begin() + std::ptrdiff_t(take));
        block = block.subspan(take);
        if (part_.size() == kPart) close();
    }
}

double TruePeak::peak() {
    if (!part_.empty()) close();
    return peak_;
}

} // namespace kitfold::offline
