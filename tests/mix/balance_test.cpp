// Levels from strokes: two mics by hand, and a drum's loudness in the sum by the definition.
#include "core/units.h"
#include "mix/balance.h"
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::dsp;

namespace {

constexpr double kMargin_db =
    0.2; // levels come in 0.1 dB, and the mild pull to their start costs some hundredths

StrokePower strokes(Drum drum, std::vector<double> power) { return {drum, 8, std::move(power)}; }

BalanceMic mic(Role role) { return {role, {1.0, 0.0}, {}}; }

} // namespace

TEST_CASE("loudness of strokes is that of the sum, cross powers included", "[balance]") {
    // two mics with the same signal of power 0.01: 6.02 dB more together; turned over they cancel
    const auto same = strokes(Drum::kick, {0.01, 0.01, 0.01, 0.01});
    const std::vector<StereoGain> one{{1.0, 0.0}, {}}, both{{1.0, 0.0}, {1.0, 0.0}};
    CHECK(stroke_lufs(same, one) == Approx(-0.691 - 20.0).margin(1e-9));
    CHECK(stroke_lufs(same, both) == Approx(-0.691 - 20.0 + 20.0 * std::log10(2.0)).margin(1e-9));
    const auto turned = strokes(Drum::kick, {0.01, -0.01, -0.01, 0.01});
    CHECK(std::isinf(stroke_lufs(turned, both)));
    const auto shares = stroke_shares(same, both);
    CHECK(shares[0] == Approx(0.5).margin(1e-12));
    CHECK(shares[1] == Approx(0.5).margin(1e-12));
}

TEST_CASE("two drums that don't leak are set as far apart as the target wants", "[balance]") {
    // kick 20 dB hotter than the snare; target: even. Each alone in its mic, so levels differ by 20 dB
    MeasuredBalance measured{2,
                             {strokes(Drum::kick, {0.1, 0, 0, 0}), strokes(Drum::snare, {0, 0, 0, 0.001})}};
    const std::vector<BalanceMic> mics{mic(Role::kick_in), mic(Role::snare_top)};
    const auto even = solve_balance(measured, mics, {});
    CHECK(even.mics[1].level_db - even.mics[0].level_db == Approx(20.0).margin(kMargin_db));
    CHECK(even.mics[0].level_db == Approx(kStrokeLufs + 0.691 + 10.0).margin(kMargin_db));
    BalanceSettings kick_down;
    kick_down.kick_db = -3.0;
    const auto down = solve_balance(measured, mics, kick_down);
    CHECK(down.mics[1].level_db - down.mics[0].level_db == Approx(23.0).margin(kMargin_db));
}

TEST_CASE("a drum that overheads hear too is the sum of both", "[balance]") {
    // the snare is in its mic at 0.01 and alike, in step, in the overhead; the close mic has to bring the
    // rest: amplitudes add, so g_close + g_overhead is what the loudness wants
    MeasuredBalance measured{2, {strokes(Drum::snare, {0.01, 0.01, 0.01, 0.01})}};
    const std::vector<BalanceMic> mics{mic(Role::snare_top), mic(Role::overhead_mono)};
    const auto solved = solve_balance(measured, mics, {});
    const double sum = gain_from_db(solved.mics[0].level_db) + gain_from_db(solved.mics[1].level_db);
    CHECK(db_from_gain(sum) == Approx(kStrokeLufs + 0.691 + 20.0).margin(kMargin_db));
}

TEST_CASE("a level that is fixed stays, and the others meet it", "[balance]") {
    MeasuredBalance measured{2,
                             {strokes(Drum::kick, {0.1, 0, 0, 0}), strokes(Drum::snare, {0, 0, 0, 0.001})}};
    std::vector<BalanceMic> mics{mic(Role::kick_in), mic(Role::snare_top)};
    mics[0].fixed_db = -20.0;
    const auto solved = solve_balance(measured, mics, {});
    CHECK_FALSE(solved.mics[0].placed);
    CHECK(solved.mics[0].level_db == -20.0);
    // the whole is only mildly held where it was: the snare comes to the kick within 1 dB
    CHECK(solved.mics[1].level_db == Approx(0.0).margin(1.0));
}

TEST_CASE("a mic that was recorded too low stops at what a strip has, and says so", "[balance]") {
    MeasuredBalance measured{3,
                             {strokes(Drum::kick, {0.1, 0, 0, 0, 0, 0, 0, 0, 0}),
                              strokes(Drum::snare, {0, 0, 0, 0, 0.1, 0, 0, 0, 0}),
                              strokes(Drum::rack_tom, {0, 0, 0, 0, 0, 0, 0, 0, 1e-7})}};
    const std::vector<BalanceMic> mics{mic(Role::kick_in), mic(Role::snare_top), mic(Role::rack_tom)};
    const auto solved = solve_balance(measured, mics, {});
    CHECK(solved.mics[2].level_db == 12.0);
    CHECK(solved.mics[2].at_bound);
    CHECK_FALSE(solved.mics[0].at_bound);
}
