// Faults put into signals whose like is known, and none found where there is none.
#include "faults/faults.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>
#include <random>

using namespace kitfold::dsp;

namespace {

constexpr double kPi = std::numbers::pi;

/// A mic on a kick or tom: strokes of different strength, three modes, a click, noise at -75 dBFS.
std::vector<float> drum_mic(double rate_hz, double seconds, double hz, unsigned seed,
                            double spacing_s = 0.29) {
    std::mt19937 random(seed);
    std::normal_distribution<double> gauss;
    std::uniform_real_distribution<double> uniform(0.0, 1.0);
    std::vector<double> sum(std::size_t(rate_hz * seconds), 0.0);
    for (double at = 0.3; at < seconds; at += spacing_s * (1.0 + 0.07 * gauss(random))) {
        const double force = 0.5 * std::pow(10.0, -uniform(random));
        const auto begin = std::size_t(std::max(0.0, at) * rate_hz);
        for (const auto& [ratio, alpha] : {std::pair(1.0, 9.0), {1.593, 14.0}, {2.917, 30.0}}) {
            const double phi = 2.0 * kPi * uniform(random);
            for (auto n = begin; n < std::min(sum.size(), begin + std::size_t(rate_hz)); ++n) {
                const double t = double(n - begin) / rate_hz;
                sum[n] +=
                    force / (1.0 + ratio) * std::exp(-alpha * t) * std::sin(2.0 * kPi * hz * ratio * t + phi);
            }
        }
        for (auto n = begin; n < std::min(sum.size(), begin + std::size_t(0.003 * rate_hz)); ++n)
            sum[n] += 0.1 * force * gauss(random);
    }
    std::vector<float> out(sum.size());
    for (std::size_t n = 0; n < out.size(); ++n) out[n] = float(sum[n] + 1.8e-4 * gauss(random));
    return out;
}

MicMeasure measured(std::span<const float> x, double rate_hz, std::size_t block = 4'096) {
    MicMeter meter(rate_hz, double(x.size()) / rate_hz);
    for (std::size_t at = 0; at < x.size(); at += block)
        meter.push(x.subspan(at, std::min(block, x.size() - at)));
    return meter.finish();
}

std::vector<Fault> faults_in(const std::vector<float>& x, double rate_hz = 48e3, std::size_t own_hits = 10) {
    const auto take = take_of(rate_hz, {{"Kick in", Role::kick_in, 0.0, false, 0.0}}, {x});
    return mic_faults(take, 0, measured(x, rate_hz), own_hits);
}

const Fault* of_kind(const std::vector<Fault>& faults, FaultKind kind) {
    const auto at =
        std::find_if(faults.begin(), faults.end(), [=](const Fault& f) { return f.kind == kind; });
    return at == faults.end() ? nullptr : &*at;
}

} // namespace

TEST_CASE("what is measured does not depend on the block size", "[analysis]") {
    const auto x = drum_mic(44.1e3, 3.0, 60.0, 1);
    const auto whole = measured(x, 44.1e3, x.size());
    const auto parts = measured(x, 44.1e3, 77);
    CHECK(whole.frame_energy == parts.frame_energy);
    CHECK(whole.low == parts.low);
    CHECK(whole.samples == std::int64_t(x.size()));
    CHECK(whole.highest == *std::max_element(x.begin(), x.end()));
    CHECK(whole.lowest == *std::min_element(x.begin(), x.end()));
}

TEST_CASE("levels of a sine: peak, RMS and crest by definition", "[analysis]") {
    std::vector<float> x(96'000);
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = float(0.5 * std::sin(2.0 * kPi * 1'000.0 * double(n) / 48e3) + 0.25);
    const double hits[] = {0.5, 1.0};
    const auto levels = mic_levels(measured(x, 48e3), hits);
    CHECK(levels.peak_dbfs == Approx(20.0 * std::log10(0.75)).epsilon(0).margin(0.001));
    CHECK(levels.dc == Approx(0.25).epsilon(0).margin(1e-4));
    CHECK(levels.noise_floor_dbfs ==
          Approx(20.0 * std::log10(0.5) - 3.0103).epsilon(0).margin(0.02)); // DC apart
    CHECK(levels.crest_db == Approx(10.0 * std::log10(0.5625 / 0.1875)).epsilon(0).margin(0.01));
    CHECK(levels.hit_rms_dbfs == Approx(10.0 * std::log10(0.1875)).epsilon(0).margin(0.01));
}

TEST_CASE("clean drums have no fault", "[analysis]") {
    const unsigned seed = GENERATE(range(1u, 5u));
    const double hz = GENERATE(50.0, 60.0, 96.0), rate_hz = GENERATE(44.1e3, 96e3);
    CAPTURE(seed, hz, rate_hz);
    for (const auto& fault : faults_in(drum_mic(rate_hz, 12.0, hz, seed), rate_hz))
        FAIL_CHECK(fault_name(fault.kind));
}

TEST_CASE("clipped, digitally and below full scale", "[analysis]") {
    const unsigned seed = GENERATE(1u, 2u, 3u);
    auto x = drum_mic(48e3, 10.0, 80.0, seed);
    SECTION("at full scale, as a converter leaves it") {
        for (auto& v : x) v = std::clamp(std::round(v * 6.0f * 32'768.0f), -32'768.0f, 32'767.0f) / 32'768.0f;
        const auto first =
            std::find_if(x.begin(), x.end(), [](float v) { return std::abs(v) >= 32'767.0f / 32'768.0f; }) -
            x.begin();
        const auto faults = faults_in(x);
        const auto* fault = of_kind(faults, FaultKind::clipped);
        REQUIRE(fault != nullptr);
        CHECK(*fault->at_s == Approx(double(first) / 48e3).epsilon(0).margin(0.1));
    }
    SECTION("a float file that went beyond") {
        for (auto& v : x) v *= 6.0f;
        CHECK(of_kind(faults_in(x), FaultKind::clipped) != nullptr);
    }
    SECTION("flat tops at -9 dBFS, both sides and one side") {
        const bool both = GENERATE(true, false);
        const float peak = *std::max_element(x.begin(), x.end()), top = 0.5f * peak;
        for (auto& v : x) v = std::min(v, top), v = both ? std::max(v, -top) : v;
        for (auto& v : x) v *= 0.355f / top;
        const auto faults = faults_in(x);
        const auto* fault = of_kind(faults, FaultKind::clipped);
        REQUIRE(fault != nullptr);
        CHECK(fault->level_db == Approx(-9.0).epsilon(0).margin(0.1));
    }
}

TEST_CASE("a normalised peak is not clipping, and an identical loud stroke is not either", "[analysis]") {
    auto x = drum_mic(48e3, 10.0, 80.0, 5);
    const float peak =
        std::max(*std::max_element(x.begin(), x.end()), -*std::min_element(x.begin(), x.end()));
    for (auto& v : x) v /= peak;
    CHECK(of_kind(faults_in(x), FaultKind::clipped) == nullptr);
    auto repeated = drum_mic(48e3, 2.0, 80.0, 6); // a machine plays the same sample again and again
    const auto once = repeated;
    for (int i = 0; i < 5; ++i) repeated.insert(repeated.end(), once.begin(), once.end());
    CHECK(of_kind(faults_in(repeated), FaultKind::clipped) == nullptr);
}

TEST_CASE("hum of 50 and 60 Hz under playing drums", "[analysis]") {
    const double hz = GENERATE(50.0, 60.0), off_hz = GENERATE(0.0, 0.07, -0.11),
                 level_db = GENERATE(-45.0, -60.0);
    const double drum_hz = GENERATE(55.0, 100.0), seconds = GENERATE(4.0, 20.0);
    auto x = drum_mic(48e3, seconds, drum_hz, 11, 0.6);
    const double rms = std::pow(10.0, level_db / 20.0);
    for (std::size_t n = 0; n < x.size(); ++n) {
        const double phase = 2.0 * kPi * (hz + off_hz) * double(n) / 48e3;
        x[n] +=
            float(rms * std::sqrt(2.0 / 1.5) *
                  (std::sin(phase) + 0.5 * std::sin(2.0 * phase + 1.0) + 0.5 * std::sin(3.0 * phase + 2.0)));
    }
    CAPTURE(hz, off_hz, level_db, drum_hz, seconds);
    const auto faults = faults_in(x);
    const auto* fault = of_kind(faults, FaultKind::hum);
    REQUIRE(fault != nullptr);
    CHECK(fault->hz == hz);
    // A drum 5 Hz beside it may hide the fundamental: two thirds of this hum.
    CHECK(fault->level_db == Approx(level_db).epsilon(0).margin(drum_hz == 55.0 ? 6.0 : 1.5));
    CHECK(faults.size() == 1);
}

TEST_CASE("DC, dropout, silence, low level", "[analysis]") {
    auto x = drum_mic(48e3, 10.0, 80.0, 3);
    SECTION("DC of 0.4 % of full scale") {
        for (auto& v : x) v += 0.004f;
        const auto faults = faults_in(x);
        REQUIRE(of_kind(faults, FaultKind::dc) != nullptr);
        CHECK(of_kind(faults, FaultKind::dc)->level_db ==
              Approx(20.0 * std::log10(0.004)).epsilon(0).margin(0.3));
        CHECK(faults.size() == 1);
    }
    SECTION("gaps of zeros, of a held sample, and of near silence") {
        const double ms = GENERATE(0.7, 3.0, 60.0), held = GENERATE(0.0, 1.0);
        const auto begin = std::size_t(4.321 * 48e3);
        for (auto n = begin; n < begin + std::size_t(ms * 48.0); ++n) x[n] = float(held) * x[begin - 1];
        const auto faults = faults_in(x);
        const auto* fault = of_kind(faults, FaultKind::dropout);
        REQUIRE(fault != nullptr);
        CHECK(fault->count == 1);
        CHECK(*fault->at_s == Approx(4.321).epsilon(0).margin(0.002));
        CHECK(fault->seconds == Approx(ms / 1'000.0).epsilon(0).margin(0.0003));
        CHECK(faults.size() == 1);
    }
    SECTION("a fade into almost nothing for 20 ms") {
        for (std::size_t n = 200'000; n < 200'960; ++n) x[n] *= 0.001f;
        const auto faults = faults_in(x);
        REQUIRE(of_kind(faults, FaultKind::dropout) != nullptr);
        CHECK(*of_kind(faults, FaultKind::dropout)->at_s == Approx(200'000 / 48e3).epsilon(0).margin(0.002));
    }
    SECTION("silence before the first hit and after the last is an edit, not a dropout") {
        std::fill(x.begin(), x.begin() + 9'600, 0.0f);
        std::fill(x.end() - 9'600, x.end(), 0.0f);
        CHECK(faults_in(x).empty());
    }
    SECTION("nothing but noise, nothing but hum, nothing at all") {
        std::fill(x.begin(), x.end(), 0.0f);
        CHECK(of_kind(faults_in(x), FaultKind::silent) != nullptr);
        std::mt19937 random(1);
        std::normal_distribution<float> gauss;
        for (auto& v : x) v = 0.003f * gauss(random);
        CHECK(of_kind(faults_in(x), FaultKind::silent) != nullptr);
        for (std::size_t n = 0; n < x.size(); ++n)
            x[n] = float(0.01 * std::sin(2.0 * kPi * 50.0 * double(n) / 48e3)) + 0.0003f * gauss(random);
        CHECK(of_kind(faults_in(x), FaultKind::silent) != nullptr);
        CHECK(of_kind(faults_in(x), FaultKind::hum) != nullptr);
    }
    SECTION("low level, but only where the drum was played") {
        for (auto& v : x) v *= 0.01f;
        CHECK(of_kind(faults_in(x), FaultKind::low_level) != nullptr);
        CHECK(of_kind(faults_in(x, 48e3, 0), FaultKind::low_level) == nullptr);
    }
}

TEST_CASE("faults are found at every rate, in the last second of a long take too", "[analysis]") {
    const double rate_hz = GENERATE(44.1e3, 48e3, 88.2e3, 96e3), seconds = 65.0;
    const auto clean = drum_mic(rate_hz, seconds, 80.0, 21, 0.9);
    CAPTURE(rate_hz);
    CHECK(faults_in(clean, rate_hz).empty());
    const auto found = [&](FaultKind kind, const auto& spoil) {
        auto x = clean;
        spoil(x);
        const auto faults = faults_in(x, rate_hz);
        const auto* fault = of_kind(faults, kind);
        CAPTURE(fault_name(kind));
        REQUIRE(fault != nullptr);
        CHECK(faults.size() == 1);
        return *fault;
    };
    for (const double at_s : {30.0, seconds - 0.6}) {
        CAPTURE(at_s);
        const auto at = std::size_t(std::llround(at_s * rate_hz));
        for (const double ms : {1.0, 150.0}) {
            const auto gap = found(FaultKind::dropout, [&](auto& x) {
                std::fill_n(x.begin() + std::ptrdiff_t(at), std::llround(ms * rate_hz / 1'000.0), 0.0f);
            });
            CHECK(gap.count == 1);
            CHECK(*gap.at_s == Approx(at_s).epsilon(0).margin(0.0005));
            CHECK(gap.seconds == Approx(ms / 1'000.0).epsilon(0).margin(0.0003));
        }
        for (const bool full_scale : {true, false}) { // one stroke too loud, and turned down later
            const auto tops = found(FaultKind::clipped, [&](auto& x) {
                const double top = full_scale ? 1.0 : 0.43;
                for (auto& v : x) v *= 0.5f; // the other strokes stay under it
                for (std::size_t n = at; n < at + std::size_t(0.5 * rate_hz); ++n) {
                    const double t = double(n - at) / rate_hz;
                    x[n] += float(2.0 * std::exp(-12.0 * t) * std::sin(2.0 * kPi * 110.0 * t));
                    x[n] = std::clamp(x[n], float(-top), float(top));
                }
            });
            CHECK(tops.level_db ==
                  Approx(full_scale ? 0.0 : 20.0 * std::log10(0.43)).epsilon(0).margin(0.01));
            CHECK(*tops.at_s == Approx(at_s).epsilon(0).margin(0.02)); // the first or the second wave
        }
    }
    const auto dc = found(FaultKind::dc, [&](auto& x) {
        for (auto n = x.size() - std::size_t(rate_hz); n < x.size(); ++n) x[n] += 0.01f;
    });
    CHECK(*dc.at_s == Approx(seconds - 1.0).epsilon(0).margin(0.2));
    CHECK(dc.level_db == Approx(-40.0).epsilon(0).margin(1.0));
    const auto hum = found(FaultKind::hum, [&](auto& x) {
        for (std::size_t n = 0; n < x.size(); ++n)
            x[n] += float(0.004 * std::sin(2.0 * kPi * 60.0 * double(n) / rate_hz) +
                          0.002 * std::sin(2.0 * kPi * 180.0 * double(n) / rate_hz));
    });
    CHECK(hum.hz == 60.0);
    CHECK(hum.level_db == Approx(10.0 * std::log10(1e-5)).epsilon(0).margin(0.5)); // (0.004^2 + 0.002^2) / 2
}

TEST_CASE("a quiet mic in a file of 16 bits stands still by itself, and is neither gapped nor clipped",
          "[analysis]") {
    const double rate_hz = GENERATE(44.1e3, 96e3), gain_db = GENERATE(-20.0, -26.0, -32.0, -38.0);
    auto x = drum_mic(rate_hz, 20.0, 80.0, 23); // noise at -75 dBFS, so 0.1 to 1.3 steps
    const double gain = std::pow(10.0, gain_db / 20.0);
    for (auto& v : x) v = float(std::round(double(v) * gain * 32'768.0) / 32'768.0);
    CAPTURE(rate_hz, gain_db);
    for (const auto& fault : faults_in(x, rate_hz))
        if (fault.kind != FaultKind::low_level) FAIL_CHECK(fault_name(fault.kind));
    // A gap right behind a stroke shows all the same, down to where the pauses are nothing but zeros.
    if (gain_db < -30.0) return;
    const auto loudest = std::max_element(x.begin(), x.end() - std::ptrdiff_t(0.3 * rate_hz));
    std::fill_n(loudest + std::ptrdiff_t(0.02 * rate_hz), std::size_t(0.15 * rate_hz), 0.0f);
    const auto faults = faults_in(x, rate_hz);
    REQUIRE(of_kind(faults, FaultKind::dropout) != nullptr);
    CHECK(of_kind(faults, FaultKind::dropout)->count == 1);
}

TEST_CASE("a mic that stops while the others go on", "[analysis]") {
    std::vector<MicMeasure> measures;
    for (unsigned seed = 31; seed < 34; ++seed)
        measures.push_back(measured(drum_mic(48e3, 12.0, 80.0, seed), 48e3));
    CHECK(early_ends(measures).empty());
    auto x = drum_mic(48e3, 12.0, 80.0, 34);
    SECTION("the cable fell out") {
        std::fill(x.begin() + std::ptrdiff_t(8.5 * 48e3), x.end(), 0.0f);
        measures.push_back(measured(x, 48e3));
        const auto faults = early_ends(measures);
        REQUIRE(faults.size() == 1);
        CHECK(faults[0].mic == 3);
        CHECK(*faults[0].at_s == Approx(8.5).epsilon(0).margin(0.002));
        CHECK(faults[0].seconds == Approx(3.5).epsilon(0).margin(0.002));
    }
    SECTION("a tom that was cut to its one fill is no fault") {
        std::fill(x.begin(), x.begin() + std::ptrdiff_t(3.0 * 48e3), 0.0f);
        std::fill(x.begin() + std::ptrdiff_t(5.0 * 48e3), x.end(), 0.0f);
        measures.push_back(measured(x, 48e3));
        CHECK(early_ends(measures).empty());
    }
    SECTION("a shorter file is told as such elsewhere") {
        x.resize(std::size_t(8.5 * 48e3));
        measures.push_back(measured(x, 48e3));
        CHECK(early_ends(measures).empty());
    }
}

TEST_CASE("one signal on two inputs, also at another gain and upside down", "[analysis]") {
    const auto a = drum_mic(48e3, 6.0, 80.0, 1), other = drum_mic(48e3, 6.0, 80.0, 2);
    auto copy = a;
    const float gain = GENERATE(1.0f, -0.4f);
    for (auto& v : copy) v *= gain;
    std::vector<TakeMic> mics(3);
    const std::vector<MicMeasure> measures{measured(a, 48e3), measured(other, 48e3), measured(copy, 48e3)};
    const auto faults = identical_faults(take_of(48e3, mics, {a, other, copy}), measures);
    REQUIRE(faults.size() == 1);
    CHECK(faults[0].mic == 2);
    CHECK(faults[0].other == 0);
}

TEST_CASE("files that do not fit the others", "[analysis]") {
    std::vector<MicFile> files(5, {48e3, 480'000});
    CHECK(file_faults(files).empty());
    files[3].samples = 433'000; // 0.98 s short
    auto faults = file_faults(files);
    REQUIRE(faults.size() == 1);
    CHECK(faults[0].kind == FaultKind::length);
    CHECK(faults[0].mic == 3);
    CHECK(faults[0].seconds == Approx(-47'000 / 48e3).epsilon(0).margin(1e-9));
    files[3] = {44.1e3, 441'000}; // says so itself
    faults = file_faults(files);
    REQUIRE(faults.size() == 1);
    CHECK(faults[0].kind == FaultKind::rate);
    files[3] = {48e3, 441'000}; // recorded at 44.1 kHz, labelled 48 kHz: 9.1875 s instead of 10
    faults = file_faults(files);
    REQUIRE(faults.size() == 1);
    CHECK(faults[0].kind == FaultKind::rate);
}
