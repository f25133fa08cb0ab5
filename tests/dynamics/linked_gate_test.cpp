#include "dynamics/linked_gate.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>

using namespace kitfold::dsp;

namespace {

constexpr std::size_t kFrames = 9'600;
using Signal = std::vector<float>;

/// Silence, then a steady level from `from` on.
Signal step(std::size_t from, float level) {
    Signal x(kFrames, 0.0f);
    std::fill(x.begin() + static_cast<std::ptrdiff_t>(from), x.end(), level);
    return x;
}

struct Stereo {
    Signal left, right;
};

Stereo run(const GateSettings& settings, const Signal& left, const Signal& right, const Signal& key_left,
           const Signal& key_right) {
    LinkedGate gate;
    REQUIRE(gate.prepare(48'000.0));
    REQUIRE(gate.set(settings) == nullptr);
    Stereo out{Signal(kFrames), Signal(kFrames)};
    const float *in[] = {left.data(), right.data()}, *keys[] = {key_left.data(), key_right.data()};
    float* outs[] = {out.left.data(), out.right.data()};
    gate.process(in, keys, outs, kFrames);
    return out;
}

} // namespace

TEST_CASE("linked gate: either key opens both channels alike", "[dynamics]") {
    GateSettings settings;
    settings.threshold_db = -20, settings.range_db = -40, settings.attack_ms = 1;
    const Signal one(kFrames, 1.0f), quiet(kFrames, 0.0f), loud = step(4'000, 0.5f);
    const auto by_left = run(settings, one, one, loud, quiet),
               by_right = run(settings, one, one, quiet, loud);
    CHECK(by_left.left == by_left.right); // the image does not move
    CHECK(by_left.left == by_right.left);
    CHECK(by_left.left[3'999] == Approx(0.01).epsilon(0).margin(1e-6)); // range: 10^(-40/20)
    CHECK(by_left.left[4'000 + 48] == 1.0f);                            // 1 ms at 48 kHz
}

TEST_CASE("linked gate: one channel is the mono gate, two alike are that twice", "[dynamics]") {
    GateSettings settings;
    settings.threshold_db = -30, settings.lookahead_ms = 2, settings.key_high_pass_hz = 100;
    settings.key_listen = GENERATE(false, true);
    Signal in(kFrames);
    for (std::size_t n = 0; n < kFrames; ++n)
        in[n] = n % 3'000 < 600 ? static_cast<float>(std::sin(0.03 * static_cast<double>(n))) : 0.001f;
    Gate<float, double> mono;
    REQUIRE(mono.prepare(48'000.0));
    REQUIRE(mono.set(settings) == nullptr);
    Signal expected(kFrames);
    mono.process(in.data(), in.data(), expected.data(), kFrames);

    LinkedGate gate;
    REQUIRE(gate.prepare(48'000.0));
    REQUIRE(gate.set(settings) == nullptr);
    CHECK(gate.latency() == 96);
    Signal out(kFrames);
    const float* ins[] = {in.data()};
    float* outs[] = {out.data()};
    {
        const RealTimeGuard guard;
        gate.process(ins, ins, outs, kFrames);
        if (RealTimeGuard::counts()) CHECK(guard.calls() == 0);
    }
    CHECK(out == expected);
    const auto twice = run(settings, in, in, in, in);
    CHECK(twice.left == expected);
    CHECK(twice.right == expected);
}

TEST_CASE("linked gate: settings out of range and broken samples", "[dynamics]") {
    LinkedGate gate;
    CHECK_FALSE(gate.prepare(1'000.0));
    GateSettings settings;
    settings.attack_ms = -1;
    REQUIRE(gate.set(settings) != nullptr);
    CHECK(gate.set(settings)->key == "attack_ms");
    Signal broken = step(0, 0.5f);
    broken[100] = std::numeric_limits<float>::quiet_NaN(),
    broken[200] = std::numeric_limits<float>::infinity();
    const auto out = run(GateSettings{}, broken, broken, broken, broken);
    for (const float x : out.left) REQUIRE(std::isfinite(x));
}
