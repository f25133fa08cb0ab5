// Faults put into simulated takes with every drum playing, and none found in clean ones.
#include "faults/electric.h"
#include "synth/simulator.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>

using namespace kitfold::dsp;

namespace {

constexpr double kRate = 48'000.0;

Simulator::Planar rendered(std::uint64_t seed, std::vector<TakeMic>& mics, double seconds) {
    SimulatorOptions options;
    options.seed = seed, options.seconds = seconds;
    options.tempo_bpm = 90.0 + 5.0 * double(seed % 12); // 120 and 150 among them: hits on a grid of the mains
    const Simulator simulator(options);
    mics = simulator.take_mics();
    return simulator.render();
}

std::vector<Fault> all_faults(const std::vector<TakeMic>& mics, const Simulator::Planar& x) {
    const auto take = take_of(kRate, mics, {x.begin(), x.end()});
    std::vector<MicMeasure> measures;
    std::vector<Fault> faults;
    for (std::size_t m = 0; m < x.size(); ++m) {
        MicMeter meter(kRate);
        meter.push(x[m]);
        measures.push_back(meter.finish());
        for (const auto& fault : mic_faults(take, m, measures.back(), 10)) faults.push_back(fault);
    }
    for (const auto& fault : identical_faults(take, measures)) faults.push_back(fault);
    for (const auto& fault : crackles(measures)) faults.push_back(fault);
    return faults;
}

void add_hum(std::vector<float>& x, double hz, double peak) {
    for (std::size_t n = 0; n < x.size(); ++n) {
        const double phase = 2.0 * std::numbers::pi * hz * double(n) / kRate;
        x[n] += float(peak * (std::sin(phase) + 0.5 * std::sin(2.0 * phase) + 0.4 * std::sin(3.0 * phase)));
    }
}

} // namespace

TEST_CASE("twenty clean takes have no fault", "[analysis][faults]") {
    std::vector<TakeMic> mics;
    for (std::uint64_t seed = 1; seed <= 20; ++seed) {
        const auto x = rendered(seed, mics, 12.0);
        for (const auto& fault : all_faults(mics, x))
            FAIL_CHECK(seed << ": " << mics[fault.mic].name << " " << fault_name(fault.kind));
    }
}

TEST_CASE("tops of a sample or two on one level are clipping, in a file of 16 bits too",
          "[analysis][faults]") {
    std::vector<TakeMic> mics;
    auto x = rendered(32, mics, 20.0);
    const bool cut = GENERATE(false, true);
    const double level_db = GENERATE(-3.0, -20.0, -33.0); // of the loudest top, in the file
    for (std::size_t m = 0; m < x.size(); ++m) {
        std::vector<float> tops;
        for (std::size_t n = 0; n + 480 <= x[m].size(); n += 480) {
            float top = 0.0f;
            for (std::size_t k = n; k < n + 480; ++k) top = std::max(top, std::abs(x[m][k]));
            tops.push_back(top);
        }
        std::sort(tops.rbegin(), tops.rend());
        const float ceiling = cut ? tops[8] : tops[0]; // eight strokes reach it
        const double gain = 32'768.0 * std::pow(10.0, level_db / 20.0) / double(ceiling);
        for (auto& v : x[m])
            v = float(std::round(double(std::clamp(v, -ceiling, ceiling)) * gain) / 32'768.0);
        const auto take = take_of(kRate, mics, {x.begin(), x.end()});
        MicMeter meter(kRate);
        meter.push(x[m]);
        const auto faults = mic_faults(take, m, meter.finish(), 10);
        CAPTURE(mics[m].name, cut, level_db);
        CHECK(cut == std::any_of(faults.begin(), faults.end(),
                                 [](const Fault& f) { return f.kind == FaultKind::clipped; }));
    }
}

TEST_CASE("each fault put into a playing kit is found, in that mic and nothing else", "[analysis][faults]") {
    std::vector<TakeMic> mics;
    const auto clean = rendered(31, mics, 12.0);
    const auto found_only = [&](FaultKind kind, std::size_t mic, const auto& spoil) {
        auto x = clean;
        spoil(x);
        const auto faults = all_faults(mics, x);
        CAPTURE(fault_name(kind), mics[mic].name);
        CHECK(std::any_of(faults.begin(), faults.end(),
                          [&](const Fault& f) { return f.kind == kind && f.mic == mic; }));
        for (const auto& f : faults)
            if (f.kind != kind || f.mic != mic)
                FAIL_CHECK("also " << fault_name(f.kind) << " in " << mics[f.mic].name);
    };
    for (std::size_t m = 0; m < clean.size(); ++m) {
        const auto loudest = [&](const std::vector<float>& v) {
            float peak = 0.0f;
            for (const float s : v) peak = std::max(peak, std::abs(s));
            return peak;
        };
        found_only(FaultKind::clipped, m, [&](auto& x) {
            const float gain = (mics[m].role == Role::hihat ? 4.0f : 2.0f) / loudest(x[m]);
            for (auto& v : x[m]) v = std::clamp(v * gain, -1.0f, 1.0f);
        });
        found_only(FaultKind::clipped, m, [&](auto& x) {
            const float top =
                (mics[m].role == Role::hihat ? 0.25f : 0.5f) * loudest(x[m]); // or two samples are all
            for (auto& v : x[m]) v = std::clamp(v, -top, top);
        });
        found_only(FaultKind::hum, m, [&](auto& x) { add_hum(x[m], m % 2 == 0 ? 50.02 : 59.97, 0.004); });
        found_only(FaultKind::dc, m, [&](auto& x) {
            for (auto& v : x[m]) v += 0.005f;
        });
        found_only(FaultKind::dropout, m, [&](auto& x) { std::fill_n(x[m].begin() + 300'000, 480, 0.0f); });
        found_only(FaultKind::silent, m, [&](auto& x) { std::fill(x[m].begin(), x[m].end(), 0.0f); });
        found_only(FaultKind::low_level, m, [&](auto& x) {
            for (auto& v : x[m]) v *= 0.02f;
        });
        if (m > 0) found_only(FaultKind::identical, m, [&](auto& x) { x[m] = x[m - 1]; });
    }
}
