#pragma once
// Kitfold Kick: the kick conditioner as an insert on a mono or stereo track.
#include "common/single_block.h"
#include "filters/kick_conditioner.h"

namespace kitfold::plugins {

class Kick final : public SingleBlock<dsp::KickSettings> {
public:
    /// channels: 1 or 2, what a host gets that does not choose.
    explicit Kick(std::size_t channels = 2);

    bool isBusesLayoutSupported(const BusesLayout& layout) const override;
    double getTailLengthSeconds() const override;

private:
    bool prepare_dsp(double rate_hz) override;
    void reset_dsp() noexcept override;
    void take(std::span<const double> values, bool bypassed) noexcept override;
    void render(const Block& block) noexcept override;

    std::array<dsp::KickConditioner<double>, 2> conditioner_;
};

} // namespace kitfold::plugins
