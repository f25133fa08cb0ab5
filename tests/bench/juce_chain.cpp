#include "juce_chain.h"
#include <juce_dsp/juce_dsp.h>
#include <vector>

namespace bench {

/// Delay, high-pass of two sections, low shelf, bell, low-pass of two sections, gate, level and pan; then the
/// bus compressor. juce::dsp::NoiseGate has no key filters: that work is left out in its favour.
struct JuceChain::Parts {
    struct Strip {
        juce::dsp::DelayLine<float, juce::dsp::DelayLineInterpolationTypes::Lagrange3rd> delay{4096};
        juce::dsp::IIR::Filter<float> filter[6];
        juce::dsp::NoiseGate<float> gate;
        float left = 0.7f, right = 0.7f;
    };
    std::vector<std::unique_ptr<Strip>> strips;
    juce::dsp::Compressor<float> bus;
    juce::AudioBuffer<float> mono, sum;
    bool delays, kicks, gates, sums, bused;

    Parts(double rate_hz, std::size_t mics, std::size_t block, std::string_view blocks)
        : mono(1, static_cast<int>(block)), sum(2, static_cast<int>(block)) {
        const auto wants = [blocks](const char* name) { return blocks.find(name) != std::string_view::npos; };
        delays = wants("delay"), kicks = wants("kick"), gates = wants("gate"), sums = wants("sum"),
        bused = wants("bus");
        const juce::dsp::ProcessSpec one{rate_hz, static_cast<juce::uint32>(block), 1};
        using Make = juce::dsp::IIR::Coefficients<float>;
        for (std::size_t m = 0; m < mics; ++m) {
            auto& s = *strips.emplace_back(std::make_unique<Strip>());
            s.delay.prepare(one), s.delay.setDelay(17.76f * static_cast<float>(m));
            const Make::Ptr designs[] = {Make::makeHighPass(rate_hz, 35.0f, 0.5412f),
                                         Make::makeHighPass(rate_hz, 35.0f, 1.3066f),
                                         Make::makeLowShelf(rate_hz, 80.0f, 0.7f, 2.0f),
                                         Make::makePeakFilter(rate_hz, 400.0f, 1.0f, 0.7f),
                                         Make::makeLowPass(rate_hz, 8000.0f, 0.5412f),
                                         Make::makeLowPass(rate_hz, 8000.0f, 1.3066f)};
            for (int k = 0; k < 6; ++k) s.filter[k].coefficients = designs[k], s.filter[k].prepare(one);
            s.gate.prepare(one), s.gate.setThreshold(-30.0f), s.gate.setRatio(10.0f), s.gate.setAttack(0.5f),
                s.gate.setRelease(200.0f);
        }
        bus.prepare({rate_hz, static_cast<juce::uint32>(block), 2});
        bus.setThreshold(-18.0f), bus.setRatio(2.0f), bus.setAttack(30.0f), bus.setRelease(150.0f);
    }
};

JuceChain::JuceChain(double rate_hz, std::size_t mics, std::size_t block, std::string_view blocks)
    : parts_(std::make_unique<Parts>(rate_hz, mics, block, blocks)) {}
JuceChain::~JuceChain() = default;

void JuceChain::process(const float* const* mics, float* left, float* right, std::size_t frames) {
    const juce::ScopedNoDenormals no_denormals;
    auto& p = *parts_;
    const int count = static_cast<int>(frames);
    p.sum.clear();
    for (std::size_t m = 0; m < p.strips.size(); ++m) {
        auto& s = *p.strips[m];
        p.mono.copyFrom(0, 0, mics[m], count);
        juce::dsp::AudioBlock<float> whole(p.mono);
        auto block = whole.getSubBlock(0, frames);
        const juce::dsp::ProcessContextReplacing<float> context(block);
        if (p.delays) s.delay.process(context);
        if (p.kicks)
            for (auto& f : s.filter) f.process(context);
        if (p.gates) s.gate.process(context);
        if (!p.sums) {
            for (int side = 0; side < 2; ++side) p.sum.copyFrom(side, 0, p.mono, 0, 0, count);
            continue;
        }
        p.sum.addFrom(0, 0, p.mono, 0, 0, count, s.left);
        p.sum.addFrom(1, 0, p.mono, 0, 0, count, s.right);
    }
    juce::dsp::AudioBlock<float> whole(p.sum);
    auto block = whole.getSubBlock(0, frames);
    if (p.bused) p.bus.process(juce::dsp::ProcessContextReplacing<float>(block));
    std::copy_n(p.sum.getReadPointer(0), frames, left);
    std::copy_n(p.sum.getReadPointer(1), frames, right);
}

} // namespace bench
