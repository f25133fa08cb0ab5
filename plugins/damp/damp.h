#pragma once
// Kitfold Damp: a drum as a blanket, a ring or a patch of tape would leave it, on a mono or stereo track.
#include "common/processor.h"
#include "damp/learner.h"
#include "dynamics/damp.h"

namespace kitfold::plugins {

/// Its controls, "learn" apart, are the damp block of a session; "learn" sets them from a few hits.
class Damp final : public Processor {
public:
    explicit Damp(std::size_t channels = 2);

    bool isBusesLayoutSupported(const BusesLayout& layout) const override;
    double getTailLengthSeconds() const override;

private:
    bool prepare_dsp(double rate_hz) override;
    void reset_dsp() noexcept override;
    void take(std::span<const double> values, bool bypassed) noexcept override;
    void render(const Block& block) noexcept override;
    void write_blocks(dsp::Json& state, std::span<const double> values) const override;
    bool read_blocks(const dsp::Json& state, std::span<double> values) const override;

    Learner* learner_ = nullptr; ///< the processor's task
    std::array<dsp::Damp<float>, 2> damp_;
};

} // namespace kitfold::plugins
