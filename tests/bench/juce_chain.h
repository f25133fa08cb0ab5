#pragma once
// The opponent: the same chain made of juce::dsp blocks, one mic after the other as a host would run them.
#include <cstddef>
#include <memory>
#include <string_view>

namespace bench {

class JuceChain {
public:
    /// blocks: any of "delay", "kick", "gate", "sum", "bus" in one string; without "sum" the last mic goes to
    /// both sides.
    JuceChain(double rate_hz, std::size_t mics, std::size_t block,
              std::string_view blocks = "delay kick gate sum bus");
    ~JuceChain();
    void process(const float* const* mics, float* left, float* right, std::size_t frames);

private:
    struct Parts;
    std::unique_ptr<Parts> parts_;
};

} // namespace bench
