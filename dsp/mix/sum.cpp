#include "mix/sum.h"
#include <algorithm>

namespace kitfold::dsp {

bool Sum::prepare(double rate_hz, std::size_t mics) {
    constexpr double kMostDelayMs = 50.0;
    const std::vector<double> rooms(std::min(mics, MicDelays::kMaxMics + 1), kMostDelayMs);
    if (!delays_.prepare(rate_hz, rooms) || !mix_.prepare(rate_hz, mics)) return false;
    work_.assign(mics * kChunk, 0.0f);
    rows_.clear();
    for (std::size_t m = 0; m < mics; ++m) rows_.push_back(work_.data() + m * kChunk);
    delays_.settle();
    return true;
}

void Sum::reset() noexcept { delays_.reset(), mix_.reset(); }

const Parameter* Sum::set(std::size_t mic, const MicSettings& settings) noexcept {
    if (const auto* refused = mix_.set(mic, settings)) return refused;
    delays_.set(mic, settings.delay_ms, static_cast<Polarity>(static_cast<int>(settings.polarity)));
    return nullptr;
}

const Parameter* Sum::set(const SumSettings& settings) noexcept { return mix_.set(settings); }

void Sum::settle() noexcept { delays_.settle(), mix_.settle(); }

void Sum::process(const float* const* mics, float* left, float* right, std::size_t frames) noexcept {
    for (std::size_t at = 0; at < frames; at += kChunk) {
        const std::size_t count = std::min(kChunk, frames - at);
        for (std::size_t m = 0; m < rows_.size(); ++m) delays_.process(m, mics[m] + at, rows_[m], count);
        mix_.process(rows_.data(), left + at, right + at, count);
    }
}

} // namespace kitfold::dsp
