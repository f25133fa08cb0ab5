// Every block: one channel and SIMD lanes, block sizes 16 to 4096, 44.1 to 192 kHz, and what juce::dsp has of
// the same kind (its gate has no key filters, its bus no key high-pass). Items are mic-samples, of the bus
// stereo frames: items per second should not depend on the block size.
#include "dynamics/bus_compressor.h"
#include "dynamics/damp.h"
#include "dynamics/gate.h"
#include "filters/kick_conditioner.h"
#include "kit_table.h"
#include "material.h"
#include "mix/kit_mix.h"
#include "mix/sum.h"
#include <algorithm>
#include <benchmark/benchmark.h>
#ifdef KITFOLD_BENCH_JUCE
#include "juce_chain.h"
#endif

using namespace kitfold::dsp;

namespace {

void sizes(benchmark::internal::Benchmark* b) {
    for (const int rate : {44'100, 48'000, 96'000, 192'000})
        for (const int block : {16, 64, 512, 4096})
            if (rate == 48'000 || block == 512) b->Args({block, rate});
}

constexpr KickSettings kKick{.box_db = -3, .bleed_cut_hz = 8000, .bleed_cut_slope = Slope::db_24};
constexpr GateSettings kGate{.key_high_pass_hz = 60, .key_low_pass_hz = 2000};
constexpr DampSettings kDamp{.amount = 1, .high_db_per_s = 60, .tail_db_per_s = 20, .band_count = 3};

/// Runs `process(in, out)` over and over; `lanes` mic-samples a frame.
template <class Process> void measure(benchmark::State& state, std::size_t lanes, Process process) {
    const auto in = bench::drums(static_cast<std::size_t>(state.range(0)) * lanes);
    std::vector<float> out(in.size());
    for (auto _ : state) {
        process(in.data(), out.data());
        benchmark::DoNotOptimize(out.data());
        benchmark::ClobberMemory();
    }
    state.SetItemsProcessed(state.iterations() * static_cast<int64_t>(in.size()));
}

/// One channel.
void scalar_kick(benchmark::State& state) {
    KickConditioner<double> block;
    (void)block.prepare(static_cast<double>(state.range(1))), (void)block.set(kKick);
    const auto frames = static_cast<std::size_t>(state.range(0));
    measure(state, 1, [&](const float* in, float* out) { block.process(in, out, frames); });
}
void scalar_gate(benchmark::State& state) {
    Gate<float, double> block;
    (void)block.prepare(static_cast<double>(state.range(1)), 0.0), (void)block.set(kGate);
    const auto frames = static_cast<std::size_t>(state.range(0));
    measure(state, 1, [&](const float* in, float* out) { block.process(in, in, out, frames); });
}
void scalar_damp(benchmark::State& state) {
    Damp<float> block;
    (void)block.prepare(static_cast<double>(state.range(1))), (void)block.set(kDamp);
    const auto frames = static_cast<std::size_t>(state.range(0));
    measure(state, 1, [&](const float* in, float* out) { block.process(in, out, frames); });
}

/// Eight mics side by side in groups that `make` fills and `process` runs, the transposes there and back
/// included.
template <class Group, class Make, class Process>
void lanes(benchmark::State& state, Isa isa, Make make, Process process) {
    if (!runs(isa)) return state.SkipWithError("not on this machine");
    constexpr std::size_t kMics = 8;
    const auto frames = static_cast<std::size_t>(state.range(0));
    std::vector<std::unique_ptr<Group>> groups;
    for (std::size_t mics = 0; mics < kMics; mics += groups.back()->width())
        groups.push_back(make(isa, kMics, static_cast<double>(state.range(1))));
    measure(state, kMics, [&](const float* in, float* out) {
        std::copy_n(in, frames * kMics, out);
        for (std::size_t g = 0; g < groups.size(); ++g)
            for (std::size_t at = 0; at < frames; at += LaneStrip::kMaxFrames) {
                const std::size_t width = groups[g]->width();
                float* rows[kMics];
                for (std::size_t k = 0; k < width; ++k) rows[k] = out + (g * width + k) * frames + at;
                process(*groups[g], rows, width, std::min(LaneStrip::kMaxFrames, frames - at));
            }
    });
}
void lane_strip(benchmark::State& state, Isa isa, bool kick, bool gate) {
    const auto make = [&](Isa with, std::size_t mics, double rate_hz) {
        auto strip = make_lane_strip(with, mics);
        (void)strip->prepare(rate_hz, {kick, gate}, 0.0);
        for (std::size_t k = 0; k < strip->width(); ++k)
            strip->set(k, kick ? &kKick : nullptr, gate ? &kGate : nullptr);
        return strip;
    };
    lanes<LaneStrip>(state, isa, make,
                     [](LaneStrip& strip, float* const* rows, std::size_t width, std::size_t count) {
                         strip.process(rows, nullptr, width, count);
                     });
}
void lane_damp(benchmark::State& state, Isa isa) {
    const auto make = [](Isa with, std::size_t mics, double rate_hz) {
        auto damp = make_lane_damp(with, mics);
        (void)damp->prepare(rate_hz);
        for (std::size_t k = 0; k < damp->width(); ++k) damp->set(k, kDamp);
        return damp;
    };
    lanes<LaneDamp>(state, isa, make,
                    [](LaneDamp& damp, float* const* rows, std::size_t width, std::size_t count) {
                        damp.process(rows, width, count);
                    });
}

/// Ten mics of which the gates of two toms, snare and kick have the kit as their key; the gates not counted.
void kit_key(benchmark::State& state) {
    constexpr std::size_t kMics = 10;
    const auto frames = static_cast<std::size_t>(state.range(0));
    KitKey block;
    if (!block.prepare(static_cast<double>(state.range(1)), kMics)) return;
    block.set(bench::kit_table(), std::vector<char>{1, 0, 1, 0, 1, 1, 0, 0, 0, 0});
    std::vector<std::vector<float>> mics, keys(4, std::vector<float>(frames));
    std::vector<const float*> in;
    std::vector<float*> out(kMics, nullptr);
    for (std::size_t m = 0; m < kMics; ++m)
        mics.push_back(bench::drums(frames, m)), in.push_back(mics[m].data());
    for (const std::size_t k : {0u, 2u, 4u, 5u}) out[k] = keys[k / 2 + (k == 5u)].data();
    for (auto _ : state) {
        block.process(in.data(), in.data(), out.data(), frames);
        benchmark::DoNotOptimize(keys[0].data());
        benchmark::ClobberMemory();
    }
    state.SetItemsProcessed(state.iterations() * static_cast<int64_t>(frames * kMics));
}

void bus(benchmark::State& state) {
    const auto frames = static_cast<std::size_t>(state.range(0));
    const auto l = bench::drums(frames, 0), r = bench::drums(frames, 1);
    std::vector<float> a(frames), b(frames);
    BusCompressor block;
    if (!block.prepare(static_cast<double>(state.range(1)))) return;
    for (auto _ : state) {
        block.process(l.data(), r.data(), l.data(), r.data(), a.data(), b.data(), frames);
        benchmark::DoNotOptimize(a.data());
        benchmark::ClobberMemory();
    }
    state.SetItemsProcessed(state.iterations() * state.range(0));
}

void sum(benchmark::State& state) { // ten mics, each with a fractional delay
    const auto frames = static_cast<std::size_t>(state.range(0));
    std::vector<std::vector<float>> mics;
    std::vector<const float*> rows;
    for (std::size_t m = 0; m < 10; ++m)
        mics.push_back(bench::drums(frames, m)), rows.push_back(mics.back().data());
    std::vector<float> l(frames), r(frames);
    Sum block;
    if (!block.prepare(static_cast<double>(state.range(1)), 10)) return;
    for (std::size_t m = 0; m < 10; ++m) (void)block.set(m, {.delay_ms = 0.37 * static_cast<double>(m)});
    block.settle();
    for (auto _ : state) {
        block.process(rows.data(), l.data(), r.data(), frames);
        benchmark::DoNotOptimize(l.data());
        benchmark::ClobberMemory();
    }
    state.SetItemsProcessed(state.iterations() * state.range(0) * 10);
}

#ifdef KITFOLD_BENCH_JUCE
void juce_blocks(benchmark::State& state, std::size_t mics, const char* blocks) {
    const auto frames = static_cast<std::size_t>(state.range(0));
    std::vector<std::vector<float>> tracks;
    std::vector<const float*> rows;
    for (std::size_t m = 0; m < mics; ++m)
        tracks.push_back(bench::drums(frames, m)), rows.push_back(tracks.back().data());
    std::vector<float> l(frames), r(frames);
    bench::JuceChain chain(static_cast<double>(state.range(1)), mics, frames, blocks);
    for (auto _ : state) {
        chain.process(rows.data(), l.data(), r.data(), frames);
        benchmark::DoNotOptimize(l.data());
        benchmark::ClobberMemory();
    }
    state.SetItemsProcessed(state.iterations() * state.range(0) * static_cast<int64_t>(mics));
}
BENCHMARK_CAPTURE(juce_blocks, kick, 1, "kick")->Apply(sizes);
BENCHMARK_CAPTURE(juce_blocks, gate, 1, "gate")->Apply(sizes);
BENCHMARK_CAPTURE(juce_blocks, bus, 1, "bus")->Apply(sizes);
BENCHMARK_CAPTURE(juce_blocks, sum, 10, "delay sum")->Apply(sizes);
#endif

BENCHMARK(scalar_kick)->Apply(sizes);
BENCHMARK(scalar_gate)->Apply(sizes);
BENCHMARK(scalar_damp)->Apply(sizes);
BENCHMARK_CAPTURE(lane_strip, sse2_kick, Isa::sse2, true, false)->Apply(sizes);
BENCHMARK_CAPTURE(lane_strip, sse2_gate, Isa::sse2, false, true)->Apply(sizes);
BENCHMARK_CAPTURE(lane_damp, sse2, Isa::sse2)->Apply(sizes);
BENCHMARK_CAPTURE(lane_strip, avx2_kick, Isa::avx2, true, false)->Apply(sizes);
BENCHMARK_CAPTURE(lane_strip, avx2_gate, Isa::avx2, false, true)->Apply(sizes);
BENCHMARK_CAPTURE(lane_damp, avx2, Isa::avx2)->Apply(sizes);
BENCHMARK_CAPTURE(lane_strip, avx512_kick, Isa::avx512, true, false)->Apply(sizes);
BENCHMARK_CAPTURE(lane_strip, avx512_gate, Isa::avx512, false, true)->Apply(sizes);
BENCHMARK_CAPTURE(lane_damp, avx512, Isa::avx512)->Apply(sizes);
BENCHMARK(kit_key)->Apply(sizes);
BENCHMARK(bus)->Apply(sizes);
BENCHMARK(sum)->Apply(sizes);

} // namespace
