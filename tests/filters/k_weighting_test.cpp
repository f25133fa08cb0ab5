// K weighting against the table of ITU-R BS.1770-4, annex 1 (tables 1 and 2, 48 kHz). Against libebur128 at
// other rates: tests/offline/meters_test.cpp.
#include "filters/k_weighting.h"
#include <catch2/catch.hpp>
#include <limits>
#include <numbers>
#include <vector>

using namespace kitfold::dsp;

namespace {

struct Biquad {
    double b0, b1, b2, a1, a2;
    [[nodiscard]] double db(double hz) const {
        const auto z = std::polar(1.0, -2.0 * std::numbers::pi * hz / 48'000.0);
        return 20.0 * std::log10(std::abs((b0 + z * (b1 + z * b2)) / (1.0 + z * (a1 + z * a2))));
    }
};
constexpr Biquad kHead{1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241,
                       0.73248077421585};
constexpr Biquad kLowCut{1.0, -2.0, 1.0, -1.99004745483398, 0.99007225036621};

double db(std::complex<double> response) { return 20.0 * std::log10(std::abs(response)); }

} // namespace

TEST_CASE("K weighting has the response of the standard's table", "[filters]") {
    const auto design = KWeightingDesign::make(48'000.0);
    for (double hz = 10.0; hz < 23'000.0; hz *= 1.1) { // the table has 15 digits
        CHECK(db(design.head.response(hz, 48'000.0)) == Approx(kHead.db(hz)).epsilon(0).margin(1e-6));
        CHECK(db(design.low_cut.response(hz, 48'000.0)) == Approx(kLowCut.db(hz)).epsilon(0).margin(1e-6));
    }
}

TEST_CASE("K weighting of two lanes is that of each, whole or in parts, and forgets what is no number",
          "[filters]") {
    using Pair = xsimd::make_sized_batch_t<double, 2>;
    std::vector<float> left(4'000), right(4'000), both(8'000);
    for (std::size_t n = 0; n < left.size(); ++n) {
        left[n] = static_cast<float>((n * 7'919) % 1'000) / 1'000.0f - 0.5f;
        right[n] = n % 500 == 0 ? 1.0f : 0.0f;
        if (n == 2'000) left[n] = 0.0f;
        both[2 * n] = left[n], both[2 * n + 1] = right[n];
    }
    both[4'000] = std::numeric_limits<float>::quiet_NaN(); // left[2000]
    KWeighting<double> one(48'000.0), other(48'000.0), in_parts(48'000.0);
    KWeighting<Pair> pair(48'000.0), pair_power(48'000.0);
    std::vector<float> left_out(4'000), right_out(4'000), both_out(8'000);
    one.process(left.data(), left_out.data(), 4'000), other.process(right.data(), right_out.data(), 4'000);
    for (std::size_t n = 0; n < 4'000; n += 250) pair.process(&both[2 * n], &both_out[2 * n], 250);
    for (std::size_t n = 0; n < 4'000; ++n)
        REQUIRE((both_out[2 * n] == left_out[n] && both_out[2 * n + 1] == right_out[n]));
    PerLane<Pair> power;
    PerLane<double> left_power;
    pair_power.add_power(both.data(), 4'000, power);
    in_parts.add_power(left.data(), 1, left_power), in_parts.add_power(left.data() + 1, 3'999, left_power);
    CHECK(power[0] == left_power[0]);
    CHECK(left_power[0] > 100.0);
}
