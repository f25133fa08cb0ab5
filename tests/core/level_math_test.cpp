#include "core/level_math.h"
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::dsp;

TEST_CASE("level logarithm and exponential against the C library", "[core]") {
    double worst_log = 0.0, worst_exp = 0.0;
    for (double x = 1e-10; x < 1e4; x *= 1.00037)
        worst_log = std::max(worst_log, std::abs(level_log2(x) - std::log2(x)));
    for (double x = -40.0; x < 40.0; x += 0.00317)
        worst_exp = std::max(worst_exp, std::abs(level_exp2(x) / std::exp2(x) - 1.0));
    CHECK(worst_log < 1e-10);
    CHECK(worst_exp < 1e-9);
    CHECK(level_log2(1.0) == 0.0);
    CHECK(level_exp2(0.0) == 1.0);
    CHECK(level_exp2(-3.0) == 0.125);
}
