#include "synth/drum_voice.h"
#include "synth/membrane.h"
#include "synth/modal_bank.h"
#include <array>
#include <catch2/catch.hpp>

using namespace kitfold::dsp;

namespace {
Approx about(double value, double margin) { return Approx(value).epsilon(0).margin(margin); }
} // namespace

TEST_CASE("zeros of the Bessel functions", "[synth]") {
    // Abramowitz and Stegun, Handbook of Mathematical Functions, table 9.5
    struct Row {
        int m, n;
        double zero;
    };
    for (const auto& row : {Row{0, 1, 2.4048255577}, Row{0, 2, 5.5200781103}, Row{0, 3, 8.6537279129},
                            Row{1, 1, 3.83171}, Row{1, 2, 7.01559}, Row{2, 1, 5.13562}, Row{2, 2, 8.41724},
                            Row{3, 1, 6.38016}, Row{4, 1, 7.58834}, Row{5, 1, 8.77148}})
        CHECK(bessel_zero(row.m, row.n) == about(row.zero, 6e-6));
}

TEST_CASE("ratios of the ideal membrane", "[synth]") {
    // From the same zeros; as tabled in any book on drums
    constexpr std::array kRatios{1.0, 1.593, 2.136, 2.295, 2.653, 2.917, 3.155, 3.500, 3.598};
    const auto modes = ideal_membrane(kRatios.size());
    REQUIRE(modes.size() == kRatios.size());
    for (std::size_t k = 0; k < modes.size(); ++k) CHECK(modes[k].ratio == about(kRatios[k], 6e-4));
    CHECK((modes[3].m == 0 && modes[3].n == 2)); // the second ring mode comes fourth
}

TEST_CASE("a centre stroke leaves modes with nodal diameters alone", "[synth]") {
    for (const auto& mode : ideal_membrane(9)) {
        if (mode.m == 0)
            CHECK(mode_shape(mode, 0.0, 0.0) > 1.0);
        else
            CHECK(mode_shape(mode, 0.0, 0.0) == 0.0);
        CHECK(mode_shape(mode, 1.0, 0.3) == about(0.0, 1e-9)); // the rim does not move
    }
}

TEST_CASE("a mode is exp(-alpha t) sin(omega t) from between samples on", "[synth]") {
    const double rate_hz = GENERATE(44'100.0, 96'000.0), hz = 55.0, ring_ms = 600.0, since_s = 0.4 / rate_hz;
    ModalBank<double> bank(rate_hz, {{hz, alpha_from_ring_ms(ring_ms)}});
    bank.strike(std::array{0.5}, since_s);
    std::vector<float> out(static_cast<std::size_t>(rate_hz), 0.0f);
    for (std::size_t at = 0; at < out.size(); at += 32)
        bank.run(std::span(out).subspan(at, std::min<std::size_t>(32, out.size() - at)));
    for (std::size_t n = 0; n < out.size(); n += 37) {
        const double t = static_cast<double>(n) / rate_hz + since_s;
        const double expected =
            0.5 * std::pow(10.0, -3.0 * t / (1e-3 * ring_ms)) * std::sin(2.0 * M_PI * hz * t);
        CHECK(out[n] == about(expected, 1e-7)); // float output: half a step at 0.5 is 3e-8
    }
}

TEST_CASE("a push leaves each mode what a half sine's spectrum has there", "[synth]") {
    constexpr double kContactMs = 2.0;
    const double hz = GENERATE(60.0, 200.0, 410.0, 900.0), rate_hz = GENERATE(44'100.0, 96'000.0);
    SignalModel model;
    model.pushed = true, model.push_spread = 0.0, model.contact_ms = kContactMs;
    VoicedMode mode;
    mode.mode = {hz, 1e-3};
    mode.head = MembraneMode{0, 1, 2.4048, 1.0};
    model.modes.push_back(mode);
    const std::array strokes{Stroke{0.1, Drum::snare, 0.0, 0.0, 0.0, false}};
    SurfaceVoice voice(model, rate_hz, strokes, 1);
    std::vector<float> out(static_cast<std::size_t>(rate_hz));
    REQUIRE(voice.render(out));
    double re = 0.0, im = 0.0; // over half a second: whole cycles of every frequency above
    const auto from = static_cast<std::size_t>(0.3 * rate_hz),
               count = static_cast<std::size_t>(0.5 * rate_hz);
    for (std::size_t n = from; n < from + count; ++n) {
        const double angle = 2.0 * M_PI * hz * static_cast<double>(n) / rate_hz;
        re += static_cast<double>(out[n]) * std::cos(angle),
            im += static_cast<double>(out[n]) * std::sin(angle);
    }
    const double amplitude = 2.0 * std::hypot(re, im) / static_cast<double>(count);
    // Fourier transform of a half sine of length T, 1 at 0 Hz: cos(pi f T) / (1 - (2 f T)^2)
    const double x = hz * 1e-3 * kContactMs, spectrum = std::abs(std::cos(M_PI * x) / (1.0 - 4.0 * x * x));
    const double blow = mode_shape(*mode.head, 0.0, 0.0);
    CHECK(amplitude ==
          about(blow * spectrum, 0.004 * blow)); // 24 steps: pi^2 / (24 * 24) of what the ends would add
}
