#include "filters/kick_conditioner.h"
#include <catch2/catch.hpp>
#include <vector>

using namespace kitfold::dsp;

namespace {

std::vector<float> impulse_response(const KickSettings& settings, double rate_hz, std::size_t length) {
    KickConditioner<double> kick;
    REQUIRE(kick.prepare(rate_hz));
    REQUIRE(kick.set(settings) == nullptr);
    std::vector<float> x(length, 0.0f);
    x[0] = 1.0f;
    kick.process(x.data(), x.data(), length);
    return x;
}

KickSettings neutral() {
    KickSettings s;
    s.high_pass_slope = Slope::off, s.shelf_db = 0, s.box_db = 0, s.bleed_cut_slope = Slope::off;
    return s;
}

double response_db(const std::vector<float>& h, double hz, double rate_hz) {
    std::complex<double> sum = 0.0;
    for (std::size_t n = 0; n < h.size(); ++n)
        sum +=
            static_cast<double>(h[n]) * std::polar(1.0, -2.0 * M_PI * hz / rate_hz * static_cast<double>(n));
    return db_from_gain(std::abs(sum));
}

} // namespace

TEST_CASE("kick high-pass: corner, slope and section Qs of the handbook", "[filters]") {
    const double rate_hz = GENERATE(44'100.0, 48'000.0, 96'000.0, 192'000.0);
    const auto slope = GENERATE(Slope::db_6, Slope::db_12, Slope::db_18, Slope::db_24);
    auto s = neutral();
    s.high_pass_hz = 100.0, s.high_pass_slope = slope;
    const auto h = impulse_response(s, rate_hz, static_cast<std::size_t>(rate_hz / 2));
    CHECK(response_db(h, 100.0, rate_hz) == Approx(-3.0103).epsilon(0).margin(0.002));
    // Butterworth magnitude, |H|^2 = 1 / (1 + (corner / f)^(2 order)), at 20 and 10 Hz; bilinear warping is
    // nil there
    for (const double hz : {10.0, 20.0})
        CHECK(response_db(h, hz, rate_hz) ==
              Approx(-10.0 * std::log10(1.0 + std::pow(100.0 / hz, number_of(slope) / 3.0)))
                  .epsilon(0)
                  .margin(0.02));
}

TEST_CASE("kick lanes equal the scalar", "[filters]") {
    using Batch = xsimd::batch<double, xsimd::sse2>;
    KickConditioner<Batch> lanes;
    KickConditioner<double> scalar;
    REQUIRE(lanes.prepare(48'000.0));
    REQUIRE(scalar.prepare(48'000.0));
    KickSettings a, b;
    b.box_db = -6.0, b.bleed_cut_slope = Slope::db_24, b.bleed_cut_hz = 3000.0;
    REQUIRE(lanes.set(a, 0) == nullptr);
    REQUIRE(lanes.set(b, 1) == nullptr);
    REQUIRE(scalar.set(b) == nullptr);
    std::vector<float> x(4800), y(9600);
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = y[2 * n] = y[2 * n + 1] = static_cast<float>(std::sin(0.01 * double(n * n)));
    lanes.process(y.data(), y.data(), x.size());
    scalar.process(x.data(), x.data(), x.size());
    for (std::size_t n = 0; n < x.size(); ++n) REQUIRE(x[n] == y[2 * n + 1]);
}

TEST_CASE("kick: six sections in lanes of which half have a mic equal the scalar, whatever the block size",
          "[filters]") {
    using Batch = xsimd::batch<double, xsimd::sse2>;
    KickConditioner<Batch, 3> lanes; // in a buffer of three samples a frame
    KickConditioner<double> scalar;
    REQUIRE((lanes.prepare(48'000.0) && scalar.prepare(48'000.0)));
    KickSettings s{.box_db = -6.0, .bleed_cut_hz = 3000.0, .bleed_cut_slope = Slope::db_24};
    std::vector<float> x(9'000), y(3 * x.size());
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = y[3 * n] = static_cast<float>(std::sin(0.01 * double(n * n)));
    for (std::size_t at = 0, size = 1; at < x.size(); at += size, size = size % 157 + 1) {
        size = std::min(size, x.size() - at);
        if (at > 4'000) s.shelf_db = 3.0; // settings move for a while
        REQUIRE((lanes.set(s, 0) == nullptr && scalar.set(s) == nullptr));
        lanes.process(&y[3 * at], &y[3 * at], size, 1);
        scalar.process(&x[at], &x[at], size);
    }
    for (std::size_t n = 0; n < x.size(); ++n) REQUIRE(y[3 * n] == x[n]);
}
