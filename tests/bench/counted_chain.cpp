// One second of ten mics with every block, for callgrind to count: `count_instructions BLOCKS` with any of
// "delay", "kick", "gate", "key" (the kit's, of four gates), "damp", "bus" in BLOCKS. Prints the mic-samples
// that were made.
#include "kit_table.h"
#include "material.h"
#include "mix/kit_mix.h"
#include <cstdio>
#include <string_view>

using namespace kitfold::dsp;

int main(int argc, char** argv) {
    const std::string_view blocks = argc > 1 ? argv[1] : "";
    const auto wants = [blocks](std::string_view name) {
        return blocks.find(name) != std::string_view::npos;
    };
    constexpr std::size_t kMics = 10, kBlock = 512, kFrames = kBlock * 94;
    std::vector<std::vector<float>> mics;
    std::vector<MicStrip> strips(kMics);
    for (std::size_t m = 0; m < kMics; ++m) {
        mics.push_back(bench::drums(kFrames, m));
        if (wants("delay")) strips[m].mix.delay_ms = 0.37 * static_cast<double>(m);
        if (wants("kick"))
            strips[m].kick =
                KickSettings{.box_db = -3, .bleed_cut_hz = 8000, .bleed_cut_slope = Slope::db_24};
        if (wants("gate") || wants("key"))
            strips[m].gate = GateSettings{.key_high_pass_hz = 60, .key_low_pass_hz = 2000};
        if (wants("damp"))
            strips[m].damp =
                DampSettings{.amount = 1, .high_db_per_s = 60, .tail_db_per_s = 20, .band_count = 3};
    }
    for (const std::size_t m : bench::kKeyed)
        if (wants("key")) strips[m].gate->key = GateKey::kit;
    KitMix mix;
    mix.prepare(48'000.0, strips, {}, wants("bus") ? std::optional(BusSettings{}) : std::nullopt, 0.0,
                best_isa(), bench::kit_table());
    std::vector<float> left(kBlock), right(kBlock);
    std::vector<const float*> rows(kMics);
    for (std::size_t at = 0; at < kFrames; at += kBlock) {
        for (std::size_t m = 0; m < kMics; ++m) rows[m] = mics[m].data() + at;
        mix.process(rows.data(), left.data(), right.data(), kBlock);
    }
    std::printf("%zu\n", kFrames * kMics);
}
