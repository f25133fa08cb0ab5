#pragma once
// Kitfold Gate: an insert on a mono or stereo track, with a key input.
#include "common/single_block.h"
#include "dynamics/linked_gate.h"

namespace kitfold::plugins {

/// Key "kit" needs the other mics, which an insert does not have: it works as "own" here. "side-chain"
/// without a side-chain does too.
class Gate final : public SingleBlock<dsp::GateSettings> {
public:
    explicit Gate(std::size_t channels = 2);

    bool isBusesLayoutSupported(const BusesLayout& layout) const override;
    double getTailLengthSeconds() const override { return longest_latency_ms() / 1000.0; }

private:
    bool prepare_dsp(double rate_hz) override { return gate_.prepare(rate_hz, longest_latency_ms()); }
    void reset_dsp() noexcept override { gate_.reset(), open_before_ = 0.0; }
    void take(std::span<const double> values, bool bypassed) noexcept override;
    void render(const Block& block) noexcept override;
    std::size_t latency_now() const noexcept override { return gate_.latency(); }
    double longest_latency_ms() const noexcept override { return 10.0; }
    void read_meters(std::span<double> meters) noexcept override;

    dsp::LinkedGate gate_;
    bool side_chain_ = false;
    double open_before_ = 0.0; ///< samples
};

} // namespace kitfold::plugins
