// Rings of a simulated kit against the decays that it was built with.
#include "ring/ring_table.h"
#include "simulated_take.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdio>
#include <map>

using namespace kitfold::dsp;

namespace {

/// The hits as the truth has them, each at its arrival in its own mic and with the peak found there.
std::vector<Hit> true_hits(const Simulator& simulator, const Take& take) {
    std::vector<Hit> hits;
    for (const auto& stroke : simulator.truth().strokes) {
        const auto mic = own_mic(take.mics, stroke.drum);
        const double at =
            stroke.time_s + (mic ? simulator.truth().path(stroke.drum, *mic).delay_ms : 3.0) / 1'000.0;
        std::vector<float> x(std::size_t(0.01 * take.rate_hz));
        double peak = 0.1;
        if (mic) {
            take.read(*mic, std::llround(at * take.rate_hz), x);
            peak = 1e-6;
            for (const float v : x) peak = std::max(peak, double(std::abs(v)));
        }
        hits.push_back({at, stroke.drum, 20.0 * std::log10(peak), false});
    }
    return hits;
}

std::vector<Bleed> true_bleed(const Truth& truth) {
    std::vector<Bleed> bleed;
    for (const auto& path : truth.direct) {
        auto& b = bleed.emplace_back();
        b.drum = path.drum, b.mic = path.mic, b.level_db = path.level_db;
    }
    return bleed;
}

} // namespace

TEST_CASE("rings of a line check, each drum alone: main partials within 10 %", "[analysis][rings]") {
    SimulatorOptions options;
    options.style = Style::line_check;
    options.seconds = 60.0;
    options.seed = GENERATE(1u, 2u);
    options.tone = GENERATE(Tone::open, Tone::deadened);
    options.rate_hz = options.seed == 1 ? 48'000.0 : 44'100.0;
    const Simulator simulator(options);
    const auto mics = simulator.render();
    const auto take = take_of(options.rate_hz, simulator.take_mics(), {mics.begin(), mics.end()});
    const auto table = ring_table(take, true_hits(simulator, take), true_bleed(simulator.truth()));
    REQUIRE(table.size() == 4);
    for (const auto& ring : table) {
        const auto drum = std::find_if(simulator.truth().drums.begin(), simulator.truth().drums.end(),
                                       [&](const DrumTruth& d) { return d.drum == ring.drum; });
        CHECK(ring.result.decay.judged());
        for (const auto& truth : drum->partials) {
            if (truth.level_db < -6.5) continue;
            const auto near = std::min_element(
                ring.result.partials.begin(), ring.result.partials.end(), [&](const auto& a, const auto& b) {
                    return std::abs(a.hz - truth.hz) < std::abs(b.hz - truth.hz);
                });
            CAPTURE(drum_name(ring.drum), truth.hz, options.seed, int(options.tone));
            REQUIRE(near != ring.result.partials.end());
            CHECK(near->hz == Approx(truth.hz).epsilon(0).margin(0.01 * truth.hz));
            CHECK(near->ring_ms == Approx(truth.ring_ms).epsilon(0).margin(0.1 * truth.ring_ms));
        }
    }
}

namespace {

/// Partials of a kit against the decays that it was built with, 12 dB under each drum's strongest or less.
struct RingScore {
    std::size_t partials = 0, heard = 0, judged = 0, wrong = 0; ///< wrong: judged, but off by more than 10 %
    double worst = 0.0;
    struct Whole {
        std::size_t drums = 0, judged = 0, wrong = 0;
        double worst = 0.0;
    } early, late;

    void add(const kitfold::test::SimulatedTake& t) {
        const auto bleed = bleed_table(t.take, t.found_hits);
        const auto whole = t.simulator.measure_rings();
        for (const auto& ring : ring_table(t.take, t.found_hits, bleed)) {
            for (const auto& drum : t.simulator.truth().drums)
                if (drum.drum == ring.drum)
                    for (const auto& truth : drum.partials)
                        if (truth.level_db >= -12.0) add(heard_partials(ring.result), truth);
            for (const auto& truth : whole)
                if (truth.drum == ring.drum) {
                    add(ring.result.decay.ring_ms, truth.ring_ms, early);
                    add(ring.result.decay.late_ms, truth.late_ms, late);
                }
        }
    }
    void add(const std::vector<RingPartial>& found, const Partial& truth) {
        ++partials;
        const auto near = std::min_element(found.begin(), found.end(), [&](const auto& a, const auto& b) {
            return std::abs(a.hz - truth.hz) < std::abs(b.hz - truth.hz);
        });
        if (near == found.end() || std::abs(near->hz - truth.hz) > 0.02 * truth.hz) return;
        ++heard;
        if (!near->judged) return;
        const double off = std::abs(near->ring_ms / truth.ring_ms - 1.0);
        ++judged, worst = std::max(worst, off);
        if (off > 0.1) ++wrong;
    }
    static void add(double found_ms, double truth_ms, Whole& whole) {
        ++whole.drums;
        if (found_ms <= 0.0) return;
        const double off = std::abs(found_ms / truth_ms - 1.0);
        ++whole.judged, whole.worst = std::max(whole.worst, off);
        if (off > 0.1) ++whole.wrong;
    }
};

SimulatorOptions ring_options(std::uint64_t seed, Style style, Tone tone) {
    SimulatorOptions o;
    o.seed = seed, o.style = style, o.tone = tone, o.seconds = 60.0;
    return o;
}

} // namespace

TEST_CASE("rings in a groove: what is judged is within 10 %, the rest is heard and left open",
          "[analysis][rings]") {
    RingScore score;
    auto o = ring_options(212, Style::groove, Tone::open);
    SECTION("open") {}
    SECTION("deadened") { o.tone = Tone::deadened; }
    score.add(kitfold::test::SimulatedTake(o));
    INFO(score.judged << " of " << score.heard << " heard of " << score.partials << " judged, worst "
                      << score.worst);
    CHECK(score.partials == 20);
    CHECK(score.heard + 1 >= score.partials);
    CHECK(score.wrong == 0);
    CHECK(3 * score.judged >= score.partials);
    INFO("early: " << score.early.judged << ", worst " << score.early.worst << "; late: " << score.late.judged
                   << ", worst " << score.late.worst);
    CHECK(score.early.wrong == 0);
    CHECK(score.early.judged >= 2);
    CHECK(score.late.wrong == 0);
    CHECK(score.late.judged >= 2);
}

TEST_CASE("a lifelike kit rings the same at every rate", "[analysis][rings]") {
    std::map<Drum, std::vector<double>> found;
    for (const double rate_hz : {44'100.0, 48'000.0, 96'000.0}) {
        auto o = ring_options(218, Style::line_check, Tone::open);
        o.seconds = 40.0, o.lifelike = true, o.rate_hz = rate_hz;
        const kitfold::test::SimulatedTake t(o);
        const auto truth = t.simulator.measure_rings();
        for (const auto& ring : ring_table(t.take, t.found_hits, bleed_table(t.take, t.found_hits))) {
            const auto whole = std::find_if(truth.begin(), truth.end(),
                                            [&](const RingTruth& r) { return r.drum == ring.drum; });
            CAPTURE(drum_name(ring.drum), rate_hz);
            CHECK(ring.result.decay.ring_ms == Approx(whole->ring_ms).epsilon(0.1).margin(0));
            found[ring.drum].push_back(ring.result.decay.ring_ms);
        }
    }
    CHECK(found.size() == 4);
    for (const auto& [drum, ring_ms] : found) {
        REQUIRE(ring_ms.size() == 3);
        CAPTURE(drum_name(drum), ring_ms);
        CHECK(ring_ms[1] == Approx(ring_ms[0]).epsilon(0.05).margin(0));
        CHECK(ring_ms[2] == Approx(ring_ms[0]).epsilon(0.05).margin(0));
    }
}

TEST_CASE("table of rings on seeds that nothing was tuned on", "[.table]") {
    for (const auto style : {Style::groove, Style::line_check})
        for (const auto tone : {Tone::open, Tone::deadened}) {
            RingScore s;
            for (std::uint64_t seed = 211; seed <= 216; ++seed)
                s.add(kitfold::test::SimulatedTake(ring_options(seed, style, tone)));
            std::printf("%s, %s: %zu of %zu partials heard, %zu judged, %zu wrong, worst %.0f %%; "
                        "drums, of %zu, early: %zu judged, %zu wrong, worst %.0f %%; late: %zu, %zu, %.0f "
                        "%%\n",
                        style == Style::groove ? "groove" : "line check",
                        tone == Tone::open ? "open" : "deadened", s.heard, s.partials, s.judged, s.wrong,
                        100.0 * s.worst, s.early.drums, s.early.judged, s.early.wrong, 100.0 * s.early.worst,
                        s.late.judged, s.late.wrong, 100.0 * s.late.worst);
            std::fflush(stdout);
        }
}
