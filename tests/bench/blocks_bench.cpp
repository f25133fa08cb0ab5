// Every block: one channel and SIMD lanes, block sizes 16 to 4096, 44.1 to 192 kHz. Items are mic-samples:
// items per second should not depend on the block size.
#include "dynamics/bus_compressor.h"
#include "dynamics/gate.h"
#include "filters/kick_conditioner.h"
#include "material.h"
#include "mix/kit_mix.h"
#include "mix/sum.h"
#include <benchmark/benchmark.h>

using namespace kitfold::dsp;

namespace {

using Sse2 = xsimd::batch<double, xsimd::sse2>;

void sizes(benchmark::internal::Benchmark* b) {
    for (const int rate : {44'100, 48'000, 96'000, 192'000})
        for (const int block : {16, 64, 512, 4096})
            if (rate == 48'000 || block == 512) b->Args({block, rate});
}

template <class V> void kick(benchmark::State& state) {
    const auto frames = static_cast<std::size_t>(state.range(0));
    constexpr auto lanes = Lanes<V>::width;
    const auto in = bench::drums(frames * lanes);
    std::vector<float> out(in.size());
    KickConditioner<V> block;
    if (!block.prepare(static_cast<double>(state.range(1)))) return;
    for (std::size_t k = 0; k < lanes; ++k)
        (void)block.set({.box_db = -3, .bleed_cut_hz = 8000, .bleed_cut_slope = 24}, k);
    for (auto _ : state) {
        block.process(in.data(), out.data(), frames);
        benchmark::DoNotOptimize(out.data());
        benchmark::ClobberMemory();
    }
    state.SetItemsProcessed(state.iterations() * state.range(0) * static_cast<int64_t>(lanes));
}

template <class V> void gate(benchmark::State& state) {
    const auto frames = static_cast<std::size_t>(state.range(0));
    constexpr auto lanes = Lanes<V>::width;
    const auto in = bench::drums(frames * lanes);
    std::vector<float> out(in.size());
    Gate<V> block;
    if (!block.prepare(static_cast<double>(state.range(1)), 0.0)) return;
    for (std::size_t k = 0; k < lanes; ++k)
        (void)block.set({.key_high_pass_hz = 60, .key_low_pass_hz = 2000}, k);
    for (auto _ : state) {
        block.process(in.data(), in.data(), out.data(), frames);
        benchmark::DoNotOptimize(out.data());
        benchmark::ClobberMemory();
    }
    state.SetItemsProcessed(state.iterations() * state.range(0) * static_cast<int64_t>(lanes));
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

BENCHMARK(kick<double>)->Apply(sizes);
BENCHMARK(kick<Sse2>)->Apply(sizes);
BENCHMARK(gate<double>)->Apply(sizes);
BENCHMARK(gate<Sse2>)->Apply(sizes);
BENCHMARK(bus)->Apply(sizes);
BENCHMARK(sum)->Apply(sizes);

} // namespace
