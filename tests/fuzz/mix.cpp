// KitMix with any settings, moves and block sizes, on samples that no converter gives: the same samples
// however the blocks are cut, and sound again once sound comes in.
#include "fuzz/target.h"
#include "mix/kit_mix.h"
#include "settings/parameters.h"
#include <algorithm>
#include <bit>
#include <cstring>
#include <limits>
#include <vector>

using namespace kitfold;
using namespace kitfold::test;

namespace {

constexpr std::size_t kMostFrames = 2'000; ///< of a block

template <class Settings> Settings any(Bytes& bytes) {
    Settings out;
    for (const auto& field : dsp::fields<Settings>())
        field.put(out, dsp::from_position(field.parameter, bytes.share()));
    return out;
}

template <class Settings> std::optional<Settings> perhaps(Bytes& bytes) {
    if (bytes.byte() % 2 == 0) return std::nullopt;
    return any<Settings>(bytes);
}

dsp::KeyBands any_bands(Bytes& bytes, double highest) {
    dsp::KeyBands out;
    for (auto& db : out) db = bytes.byte() % 4 == 0 ? dsp::kOffDb : highest - 80.0 * bytes.share();
    return out;
}

dsp::KitKeyTable any_table(Bytes& bytes, std::size_t mics) {
    dsp::KitKeyTable out;
    for (std::size_t m = 0; m < mics; ++m)
        out.mics.push_back({bytes.byte() % 2 == 0, 80.0 * bytes.share() - 40.0, any_bands(bytes, 0.0),
                            any_bands(bytes, 0.0), any_bands(bytes, 40.0)});
    for (auto count = bytes.below(4); count > 0; --count) {
        auto& bleed = out.bleed.emplace_back();
        bleed.source = bytes.below(mics), bleed.mic = bytes.below(mics);
        bleed.gain_db = any_bands(bytes, 40.0);
        if (bytes.byte() % 2 == 0) continue;
        for (std::size_t tap = 0; tap < dsp::kResponseTaps; ++tap)
            bleed.response.push_back(dsp::kMostResponse * (2.0 * bytes.share() - 1.0));
    }
    return out;
}

dsp::MixSettings any_mix(Bytes& bytes, std::size_t mics, const dsp::KitKeyTable& table) {
    dsp::MixSettings out;
    for (std::size_t m = 0; m < mics; ++m) {
        dsp::MicStrip strip{any<dsp::MicSettings>(bytes), perhaps<dsp::KickSettings>(bytes),
                            perhaps<dsp::GateSettings>(bytes), perhaps<dsp::DampSettings>(bytes)};
        if (strip.damp) {
            strip.damp->band_count = bytes.below(dsp::kRingBands + 1);
            for (auto& band : strip.damp->bands) band = any<dsp::RingBand>(bytes);
        }
        out.strips.push_back(strip);
    }
    out.sum = any<dsp::SumSettings>(bytes), out.bus = perhaps<dsp::BusSettings>(bytes);
    out.output_level_db = -90.0 + 102.0 * bytes.share();
    out.table = table;
    return out;
}

void fill(Bytes& bytes, std::span<float> out) {
    constexpr float kMost = std::numeric_limits<float>::max(),
                    kLeast = std::numeric_limits<float>::denorm_min();
    const auto kind = bytes.below(9);
    const auto period = 2 + bytes.below(200);
    for (std::size_t n = 0; n < out.size(); ++n) {
        const float side = n / period % 2 == 0 ? 1.0f : -1.0f;
        const float values[] = {0.0f,
                                side,
                                side * kMost,
                                side * kLeast,
                                std::numeric_limits<float>::quiet_NaN(),
                                side * std::numeric_limits<float>::infinity(),
                                n == 0 ? 1000.0f : 0.0f,
                                0.3f * std::sin(float(n) / float(period)),
                                -0.0f};
        out[n] = values[kind];
    }
    for (auto count = bytes.below(8); count > 0 && !out.empty(); --count) // and some bits of no kind at all
        out[bytes.word() % out.size()] = std::bit_cast<float>(bytes.word());
}

using Planes = std::vector<std::vector<float>>;

void process(dsp::KitMix& mix, const Planes& mics, std::size_t from, std::size_t frames, Planes& out) {
    std::vector<const float*> in;
    for (const auto& mic : mics) in.push_back(mic.data() + from);
    mix.process(in.data(), out[0].data() + from, out[1].data() + from, frames);
}

void process_in_pieces(dsp::KitMix& mix, const Planes& mics, std::size_t piece, Planes& out) {
    const std::size_t frames = mics[0].size();
    for (std::size_t at = 0; at < frames; at += piece)
        process(mix, mics, at, std::min(piece, frames - at), out);
}

bool same_bits(const Planes& a, const Planes& b) {
    for (std::size_t p = 0; p < a.size(); ++p)
        if (!a[p].empty() && std::memcmp(a[p].data(), b[p].data(), a[p].size() * sizeof(float)) != 0)
            return false;
    return true;
}

bool finite(const Planes& planes) {
    for (const auto& plane : planes)
        if (!std::all_of(plane.begin(), plane.end(), [](float x) { return std::isfinite(x); })) return false;
    return true;
}

} // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
    constexpr double kRates[] = {8'000.0, 44'100.0, 48'000.0, 96'000.0, 384'000.0};
    Bytes bytes(data, size);
    const double rate_hz = kRates[bytes.below(std::size(kRates))];
    const auto mics = 1 + bytes.below(10);
    const auto table = bytes.byte() % 2 == 0 ? dsp::KitKeyTable{} : any_table(bytes, mics);
    const auto first = any_mix(bytes, mics, table);
    dsp::KitMix whole, cut;
    demand(whole.prepare_to_move(rate_hz, first) == nullptr, "what the table allows is taken");
    demand(cut.prepare_to_move(rate_hz, first) == nullptr, "and once more");
    for (int blocks = 0; blocks < 12 && !bytes.empty(); ++blocks) {
        if (bytes.byte() % 3 == 0) {
            const auto next = any_mix(bytes, mics, table);
            demand(dsp::KitMix::refused(next) == nullptr, "what the table allows is not refused");
            whole.set(next), cut.set(next);
        }
        const std::size_t frames = bytes.word() % kMostFrames;
        Planes in(mics, std::vector<float>(frames)), out(2, std::vector<float>(frames)), again = out;
        for (auto& mic : in) fill(bytes, mic);
        process(whole, in, 0, frames, out);
        process_in_pieces(cut, in, 1 + bytes.below(255), again);
        demand(same_bits(out, again), "the same samples at any block size");
    }
    // 50 ms of delay, 10 ms of look-ahead, 20 ms of moves, and what is held in between
    const auto settled = static_cast<std::size_t>(0.1 * rate_hz);
    Planes silence(mics, std::vector<float>(settled)), out(2, std::vector<float>(settled));
    process(whole, silence, 0, settled, out);
    process(whole, silence, 0, settled / 10, out);
    demand(finite(out), "numbers once the mics bring numbers");
    return 0;
}
