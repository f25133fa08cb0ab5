#pragma once
// Kitfold Sum: up to sixteen mono mics to stereo.
#include "common/processor.h"
#include "mix/sum.h"

namespace kitfold::plugins {

/// Each mic is a bus of its own, so that it keeps its name in the host. Bypass keeps levels, pans, mutes and
/// solos and takes out what corrects the mics (polarity, delay) and what shapes the pairs (width, mono):
/// nothing gets louder, and the difference is what the corrections do.
class Sum final : public Processor {
public:
    Sum();

    bool isBusesLayoutSupported(const BusesLayout& layout) const override;
    double getTailLengthSeconds() const override { return 0.05; } // the longest delay

private:
    bool prepare_dsp(double rate_hz) override;
    void reset_dsp() noexcept override { sum_.reset(); }
    void take(std::span<const double> values, bool bypassed) noexcept override;
    void render(const Block& block) noexcept override;
    double longest_latency_ms() const noexcept override { return 2.0; } // 16 samples at the lowest rate
    bool bypass_is_dry() const noexcept override { return false; }
    void write_blocks(dsp::Json& state, std::span<const double> values) const override;
    bool read_blocks(const dsp::Json& state, std::span<double> values) const override;

    dsp::Sum sum_;
    double rate_hz_ = 48'000.0;
};

} // namespace kitfold::plugins
