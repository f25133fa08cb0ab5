#pragma once
// Kitfold Sum: up to sixteen mono mics to stereo.
#include "common/processor.h"
#include "mix/sum.h"
#include "sum/learner.h"

namespace kitfold::plugins {

/// Each mic is a bus of its own, so that it keeps its name in the host. Its controls are a session's, the
/// gate's key being "own" or "kit"; "learn" finds out what a gate with key "kit" has to know of the other
/// mics.
///
/// Bypass keeps levels, pans, mutes and solos and takes out what corrects the mics (polarity, delay), the
/// gates and what shapes the pairs (width, mono): no mic gets louder, and the difference is what those do.
class Sum final : public Processor {
public:
    Sum();

    bool isBusesLayoutSupported(const BusesLayout& layout) const override;
    double getTailLengthSeconds() const override { return 0.06; } // the longest delay and look-ahead

private:
    bool prepare_dsp(double rate_hz) override;
    void reset_dsp() noexcept override;
    void take(std::span<const double> values, bool bypassed) noexcept override;
    void render(const Block& block) noexcept override;
    double longest_latency_ms() const noexcept override {
        return 12.0;
    } // 10 and 8 samples at the lowest rate are 11
    bool bypass_is_dry() const noexcept override { return false; }
    void write_blocks(dsp::Json& state, std::span<const double> values) const override;
    bool read_blocks(const dsp::Json& state, std::span<double> values) const override;
    void read_more(const dsp::Json& state) override { learner_->memory().read(state); }

    void settle() noexcept;
    void show_open() noexcept;

    KitLearner* learner_ = nullptr; ///< the processor's task
    dsp::Sum sum_;
    double rate_hz_ = 48'000.0;
    bool fresh_ = true;                          ///< nothing was played since reset()
    std::uint32_t gated_ = 0;                    ///< one bit per mic
    std::array<double, kSumMics> open_before_{}; ///< samples
};

} // namespace kitfold::plugins
