#pragma once
// Kitfold Bus: the compressor for the stereo submix, with a key input.
#include "common/single_block.h"
#include "dynamics/bus_compressor.h"

namespace kitfold::plugins {

/// Key "side-chain" without a side-chain measures the submix itself.
class Bus final : public SingleBlock<dsp::BusSettings> {
public:
    Bus();

    bool isBusesLayoutSupported(const BusesLayout& layout) const override;
    double getTailLengthSeconds() const override { return 0.0; }

private:
    bool prepare_dsp(double rate_hz) override { return compressor_.prepare(rate_hz); }
    void reset_dsp() noexcept override { compressor_.reset(); }
    void take(std::span<const double> values, bool bypassed) noexcept override;
    void render(const Block& block) noexcept override;
    void read_meters(std::span<double> meters) noexcept override { meters[0] = compressor_.reduction_db(); }

    dsp::BusCompressor compressor_;
    bool side_chain_ = false;
};

} // namespace kitfold::plugins
