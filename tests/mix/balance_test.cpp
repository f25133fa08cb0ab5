// Levels from strokes: small kits by hand, and a drum's loudness in the sum by the definition.
#include "core/units.h"
#include "mix/balance.h"
#include "synth/random.h"
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::dsp;

namespace {

constexpr double kMargin_db = 0.01;

StrokePower strokes(Drum drum, std::vector<double> power) { return {drum, 8, std::move(power)}; }

BalanceMic mic(Role role) { return {role, {1.0, 0.0}, {}}; }

/// Loudness re the snare, with the levels of a solution.
double got_db(const MeasuredBalance& measured, const Balance& solved, Drum drum) {
    std::vector<StereoGain> gains;
    for (const auto& m : solved.mics) gains.push_back({gain_from_db(m.level_db), 0.0});
    return stroke_lufs(*measured.of(drum), gains) - stroke_lufs(*measured.of(Drum::snare), gains);
}

/// Kick and snare in mics of their own, and a crash in the overhead, which hears the skins at `skins`.
MeasuredBalance with_overhead(double skins, double crash) {
    return {3,
            {strokes(Drum::kick, {0.1, 0, 0, 0, 0, 0, 0, 0, skins}),
             strokes(Drum::snare, {0, 0, 0, 0, 0.1, 0, 0, 0, skins}),
             strokes(Drum::cymbals, {0, 0, 0, 0, 0, 0, 0, 0, crash})}};
}
const std::vector<BalanceMic> kThree{mic(Role::kick_in), mic(Role::snare_top), mic(Role::overhead_mono)};

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

TEST_CASE("what mono costs a drum, and where a pair places it, by the definition", "[balance]") {
    const std::vector<StereoGain> sides{{1.0, 0.0}, {0.0, 1.0}};
    CHECK(stroke_mono_loss_db(strokes(Drum::snare, {1, 1, 1, 1}), sides) == Approx(0.0).margin(1e-9));
    CHECK(stroke_mono_loss_db(strokes(Drum::snare, {1, 0, 0, 1}), sides) ==
          Approx(10.0 * std::log10(2.0)).margin(1e-9)); // nothing in common: 3.01 dB
    CHECK(std::isinf(stroke_mono_loss_db(strokes(Drum::snare, {1, -1, -1, 1}), sides)));
    const std::size_t both[] = {0, 1};
    for (const double pan : {-0.8, 0.0, 0.35}) { // a pair that hears it as pan_gain() would have placed it
        const auto gain = pan_gain(pan, PanLaw::db_3);
        const auto heard = strokes(Drum::rack_tom, {gain.left * gain.left, 0, 0, gain.right * gain.right});
        CHECK(*stroke_pan(heard, sides, both, PanLaw::db_3) == Approx(pan).margin(1e-6));
    }
}

TEST_CASE("two drums that don't leak are set as far apart as the target wants", "[balance]") {
    // kick 20 dB hotter than the snare; target: even. The two mics stay at 0 dB on the mean
    MeasuredBalance measured{2,
                             {strokes(Drum::kick, {0.1, 0, 0, 0}), strokes(Drum::snare, {0, 0, 0, 0.001})}};
    const std::vector<BalanceMic> mics{mic(Role::kick_in), mic(Role::snare_top)};
    const auto even = solve_balance(measured, mics, {});
    CHECK(even.mics[0].level_db == Approx(-10.0).margin(kMargin_db));
    CHECK(even.mics[1].level_db == Approx(10.0).margin(kMargin_db));
    BalanceSettings kick_down;
    kick_down.kick_db = -3.0;
    const auto down = solve_balance(measured, mics, kick_down);
    CHECK(down.mics[1].level_db - down.mics[0].level_db == Approx(23.0).margin(kMargin_db));
}

TEST_CASE("drums that leak into each other's mics come to their parts together", "[balance]") {
    // each hears the other 6 dB down, apart in phase: powers add
    MeasuredBalance measured{
        2, {strokes(Drum::kick, {0.4, 0, 0, 0.025}), strokes(Drum::snare, {0.1, 0, 0, 0.1})}};
    const auto solved = solve_balance(measured, std::vector{mic(Role::kick_in), mic(Role::snare_top)}, {});
    CHECK(got_db(measured, solved, Drum::kick) == Approx(0.0).margin(kMargin_db));
}

TEST_CASE("an overhead brings the drum that has no mic to its part, and close mics the rest", "[balance]") {
    const auto measured = with_overhead(0.01, 0.05);
    BalanceSettings target;
    const auto solved = solve_balance(measured, kThree, target);
    CHECK(got_db(measured, solved, Drum::kick) == Approx(0.0).margin(kMargin_db));
    CHECK(got_db(measured, solved, Drum::cymbals) == Approx(target.cymbals_db).margin(0.06)); // in 0.1 dB
}

TEST_CASE("an overhead that drowns the skins makes way, by 6 dB at most", "[balance]") {
    // the kick alone is as loud in the overhead as the crash, which wants to be even with it
    BalanceSettings target;
    target.cymbals_db = 0.0;
    auto measured = with_overhead(0.0, 0.05);
    measured.drums[0].power[8] = 0.05;
    const auto solved = solve_balance(measured, kThree, target);
    CHECK(got_db(measured, solved, Drum::kick) <= 0.5 + kMargin_db);
    CHECK(got_db(measured, solved, Drum::cymbals) < 0.0);
    CHECK(got_db(measured, solved, Drum::cymbals) >= -kMakeWay_db - 0.1);
}

TEST_CASE("overheads are raised over their bed by 6 dB at most, however soft the cymbals are", "[balance]") {
    BalanceSettings target; // both skins bring 0.1 in their own mics, a tenth of it in the overhead
    const auto solved = solve_balance(with_overhead(0.01, 1e-6), kThree, target);
    const double bed_db = target.overheads_db - 10.0 * std::log10(0.01 / 0.1);
    const double raised_db = solved.mics[2].level_db - bed_db;
    CHECK(raised_db == Approx(6.0).margin(kMargin_db));
    CHECK(got_db(with_overhead(0.01, 1e-6), solved, Drum::cymbals) < target.cymbals_db);
}

TEST_CASE("cymbals that are struck as often as a hi-hat are wanted as loud as one", "[balance]") {
    const std::vector<float> noise = [] {
        std::vector<float> x(48'000 * 20);
        WhiteNoise white(1);
        for (auto& v : x) v = 0.01f * float(white.next());
        return x;
    }();
    const auto take = take_of(48'000.0, {{"OH", Role::overhead_mono}}, {noise});
    const auto struck = [&](double every_s, double accent_every_s) {
        std::vector<Hit> hits;
        for (double t = 1.0; t < 19.0; t += every_s) {
            const bool accent = std::fmod(t - 1.0, accent_every_s) < 1e-6;
            hits.push_back({t, Drum::cymbals, accent ? -10.0 : -30.0});
        }
        const auto measured = measure_balance(take, hits, std::vector<MicStrip>(1));
        return wanted_db({}, *measured.of(Drum::cymbals));
    };
    CHECK(struck(0.25, 100.0) == BalanceSettings{}.hihat_db);
    CHECK(struck(2.0, 100.0) == BalanceSettings{}.cymbals_db);
    CHECK(struck(0.25, 2.0) == BalanceSettings{}.cymbals_db); // the crashes among them are heard
}

TEST_CASE("a level that a person has fixed stays, and the others meet it", "[balance]") {
    MeasuredBalance measured{2,
                             {strokes(Drum::kick, {0.1, 0, 0, 0}), strokes(Drum::snare, {0, 0, 0, 0.001})}};
    std::vector<BalanceMic> mics{mic(Role::kick_in), mic(Role::snare_top)};
    mics[0].fixed_db = -20.0, mics[0].anchors = true;
    const auto solved = solve_balance(measured, mics, {});
    CHECK(solved.anchored);
    CHECK_FALSE(solved.mics[0].placed);
    CHECK(solved.mics[0].level_db == -20.0);
    CHECK(solved.mics[1].level_db == Approx(0.0).margin(kMargin_db));
}

TEST_CASE("no mic goes farther than the bounds, and the one at its bound says so", "[balance]") {
    MeasuredBalance measured{4,
                             {strokes(Drum::kick, {0.1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}),
                              strokes(Drum::snare, {0, 0, 0, 0, 0, 0.1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}),
                              strokes(Drum::rack_tom, {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1e-5, 0, 0, 0, 0, 0}),
                              strokes(Drum::hihat, {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1e3})}};
    const std::vector<BalanceMic> mics{mic(Role::kick_in), mic(Role::snare_top), mic(Role::rack_tom),
                                       mic(Role::hihat)};
    const auto solved = solve_balance(measured, mics, {});
    CHECK(solved.mics[2].level_db == kMostUp_db);
    CHECK(solved.mics[2].bound == BalanceBound::up);
    CHECK(solved.mics[3].level_db == -kMostDown_db);
    CHECK(solved.mics[3].bound == BalanceBound::down);
    CHECK(solved.mics[0].bound == BalanceBound::none);
}
