#include "core/units.h"
#include <catch2/catch.hpp>
#include <limits>

using namespace kitfold::dsp;

TEST_CASE("speed of sound", "[core]") {
    CHECK(speed_of_sound(0.0) == Approx(331.3).epsilon(0).margin(1e-9)); // the equation's own anchor
    CHECK(speed_of_sound(20.0) ==
          Approx(343.2).epsilon(0).margin(0.05)); // ISO 9613-1, reference value at 20 °C
    // 0.15 m is 0.44 ms at 20 °C (343.2 m/s)
    CHECK(ms_from_cm(15.0, 20.0) == Approx(0.437).epsilon(0).margin(0.0005));
    CHECK(cm_from_ms(ms_from_cm(80.0, 17.0), 17.0) == Approx(80.0).epsilon(1e-12));
}

TEST_CASE("decibels", "[core]") {
    CHECK(gain_from_db(-std::numeric_limits<double>::infinity()) == 0.0);
    CHECK(gain_from_db(6.0) == Approx(1.99526).epsilon(0).margin(5e-6)); // 10^(6/20), any table of logarithms
    CHECK(db_from_gain(0.5) == Approx(-6.0206).epsilon(0).margin(5e-5));
}
