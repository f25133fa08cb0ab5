// Hits, pairs, bleed and image against the simulator's truth. `test_analysis "[.table]"` prints the error
// tables over more takes than the tests can afford.
#include "analysis/hard_take.h"
#include "pairs/fixes.h"
#include "simulated_take.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <complex>
#include <cstdio>
#include <numbers>
#include <random>

using namespace kitfold;
using namespace kitfold::dsp;
using test::SimulatedTake;

namespace {

SimulatorOptions options(std::uint64_t seed, int mics = 10, double tempo = 104.0) {
    SimulatorOptions o;
    o.seed = seed, o.mics = mics, o.tempo_bpm = tempo, o.seconds = 40.0;
    return o;
}

struct SumPower {
    double sum = 0.0, apart = 0.0;
};

/// Adds the power below 200 Hz of a + b and of both apart, b delayed by `delay_ms` and times `sign`: by a
/// plain Fourier sum on a grid that is finer than 1 / length, nothing of the analysis in it.
void add_low_power(SumPower& to, std::span<const float> a, std::span<const float> b, double rate_hz,
                   double delay_ms, double sign) {
    const double step_hz = 1.7;
    // boxcar first, then every thin-th sample
    const std::size_t thin = static_cast<std::size_t>(rate_hz / 2000.0);
    std::vector<double> x, y;
    for (std::size_t n = 0; n + thin <= a.size(); n += thin) {
        double p = 0.0, q = 0.0;
        for (std::size_t i = 0; i < thin; ++i) p += a[n + i], q += b[n + i];
        x.push_back(p), y.push_back(q);
    }
    const double thin_hz = rate_hz / static_cast<double>(thin);
    for (double hz = 20.0; hz < 200.0; hz += step_hz) {
        std::complex<double> fa = 0.0, fb = 0.0, phasor = 1.0;
        const auto turn = std::polar(1.0, -2.0 * std::numbers::pi * hz / thin_hz);
        for (std::size_t n = 0; n < x.size(); ++n, phasor *= turn) fa += x[n] * phasor, fb += y[n] * phasor;
        fb *= std::polar(sign, -2.0 * std::numbers::pi * hz * delay_ms / 1000.0);
        to.sum += std::norm(fa + fb), to.apart += std::norm(fa) + std::norm(fb);
    }
}

/// Level below 200 Hz of the sum of two mics re the power sum, around every stroke of the kick.
double low_gain_db(const SimulatedTake& t, std::size_t a, std::size_t b, double delay_ms, double sign) {
    SumPower power;
    const double rate_hz = t.take.rate_hz;
    const auto length = static_cast<std::size_t>(0.31 * rate_hz);
    for (const auto& h : t.true_hits) {
        const auto first = static_cast<std::size_t>(std::max(0.0, h.time_s - 0.01) * rate_hz);
        if (h.drum != Drum::kick || first + length > t.samples[a].size()) continue;
        const auto x = std::span<const float>(t.samples[a]).subspan(first, length),
                   y = std::span<const float>(t.samples[b]).subspan(first, length);
        add_low_power(power, x, y, rate_hz, delay_ms, sign);
    }
    return 10.0 * std::log10(power.sum / power.apart);
}

} // namespace

// Real drums decide (tests/real); here the floor is held: 2 % missed, 2 % wrong.
TEST_CASE("hits of drums with a mic: 98 % within 2 ms, 2 % wrong, over several takes", "[check]") {
    std::size_t strokes = 0, missed = 0, found = 0, wrong = 0;
    for (const auto& o :
         {options(21), options(22, 8, 126.0), options(23, 10, 92.0), options(24, 8), options(25, 8, 140.0)}) {
        const SimulatedTake t(o);
        for (std::size_t d = 0; d < kDrumCount; ++d) {
            if (!own_mic(t.take.mics, static_cast<Drum>(d))) continue;
            const auto s = test::score_hits(t, static_cast<Drum>(d));
            UNSCOPED_INFO("seed " << o.seed << " " << drum_name(static_cast<Drum>(d)) << ": " << s.missed
                                  << " of " << s.strokes << " missed, " << s.wrong << " wrong");
            CHECK(s.strokes > 0);
            strokes += s.strokes, missed += s.missed, found += s.found, wrong += s.wrong;
        }
    }
    INFO(missed << " of " << strokes << " missed, " << wrong << " of " << found << " wrong");
    CHECK(50 * missed <= strokes);
    CHECK(50 * wrong <= found);
}

TEST_CASE("a drum that nobody plays takes no strokes from the others", "[check]") {
    const auto left_out =
        GENERATE(as<std::vector<Drum>>{}, std::vector{Drum::rack_tom, Drum::floor_tom},
                 std::vector{Drum::rack_tom, Drum::floor_tom, Drum::cymbals}, std::vector{Drum::snare});
    auto o = options(27);
    for (const auto& s : perform(o.style, o.seconds, o.tempo_bpm, o.seed))
        if (std::find(left_out.begin(), left_out.end(), s.drum) == left_out.end()) o.strokes.push_back(s);
    const SimulatedTake t(o);
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        if (!own_mic(t.take.mics, static_cast<Drum>(d))) continue;
        const auto s = test::score_hits(t, static_cast<Drum>(d));
        INFO(drum_name(static_cast<Drum>(d)) << ": " << s.missed << " of " << s.strokes << " missed, "
                                             << s.wrong << " of " << s.found << " wrong");
        CHECK(s.missed <= 1 + s.strokes / 20);
        CHECK(s.wrong <= 1 + s.found / 20);
        if (std::find(left_out.begin(), left_out.end(), static_cast<Drum>(d)) != left_out.end())
            CHECK(s.found == 0);
    }
}

TEST_CASE("ghost notes 20 dB under the backbeat that still rings are found, each by a stroke of its own",
          "[check]") {
    SimulatorOptions o;
    o.seed = 26, o.seconds = 24.0;
    for (int i = 0; i < 30; ++i) {
        const double t = 1.0 + 0.7 * i;
        o.strokes.push_back({t, Drum::snare, -1.0});
        o.strokes.push_back({t + 0.105 + 0.003 * (i % 5), Drum::snare, -19.0 - i % 4});
        o.strokes.push_back({t + 0.35, i % 2 == 0 ? Drum::kick : Drum::hihat, -4.0});
    }
    const SimulatedTake t(o);
    const auto s = test::score_hits(t, Drum::snare);
    CHECK(s.strokes == 60);
    CHECK(s.missed == 0);
    CHECK(s.wrong == 0);
}

namespace {

/// Strokes of what has no mic, however they are called: all of one kind are one.
struct Unmiked {
    std::size_t strokes = 0, missed = 0; ///< of those that no other stroke covers, not within 10 ms
    std::size_t found = 0, wrong = 0;
};

Unmiked score_unmiked(const SimulatedTake& t, bool plates) {
    constexpr double kWithin_s = 0.010, kCovers_s = 0.030;
    const auto of_kind = [&](const Hit& h) {
        return !own_mic(t.take.mics, h.drum) && is_plate(h.drum) == plates;
    };
    const auto near = [&](const Hit& a, const Hit& b, double s) { return std::abs(a.time_s - b.time_s) < s; };
    const auto there = [&](const std::vector<Hit>& hits, const Hit& h) {
        return std::any_of(hits.begin(), hits.end(),
                           [&](const Hit& o) { return of_kind(o) && near(o, h, kWithin_s); });
    };
    Unmiked out;
    for (const auto& h : t.true_hits) {
        const auto covers = [&](const Hit& o) { return &o != &h && near(o, h, kCovers_s); };
        if (!of_kind(h) || std::any_of(t.true_hits.begin(), t.true_hits.end(), covers)) continue;
        ++out.strokes;
        out.missed += !there(t.found_hits, h);
    }
    for (const auto& h : t.found_hits)
        if (of_kind(h)) ++out.found, out.wrong += !there(t.true_hits, h);
    return out;
}

} // namespace

TEST_CASE(
    "hi-hat, ride and crash without a mic: what is named is a cymbal in 95 %, 40 % of what nothing covers is",
    "[check]") {
    Unmiked all;
    for (const auto& o : {options(21), options(22, 8, 126.0), options(23, 10, 92.0), options(24, 8)}) {
        const auto s = score_unmiked(SimulatedTake(o), true);
        UNSCOPED_INFO("seed " << o.seed << ": " << s.missed << " of " << s.strokes << " missed, " << s.wrong
                              << " of " << s.found << " wrong");
        all.strokes += s.strokes, all.missed += s.missed, all.found += s.found, all.wrong += s.wrong;
    }
    CHECK(all.strokes > 80);
    CHECK(10 * all.missed <= 6 * all.strokes);
    CHECK(20 * all.wrong <= all.found);
}

TEST_CASE("toms without a mic: what is named is a tom in 95 %, 60 % of what nothing covers is", "[check]") {
    const auto s = score_unmiked(SimulatedTake(options(631), test::MicList::four), false);
    INFO(s.missed << " of " << s.strokes << " missed, " << s.wrong << " of " << s.found << " wrong");
    CHECK(s.strokes > 20);
    CHECK(10 * s.missed <= 4 * s.strokes);
    CHECK(20 * s.wrong <= s.found);
}

// Takes in which a hi-hat once had another's name or was said to begin when the overheads hear it.
TEST_CASE("a hi-hat keeps its name and its moment in hard takes: 95 % found within 2 ms, 5 % wrong",
          "[check]") {
    auto o = options(600);
    o.seconds = 60.0;
    SECTION("10 dB more noise") { o.extra_noise_db = 10.0; }
    SECTION("drums with many modes") { o.traps.mode_rich = true; }
    SECTION("rolls and flams") { o.style = Style::hard_rolls; }
    const auto s = test::score_hits(SimulatedTake(o), Drum::hihat);
    INFO(s.missed << " of " << s.strokes << " missed, " << s.wrong << " of " << s.found << " wrong");
    CHECK(20 * s.missed <= s.strokes);
    CHECK(20 * s.wrong <= s.found);
}

TEST_CASE("snare and crash 2 dB louder in the tom mics than any tom are not taken for toms", "[check]") {
    const auto seed = GENERATE(std::uint64_t{322}, std::uint64_t{323}, std::uint64_t{331});
    const test::HardTake t(Style::hard_sparse_toms, seed, true);
    const auto found = t.found_hits();
    for (const Drum d : {Drum::kick, Drum::snare, Drum::rack_tom, Drum::floor_tom}) {
        const auto there = [&](const std::vector<Hit>& hits, double time_s) {
            return std::any_of(hits.begin(), hits.end(), [&](const Hit& h) {
                return h.drum == d && std::abs(h.time_s - time_s) < 0.01;
            });
        };
        std::size_t missed = 0, wrong = 0;
        for (const auto& h : t.hits) missed += h.drum == d && !there(found, h.time_s);
        for (const auto& h : found) wrong += h.drum == d && !there(t.hits, h.time_s);
        CAPTURE(seed, drum_name(d), missed, wrong);
        CHECK(missed == 0);
        CHECK(wrong <= 1);
    }
}

namespace {

struct PairScore {
    std::size_t pairs = 0, judged = 0, wrong = 0;
};

void add_pairs(PairScore& to, const SimulatedTake& t, const std::vector<Pair>& pairs) {
    const auto errors = test::pair_errors(t, pairs);
    for (std::size_t i = 0; i < errors.size(); ++i) {
        const auto& e = errors[i];
        CHECK(e.judged == pairs[i].why_not.empty());
        to.pairs += 1, to.judged += e.judged ? 1 : 0, to.wrong += e.judged && !e.right() ? 1 : 0;
        if (!e.judged || !e.right())
            UNSCOPED_INFO(e.what << (e.judged ? " wrong" : " open") << ": off by " << e.delay_ms << " ms"
                                 << (e.wrong_way_up ? ", wrong way up " : " ") << pairs[i].why_not);
    }
}

} // namespace

namespace {

test::HitScore score(const std::vector<SimulatorOptions>& takes, test::MicList list = test::MicList::all) {
    test::HitScore all;
    for (const auto& o : takes) {
        const auto s = test::score_close_mics(SimulatedTake(o, list));
        CHECK(s.strokes > 50);
        all.strokes += s.strokes, all.missed += s.missed, all.found += s.found, all.wrong += s.wrong;
    }
    return all;
}

SimulatorOptions at_rate(std::uint64_t seed, double rate_hz) {
    auto o = options(seed);
    o.rate_hz = rate_hz;
    return o;
}

} // namespace

TEST_CASE("hits of drums with a mic at other rates and with sixteen mics: 98 % found, 2 % wrong", "[check]") {
    test::HitScore s;
    SECTION("44.1 kHz") { s = score({at_rate(611, 44'100.0), at_rate(612, 44'100.0)}); }
    SECTION("96 kHz") { s = score({at_rate(621, 96'000.0), at_rate(622, 96'000.0)}); }
    SECTION("sixteen mics") { s = score({options(641), options(642)}, test::MicList::sixteen); }
    INFO(s.missed << " of " << s.strokes << " missed, " << s.wrong << " of " << s.found << " wrong");
    CHECK(50 * s.missed <= s.strokes);
    CHECK(50 * s.wrong <= s.found);
}

// Toms have no mic there, and some of their strokes are taken for kick or snare: 1 % wrong is not reached.
TEST_CASE("hits of kick and snare with four mics: 98 % found", "[check]") {
    const auto s = score({options(631), options(632), options(633)}, test::MicList::four);
    INFO(s.missed << " of " << s.strokes << " missed");
    CHECK(50 * s.missed <= s.strokes);
}

TEST_CASE("kick and snare where tom mics hear the snare louder than the toms: 98 % found, 2 % wrong",
          "[check]") {
    auto o = options(25);
    SECTION("few toms") { o.style = Style::hard_sparse_toms; }
    SECTION("rolls and flams") { o.style = Style::hard_rolls; }
    const SimulatedTake t(o);
    for (const Drum drum : {Drum::kick, Drum::snare}) {
        const auto s = test::score_hits(t, drum);
        INFO(drum_name(drum) << ": " << s.missed << " of " << s.strokes << " missed, " << s.wrong
                             << " wrong");
        CHECK(s.strokes > 30);
        CHECK(50 * s.missed <= s.strokes);
        CHECK(50 * s.wrong <= s.found);
    }
}

TEST_CASE("pairs of plain and of misleading takes: 98 % of what is judged is right, the rest says why not",
          "[check]") {
    PairScore plain, all;
    for (std::uint64_t seed = 431; seed < 443; ++seed) {
        auto o = options(seed);
        if (seed == 432) o.mics = 8;
        if (seed == 433) o.extra_noise_db = 10.0;
        if (seed == 434) o.rate_hz = 44'100.0;
        if (seed == 435) o.rate_hz = 96'000.0, o.seconds = 25.0;
        if (seed == 436) o.tone = Tone::deadened;
        o.traps.mode_rich = seed == 437;
        o.traps.shell_reflections = seed == 438;
        o.traps.opposite_heads = seed == 439;
        o.traps.hot_room = seed == 440;
        o.traps.hot_bleed = seed == 441;
        o.traps.spaced_overheads = seed == 442;
        const SimulatedTake t(o);
        const auto pairs = judge_pairs(t.take, t.found_hits).pairs;
        // Kick and snare: one pair of close mics and two mics at two overheads each; toms and hi-hat at two
        // overheads; the overheads themselves.
        CHECK(pairs.size() == (o.mics == 10 ? 5u + 5u + 3u * 2u + 1u : 5u + 5u + 2u * 2u + 1u));
        add_pairs(all, t, pairs);
        if (seed <= 436) add_pairs(plain, t, pairs);
    }
    CHECK(50 * all.wrong <= all.judged);
    CHECK(20 * plain.judged >= 17 * plain.pairs); // a tom that is struck twice in a take, say, is left open
}

namespace {

/// All mics as loud as recorded, in the middle.
KitSolution solved(const SimulatedTake& t, const PairFindings& findings) {
    return solve_kit(t.take, findings, std::vector<StereoGain>(t.take.mics.size(), {1.0, 1.0}));
}

} // namespace

TEST_CASE("mics upside down: the sums are as foretold, and with the solution nothing is left to fix",
          "[check]") {
    auto o = options(32);
    SECTION("10 mics") {}
    SECTION("8 mics, 44.1 kHz") { o.mics = 8, o.rate_hz = 44'100.0, o.seed = 442; }
    SECTION("10 mics, 96 kHz") { o.rate_hz = 96'000.0, o.seconds = 25.0, o.seed = 443; }
    SECTION("spaced overheads") { o.traps.spaced_overheads = true, o.seed = 444; }
    o.traps.flipped_mics = true;
    SimulatedTake t(o);
    const auto findings = judge_pairs(t.take, t.found_hits);
    PairScore score;
    add_pairs(score, t, findings.pairs);
    CHECK(score.wrong == 0);
    const auto solution = solved(t, findings);
    for (std::size_t i = 0; i < findings.pairs.size(); ++i) {
        const auto& p = findings.pairs[i];
        if (t.take.mics[p.b].role != Role::kick_out) continue;
        CHECK(solution.sums[i].now.low_db ==
              Approx(low_gain_db(t, p.a, p.b, 0.0, 1.0)).epsilon(0).margin(0.5));
        CHECK(solution.sums[i].turned.low_db ==
              Approx(low_gain_db(t, p.a, p.b, 0.0, -1.0)).epsilon(0).margin(0.5));
    }
    for (const auto& fix : solution.fixes) {
        const auto& sum = solution.sums[fix.pair];
        INFO(t.take.mics[fix.mic].name);
        CHECK(std::max(sum.after.full_db - sum.now.full_db, sum.after.low_db - sum.now.low_db) >= 1.0);
        t.take.mics[fix.mic].inverted = fix.flips, t.take.mics[fix.mic].delay_ms = fix.adds_ms;
    }
    const auto again = judge_pairs(t.take, t.found_hits);
    const auto second = solved(t, again);
    CHECK(second.fixes.empty());
    for (std::size_t i = 0; i < second.sums.size(); ++i) {
        CHECK(second.sums[i].now.low_db == Approx(solution.sums[i].after.low_db).epsilon(0).margin(0.5));
        CHECK(second.sums[i].now.full_db == Approx(solution.sums[i].after.full_db).epsilon(0).margin(0.5));
    }
}

TEST_CASE("every file up to 20 ms late: what a kit can't explain is left open, the rest is right",
          "[check]") {
    auto o = options(445);
    o.traps.flipped_mics = true, o.traps.extra_delay_ms = 20.0;
    const SimulatedTake t(o);
    for (const auto& e : test::pair_errors(t, judge_pairs(t.take, t.found_hits).pairs)) {
        INFO(e.what << " off by " << e.delay_ms << " ms, confidence " << e.confidence);
        CHECK((e.right() || !e.judged));
    }
}

TEST_CASE("bleed that is given as a figure is within 1.5 dB, an upper bound is one", "[check]") {
    auto o = options(461);
    SECTION("as set up") {}
    SECTION("10 dB more noise") { o.extra_noise_db = 10.0, o.seed = 462; }
    SECTION("8 mics, 96 kHz") { o.mics = 8, o.rate_hz = 96'000.0, o.seed = 463; }
    SECTION("deadened, 44.1 kHz") { o.tone = Tone::deadened, o.rate_hz = 44'100.0, o.seed = 464; }
    SECTION("fast") { o.tempo_bpm = 140.0, o.seed = 465; }
    SECTION("mode-rich drums") { o.traps.mode_rich = true, o.seed = 466; }
    SECTION("late and flipped") { o.traps.flipped_mics = true, o.traps.extra_delay_ms = 20.0, o.seed = 467; }
    const SimulatedTake t(o);
    std::size_t rows = 0, judged = 0;
    for (const auto& e : test::bleed_errors(t, bleed_table(t.take, t.found_hits))) {
        INFO(e.what << " " << e.truth << " off by " << e.error << (e.upper_bound ? " (upper bound)" : ""));
        ++rows;
        if (e.upper_bound) {
            CHECK(e.error > -1.5);
        } else {
            ++judged;
            CHECK(std::abs(e.error) <= 1.5);
        }
    }
    INFO(judged << " of " << rows << " judged");
    // A table that judges nothing would be right too. Mode-rich drums may leave less that can be told: there
    // the hits themselves are in doubt.
    if (!o.traps.mode_rich) CHECK(3 * judged >= 2 * rows);
}

TEST_CASE("a drum that never rises above what rings on has no bleed, rather than a figure", "[check]") {
    std::vector<std::vector<float>> samples(2, std::vector<float>(48'000 * 4));
    for (std::size_t n = 0; n < samples[0].size(); ++n)
        samples[0][n] = samples[1][n] =
            static_cast<float>(0.1 * std::sin(2.0 * std::numbers::pi * 150.0 * double(n) / 48'000.0));
    const auto take =
        take_of(48'000.0, {{"Snare top", Role::snare_top}, {"Snare bottom", Role::snare_bottom}},
                {samples.begin(), samples.end()});
    std::vector<Hit> hits;
    for (int i = 1; i < 8; ++i) hits.push_back({0.4 * i, Drum::snare, -20.0, true});
    CHECK(bleed_table(take, hits).empty());
}

TEST_CASE("image: level within 0.5 dB, time within 0.05 ms, spaced pairs are seen as such", "[check]") {
    auto o = options(51);
    SECTION("coincident") {}
    SECTION("fast") { o.tempo_bpm = 140.0, o.seed = 803; }
    SECTION("fast, eight mics") { o.tempo_bpm = 140.0, o.mics = 8, o.seed = 800; }
    SECTION("swapped") { o.traps.swapped_overheads = true; }
    SECTION("spaced") { o.traps.spaced_overheads = true; }
    const SimulatedTake t(o);
    const auto image = judge_image(t.take, t.found_hits);
    CHECK(image.kind == (o.traps.spaced_overheads ? PairKind::spaced : PairKind::coincident));
    for (const auto& row : image.rows)
        UNSCOPED_INFO(drum_name(row.drum) << " " << row.hits << " hits, confidence " << row.confidence);
    CHECK(image.rows.size() >= 5); // kick, snare, two toms and cymbals
    for (const auto& row : image.rows)
        for (const auto& truth : t.simulator.truth().image) {
            if (truth.drum != row.drum || row.confidence < kJudgedConfidence) continue;
            if (is_plate(row.drum) && !own_mic(t.take.mics, row.drum)) continue; // several in one name
            INFO(drum_name(row.drum));
            CHECK(row.level_difference_db == Approx(truth.level_difference_db).epsilon(0).margin(0.5));
            CHECK(row.time_difference_ms == Approx(truth.time_difference_ms).epsilon(0).margin(0.05));
            if (o.traps.spaced_overheads)
                CHECK_FALSE(row.angle_deg.has_value());
            else
                CHECK(coincident_level_difference_db(row.angle_deg.value()) ==
                      Approx(row.level_difference_db).epsilon(0).margin(1e-6));
        }
}

TEST_CASE("angle of a coincident pair of cardioids", "[image]") {
    // 20 lg((1 + cos 0) / (1 + cos 90)) = 20 lg 2 at 45 degrees; symmetric; 0 in the middle.
    CHECK(coincident_level_difference_db(45.0) == Approx(6.0206).epsilon(0).margin(1e-4));
    CHECK(coincident_level_difference_db(-45.0) == Approx(-6.0206).epsilon(0).margin(1e-4));
    CHECK(coincident_angle_deg(0.0).value() == Approx(0.0).epsilon(0).margin(1e-9));
    CHECK(coincident_angle_deg(6.0206).value() == Approx(45.0).epsilon(0).margin(1e-3));
    CHECK_FALSE(coincident_angle_deg(40.0).has_value());
}

TEST_CASE("takes that can't be judged are not judged", "[check]") {
    std::vector<TakeMic> mics{{"Kick in", Role::kick_in},
                              {"Kick out", Role::kick_out},
                              {"Snare top", Role::snare_top},
                              {"Overhead left", Role::overhead_left},
                              {"Overhead right", Role::overhead_right}};
    std::vector<std::vector<float>> samples(mics.size(), std::vector<float>(48'000 * 10));
    std::mt19937 engine(5);
    std::normal_distribution<float> noise(0.0f, 0.01f);
    SECTION("silence") {}
    SECTION("noise") {
        for (auto& s : samples)
            for (auto& x : s) x = noise(engine);
    }
    SECTION("one hit in noise") {
        for (auto& s : samples)
            for (auto& x : s) x = 0.01f * noise(engine);
        for (std::size_t n = 0; n < 4'800; ++n) {
            const auto t = static_cast<double>(n) / 48'000.0;
            const auto x =
                static_cast<float>(std::exp(-t * 20.0) * std::sin(2.0 * std::numbers::pi * 60.0 * t));
            for (auto& s : samples) s[100'000 + n] += x;
        }
    }
    SECTION("a fifth of a second") {
        for (auto& s : samples) s.assign(9'600, 0.1f);
    }
    SECTION("one mic") {
        mics.resize(1), samples.resize(1);
        for (auto& x : samples[0]) x = noise(engine);
    }
    const auto take = take_of(48'000.0, mics, {samples.begin(), samples.end()});
    std::vector<ScanFeatures> scans;
    for (const auto& x : samples) {
        MicScan scan(48'000.0);
        scan.push(x);
        scans.push_back(scan.finish());
    }
    const auto hits = find_hits(take, scans);
    CHECK(hits.size() <= 3);
    for (const auto& p : judge_pairs(take, hits).pairs) {
        CHECK_FALSE(p.judged());
        CHECK_FALSE(p.why_not.empty());
    }
    for (const auto& row : judge_image(take, hits).rows) CHECK(row.confidence < kJudgedConfidence);
    CHECK(bleed_table(take, hits).empty());
}

TEST_CASE("error tables", "[.table]") {
    struct Row {
        const char* name;
        SimulatorOptions options;
    };
    std::vector<Row> rows;
    const auto add = [&](const char* name, auto change) {
        auto o = options(100 + rows.size());
        o.seconds = 60.0;
        change(o);
        rows.push_back({name, o});
    };
    for (int i = 0; i < 3; ++i) add("10 mics", [&](auto& o) { o.tempo_bpm = 90.0 + 25.0 * i; });
    for (int i = 0; i < 3; ++i) add("8 mics", [&](auto& o) { o.mics = 8, o.tempo_bpm = 90.0 + 25.0 * i; });
    add("deadened", [](auto& o) { o.tone = Tone::deadened; });
    add("+10 dB noise", [](auto& o) { o.extra_noise_db = 10.0; });
    add("44.1 kHz", [](auto& o) { o.rate_hz = 44'100.0; });
    add("96 kHz", [](auto& o) { o.rate_hz = 96'000.0; });
    add("flipped, late", [](auto& o) { o.traps.flipped_mics = true, o.traps.extra_delay_ms = 20.0; });
    add("mode-rich", [](auto& o) { o.traps.mode_rich = true; });
    add("shell", [](auto& o) { o.traps.shell_reflections = true; });
    add("heads", [](auto& o) { o.traps.opposite_heads = true; });
    add("hot room", [](auto& o) { o.traps.hot_room = true; });
    add("hot bleed", [](auto& o) { o.traps.hot_bleed = true; });
    add("spaced", [](auto& o) { o.traps.spaced_overheads = true; });
    std::printf("%-14s | missed/drums wrong%% | missed/cymbals wrong%% | pairs wrong unjudged of, median "
                "worst us | bleed "
                "judged, median 90%% worst dB | image worst dB us\n",
                "");
    for (const auto& [name, o] : rows) {
        const SimulatedTake t(o);
        test::HitScore own, free;
        for (std::size_t d = 0; d < kDrumCount; ++d) {
            const auto s = test::score_hits(t, static_cast<Drum>(d));
            auto& to = own_mic(t.take.mics, static_cast<Drum>(d)) ? own : free;
            to.strokes += s.strokes, to.missed += s.missed, to.found += s.found, to.wrong += s.wrong;
        }
        const auto percent = [](std::size_t part, std::size_t of) {
            return 100.0 * double(part) / double(std::max<std::size_t>(of, 1));
        };
        std::printf("%-14s | %3zu/%3zu %4.1f%% %4.1f%% | %3zu/%3zu %4.1f%% %4.1f%% | ", name, own.missed,
                    own.strokes, percent(own.missed, own.strokes), percent(own.wrong, own.found), free.missed,
                    free.strokes, percent(free.missed, free.strokes), percent(free.wrong, free.found));
        std::vector<double> delays, bleeds, levels, times;
        std::size_t wrong = 0, unjudged = 0;
        const auto errors = test::pair_errors(t, judge_pairs(t.take, t.found_hits).pairs);
        for (const auto& e : errors) {
            if (!e.judged)
                ++unjudged;
            else if (!e.right())
                ++wrong;
            if (e.judged) delays.push_back(1000.0 * e.delay_ms);
        }
        std::printf("%zu %zu of %2zu, %5.1f %6.1f | ", wrong, unjudged, errors.size(),
                    test::median_size(delays), test::largest_size(delays));
        const auto table = test::bleed_errors(t, bleed_table(t.take, t.found_hits));
        for (const auto& e : table)
            if (!e.upper_bound) bleeds.push_back(std::abs(e.error));
        std::sort(bleeds.begin(), bleeds.end());
        std::printf("%zu of %zu, %4.2f %4.2f %5.2f | ", bleeds.size(), table.size(),
                    test::median_size(bleeds), bleeds.empty() ? 0.0 : bleeds[bleeds.size() * 9 / 10],
                    test::largest_size(bleeds));
        for (const auto& row : judge_image(t.take, t.found_hits).rows)
            for (const auto& truth : t.simulator.truth().image)
                if (truth.drum == row.drum && row.confidence >= kJudgedConfidence)
                    levels.push_back(row.level_difference_db - truth.level_difference_db),
                        times.push_back(1000.0 * (row.time_difference_ms - truth.time_difference_ms));
        std::printf("%4.2f %5.1f\n", test::largest_size(levels), test::largest_size(times));
        std::fflush(stdout);
    }
}
