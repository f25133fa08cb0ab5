#include "dynamics/bus_compressor.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <random>

using namespace kitfold::dsp;

namespace {

struct Stereo {
    std::vector<float> left, right;
};

Stereo steady(double level_db, std::size_t frames) {
    const std::vector<float> x(frames, static_cast<float>(gain_from_db(level_db)));
    return {x, x};
}

/// Gain in dB that the compressor gives each sample of a steady level (no key filter: 0 Hz is heard).
std::vector<double> gain_db(BusCompressor& bus, const Stereo& in) {
    Stereo out = in;
    bus.process(in.left.data(), in.right.data(), in.left.data(), in.right.data(), out.left.data(),
                out.right.data(), in.left.size());
    std::vector<double> g(in.left.size());
    for (std::size_t n = 0; n < g.size(); ++n)
        g[n] = db_from_gain(static_cast<double>(out.left[n]) / in.left[n]);
    return g;
}

BusCompressor make(const BusSettings& s, double rate_hz = 48'000.0) {
    BusCompressor bus;
    REQUIRE(bus.prepare(rate_hz));
    REQUIRE(bus.set(s) == nullptr);
    return bus;
}

/// Giannoulis, Massberg and Reiss 2012, eq. 4, typed from the paper: output level for input level, both dB.
double paper_output(double x, double t, double r, double w) {
    if (2.0 * (x - t) < -w) return x;
    if (2.0 * std::abs(x - t) <= w && w > 0.0)
        return x + (1.0 / r - 1.0) * std::pow(x - t + w / 2.0, 2.0) / (2.0 * w);
    return t + (x - t) / r;
}

} // namespace

TEST_CASE("bus: static curve is equation 4 within 0.05 dB", "[dynamics]") {
    const double ratio = GENERATE(1.0, 2.0, 4.0, 20.0, kLimitRatio), knee = GENERATE(0.0, 6.0, 24.0);
    for (double level = -60.0; level <= 6.0; level += 3.1) {
        auto bus = make(
            {.threshold_db = -18, .ratio = ratio, .knee_db = knee, .attack_ms = 0.05, .key_high_pass_hz = 0});
        const double g = gain_db(bus, steady(level, 2400)).back();
        INFO("level " << level << " ratio " << ratio << " knee " << knee);
        CHECK(level + g == Approx(paper_output(level, -18.0, ratio, knee)).epsilon(0).margin(0.05));
    }
}

TEST_CASE("bus: time constants are 1 - 1/e within 2 %", "[dynamics]") {
    const double rate_hz = GENERATE(44'100.0, 192'000.0), attack_ms = GENERATE(0.5, 30.0, 200.0),
                 release_ms = GENERATE(100.0, 3000.0);
    auto bus = make({.threshold_db = -30,
                     .ratio = kLimitRatio,
                     .knee_db = 0,
                     .attack_ms = attack_ms,
                     .release_ms = release_ms,
                     .key_high_pass_hz = 0},
                    rate_hz);
    // samples until the gain passes `target`, between two samples if need be
    const auto reaches = [](const std::vector<double>& g, double target, bool falling) {
        std::size_t n = 1;
        while (n + 1 < g.size() && (falling ? g[n] > target : g[n] < target)) ++n;
        return static_cast<double>(n) + (target - g[n - 1]) / (g[n] - g[n - 1]);
    };
    const double full = -20.0; // -10 dBFS over a limit at -30
    const auto down =
        gain_db(bus, steady(-10.0, static_cast<std::size_t>(rate_hz * attack_ms / 1000.0 * 12.0)));
    CHECK(reaches(down, full * (1.0 - std::exp(-1.0)), true) / rate_hz * 1000.0 ==
          Approx(attack_ms).epsilon(0.02));
    if (attack_ms > 0.5) return; // the release is seen alone when the attack filter after it is quick
    const auto up =
        gain_db(bus, steady(-90.0, static_cast<std::size_t>(rate_hz * release_ms / 1000.0 * 3.0)));
    CHECK(reaches(up, full * std::exp(-1.0), false) / rate_hz * 1000.0 ==
          Approx(release_ms + attack_ms).epsilon(0.02));
}

TEST_CASE("bus: programme release is quick after a hit and slow after a loud passage", "[dynamics]") {
    const auto gives_back_half = [](double loud_s) {
        auto bus = make({.threshold_db = -30,
                         .ratio = kLimitRatio,
                         .knee_db = 0,
                         .attack_ms = 1,
                         .release_ms = kProgrammeRelease,
                         .key_high_pass_hz = 0});
        gain_db(bus, steady(-10.0, static_cast<std::size_t>(48'000.0 * loud_s)));
        const auto up = gain_db(bus, steady(-90.0, 96'000));
        return static_cast<double>(std::find_if(up.begin(), up.end(), [](double x) { return x > -10.0; }) -
                                   up.begin()) /
               48.0;
    };
    CHECK(gives_back_half(0.01) < 60.0); // ms: ln 2 of 60 ms, and the attack
    CHECK(gives_back_half(3.0) > 700.0); // ms: ln 2 of 1.2 s
}

TEST_CASE("bus: linked key, key high-pass, side-chain, blend and makeup", "[dynamics]") {
    SECTION("both channels get the gain of the louder one") {
        auto bus = make({.threshold_db = -30, .attack_ms = 0.05, .key_high_pass_hz = 0});
        std::vector<float> loud(4800, 0.5f), soft(4800, 0.001f), l(4800), r(4800);
        bus.process(loud.data(), soft.data(), loud.data(), soft.data(), l.data(), r.data(), 4800);
        CHECK(l.back() / 0.5f == Approx(r.back() / 0.001f).epsilon(1e-5));
        CHECK(l.back() < 0.2f);
    }
    SECTION("a 40 Hz kick does not pump through a 200 Hz key high-pass") {
        auto bus = make({.threshold_db = -40, .ratio = 10, .attack_ms = 1, .key_high_pass_hz = 200});
        std::vector<float> kick(48'000), out(48'000);
        for (std::size_t n = 0; n < kick.size(); ++n)
            kick[n] = static_cast<float>(0.25 * std::sin(2.0 * M_PI * 40.0 / 48'000.0 * double(n)));
        bus.process(kick.data(), kick.data(), kick.data(), kick.data(), out.data(), out.data(), out.size());
        CHECK(bus.reduction_db() < 1.0); // Butterworth: 28 dB down at 40 Hz, about -40 dBFS
    }
    SECTION("a silent side-chain leaves the signal alone, blend and makeup do what they say") {
        auto bus = make({.threshold_db = -40, .ratio = 10, .makeup_db = 6, .blend = 0.25});
        std::vector<float> x(1000, 0.5f), silent(1000, 0.0f), out(1000);
        bus.process(x.data(), x.data(), silent.data(), silent.data(), out.data(), out.data(), 1000);
        CHECK(out.back() == Approx(0.5 * (0.75 + 0.25 * 1.9953)).epsilon(1e-4)); // 10^(6/20) = 1.9953
    }
}

TEST_CASE("bus: properties", "[dynamics]") {
    std::mt19937 random(5);
    std::vector<float> l(9600), r(9600);
    for (auto* x : {&l, &r})
        for (auto& v : *x) v = static_cast<float>(static_cast<double>(random()) / 4294967296.0 - 0.5);
    SECTION("silence stays silence; NaN does not stay") {
        auto bus = make({});
        std::vector<float> zero(512, 0.0f), out = zero;
        bus.process(zero.data(), zero.data(), zero.data(), zero.data(), out.data(), out.data(), 512);
        CHECK(out == zero);
        auto broken = l;
        broken[3] = std::nanf("");
        bus.process(broken.data(), r.data(), broken.data(), r.data(), out.data(), out.data(), 512);
        CHECK(std::isfinite(bus.reduction_db()));
        CHECK(std::all_of(out.begin(), out.end(), [](float x) { return std::isfinite(x); }));
    }
    SECTION("any block size, moving settings, no heap, no lock") {
        auto a = make({}), b = make({});
        auto al = l, ar = r, bl = l, br = r;
        const auto play = [](BusCompressor& bus, std::vector<float>& x, std::vector<float>& y,
                             std::size_t from, std::size_t to, std::size_t size) {
            for (std::size_t at = from; at < to; at += size) {
                const auto n = std::min(size, to - at);
                bus.process(&x[at], &y[at], &x[at], &y[at], &x[at], &y[at], n);
            }
        };
        const RealTimeGuard guard;
        play(a, al, ar, 0, 1000, 1000), play(b, bl, br, 0, 1000, 13);
        for (auto* bus : {&a, &b})
            (void)bus->set({.threshold_db = -40,
                            .ratio = kLimitRatio,
                            .key_high_pass_hz = 0,
                            .makeup_db = 12,
                            .blend = 0.5});
        play(a, al, ar, 1000, 9600, 8600), play(b, bl, br, 1000, 9600, 129);
        const int calls = guard.calls();
        CHECK(calls == 0);
        CHECK(al == bl);
        CHECK(ar == br);
    }
}
