// The DSP of ten mics, every block that both sides have, on one core: ours for each instruction set, and
// juce::dsp. Prints one JSON object; times are processor time, the least of the interleaved rounds.
#include "material.h"
#include "mix/kit_mix.h"
#include <algorithm>
#include <cstdio>
#include <ctime>
#include <functional>
#include <string>
#ifdef KITFOLD_BENCH_JUCE
#include "juce_chain.h"
#endif

using namespace kitfold::dsp;

namespace {

constexpr double kRate = 48'000.0;
constexpr std::size_t kMics = 10, kBlock = 512, kFrames = kBlock * 938; // ten seconds

std::vector<MicStrip> strips() {
    std::vector<MicStrip> s(kMics);
    for (std::size_t m = 0; m < kMics; ++m) {
        s[m].mix.delay_ms = 0.37 * static_cast<double>(m);
        s[m].kick = KickSettings{.box_db = -3.0, .bleed_cut_hz = 8000.0, .bleed_cut_slope = Slope::db_24};
        s[m].gate = GateSettings{.key_high_pass_hz = 60.0, .key_low_pass_hz = 2000.0};
    }
    return s;
}

using Process = std::function<void(const float* const*, float*, float*, std::size_t)>;

double seconds(const Process& process, const std::vector<std::vector<float>>& mics) {
    std::vector<float> left(kBlock), right(kBlock);
    std::vector<const float*> rows(kMics);
    const auto before = std::clock();
    for (std::size_t at = 0; at < kFrames; at += kBlock) {
        for (std::size_t m = 0; m < kMics; ++m) rows[m] = mics[m].data() + at;
        process(rows.data(), left.data(), right.data(), kBlock);
    }
    return static_cast<double>(std::clock() - before) / CLOCKS_PER_SEC;
}

} // namespace

int main() {
    std::vector<std::vector<float>> mics;
    for (std::size_t m = 0; m < kMics; ++m) mics.push_back(bench::drums(kFrames, m));
    std::vector<std::pair<std::string, Process>> sides;
    std::vector<std::unique_ptr<KitMix>> ours;
    const std::pair<const char*, Isa> isas[] = {
        {"scalar", Isa::scalar}, {"sse2", Isa::sse2}, {"avx2", Isa::avx2}, {"avx512", Isa::avx512}};
    for (const auto& [name, isa] : isas) {
        if (!runs(isa)) continue;
        auto& mix = *ours.emplace_back(std::make_unique<KitMix>());
        mix.prepare(kRate, strips(), {}, BusSettings{}, 0.0, isa);
        sides.emplace_back(name, [&mix](auto... a) { mix.process(a...); });
    }
#ifdef KITFOLD_BENCH_JUCE
    bench::JuceChain juce(kRate, kMics, kBlock);
    sides.emplace_back("juce", [&juce](auto... a) { juce.process(a...); });
#endif
    std::vector<double> best(sides.size(), 1e9);
    for (int round = 0; round < 5; ++round)
        for (std::size_t s = 0; s < sides.size(); ++s)
            best[s] = std::min(best[s], seconds(sides[s].second, mics));
    std::printf("{");
    for (std::size_t s = 0; s < sides.size(); ++s)
        std::printf("%s\"%s_ns\": %.3f", s == 0 ? "" : ", ", sides[s].first.c_str(),
                    best[s] * 1e9 / (kFrames * kMics));
    std::printf("}\n");
}
