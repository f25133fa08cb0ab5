// Damp set by learning, against the simulator's truth: the same strokes on the open and on the deadened kit.
#include "analysis/damp_learn.h"
#include "dynamics/damp.h"
#include "synth/simulator.h"
#include <catch2/catch.hpp>
#include <stdexcept>

using namespace kitfold::dsp;

namespace {

struct Session {
    Simulator simulator;
    Simulator::Planar mics;
    Session(Tone tone, Style style, double rate_hz, std::uint64_t seed, double seconds)
        : simulator([&] {
              SimulatorOptions o;
              o.rate_hz = rate_hz, o.tone = tone, o.style = style, o.seed = seed, o.seconds = seconds;
              return o;
          }()),
          mics(simulator.render()) {}

    [[nodiscard]] const DrumTruth& truth(Drum drum) const {
        for (const auto& d : simulator.truth().drums)
            if (d.drum == drum) return d;
        throw std::logic_error("no such drum");
    }
    [[nodiscard]] std::size_t mic(Drum drum) const { return *truth(drum).own_mic; }
    [[nodiscard]] std::vector<double> arrivals(Drum drum) const {
        std::vector<double> out;
        for (const auto& s : simulator.truth().strokes)
            if (s.drum == drum)
                out.push_back(s.time_s + 0.001 * simulator.truth().path(drum, mic(drum)).delay_ms);
        return out;
    }
    /// The hits of a drum in any recording made of this session's mic.
    [[nodiscard]] std::vector<RingHit> hits(Drum drum, const std::vector<float>& x) const {
        const double rate_hz = simulator.options().rate_hz;
        std::vector<RingHit> out;
        for (const double at : arrivals(drum)) {
            double next = double(x.size()) / rate_hz;
            for (const auto& s : simulator.truth().strokes)
                if (s.time_s > at + 0.01) next = std::min(next, s.time_s);
            const auto from = std::size_t(std::max(0.0, at - 0.03) * rate_hz),
                       to = std::size_t(next * rate_hz);
            out.push_back({std::span(x).subspan(from, to - from), std::size_t(at * rate_hz) - from});
        }
        return out;
    }
};

double energy_db(std::span<const float> x) {
    double sum = 1e-30;
    for (const float v : x) sum += double(v) * double(v);
    return 10.0 * std::log10(sum);
}

std::vector<float> damped(const DampSettings& settings, double rate_hz, std::vector<float> x) {
    Damp<double> damp;
    REQUIRE(damp.prepare(rate_hz));
    REQUIRE(damp.set(settings) == nullptr);
    damp.process(x.data(), x.data(), x.size());
    return x;
}

} // namespace

TEST_CASE("learned settings turn the open kit into the deadened one", "[analysis][damp]") {
    const double rate_hz = GENERATE(44'100.0, 96'000.0);
    const auto drum = GENERATE(Drum::kick, Drum::snare, Drum::rack_tom, Drum::floor_tom);
    const Session open(Tone::open, Style::line_check, rate_hz, 1, 45.0),
        deadened(Tone::deadened, Style::line_check, rate_hz, 1, 45.0);
    const auto& x = open.mics[open.mic(drum)];
    const auto& truth = deadened.mics[open.mic(drum)];
    const auto target = measure_decay(deadened.hits(drum, truth), rate_hz);
    const auto learned = learn_damp(measure_decay(open.hits(drum, x), rate_hz), {0.45, &target});
    CAPTURE(rate_hz, drum_name(drum));
    REQUIRE(learned.why_not.empty());

    const auto y = damped(learned.settings, rate_hz, x);
    // The pitch of a hard stroke glides by up to 10 % and leaves the bands for a while: the strokes of the
    // line check fall in strength, and the 10 % that a listener is promised hold from its second half on; 20
    // % for all of them.
    const auto hits = open.hits(drum, y);
    const std::span all(hits);
    std::size_t compared = 0;
    for (const auto& [some, tolerance] :
         {std::pair{all.subspan(all.size() / 2), 0.10}, std::pair{all, 0.20}}) {
        const auto result = measure_decay(some, rate_hz);
        for (const auto& p : open.truth(drum).partials) { // the strong ones: what a listener hears ring
            if (p.level_db < -10.0) continue;
            for (const auto& r : result.ring.partials)
                if (std::abs(r.hz / p.hz - 1.0) < 0.015 && r.spread < 0.1 && r.range_db > 30.0) {
                    CAPTURE(p.hz, p.open_ring_ms, r.spread, tolerance);
                    CHECK(r.ring_ms == Approx(p.deadened_ring_ms).epsilon(tolerance).margin(0));
                    ++compared;
                }
        }
    }
    CHECK(compared >= 2);
    for (const double at : open.arrivals(drum)) { // first 10 ms
        const auto from = std::size_t(at * rate_hz), n = std::size_t(0.01 * rate_hz);
        CHECK(energy_db(std::span(y).subspan(from, n)) ==
              Approx(energy_db(std::span(truth).subspan(from, n))).epsilon(0).margin(0.5));
    }
}

TEST_CASE("learning proposes what a blanket does, and says why it can't", "[analysis][damp]") {
    const double rate_hz = 48'000.0;
    const Session open(Tone::open, Style::line_check, rate_hz, 2, 45.0);
    const auto& x = open.mics[open.mic(Drum::floor_tom)];
    const auto decay = measure_decay(open.hits(Drum::floor_tom, x), rate_hz);
    const auto learned = learn_damp(decay, {.ring_share = 0.4, .deadened = nullptr});
    REQUIRE(learned.settings.band_count >= 3);
    CHECK(first_refused(learned.settings) == nullptr);
    const auto& lowest = open.truth(Drum::floor_tom).partials.front();
    CHECK(learned.settings.bands[0].hz == Approx(lowest.hz).epsilon(0.01).margin(0));
    CHECK(learned.settings.bands[0].open_ring_ms == Approx(lowest.open_ring_ms).epsilon(0.05).margin(0));
    CHECK(learned.settings.bands[0].ring_ms == Approx(0.4 * lowest.open_ring_ms).epsilon(0.05).margin(0));
    CHECK((learned.lowest_amount <= 0.0 && learned.lowest_amount >= -1.0));

    const auto silence = learn_damp(measure_decay({}, rate_hz));
    CHECK(silence.settings.band_count == 0);
    CHECK_FALSE(silence.why_not.empty());
}

TEST_CASE("hits of a recording of one drum are found by their level", "[analysis][damp]") {
    const double rate_hz = 48'000.0;
    std::vector<float> x(std::size_t(4.0 * rate_hz));
    const double at[] = {0.2, 1.1, 1.9, 3.2},
                 gain[] = {0.8, 0.3, 0.5, 0.01}; // the last is 38 dB under the first
    for (std::size_t h = 0; h < 4; ++h)
        for (auto n = std::size_t(at[h] * rate_hz); n < x.size(); ++n) {
            const double t = double(n) / rate_hz - at[h];
            x[n] += static_cast<float>(gain[h] * std::exp(-12.0 * t) * std::sin(2.0 * M_PI * 150.0 * t));
        }
    const auto hits = loud_hits(x, rate_hz);
    REQUIRE(hits.size() == 3);
    for (std::size_t h = 0; h < 3; ++h) {
        const auto onset = double(hits[h].samples.data() - x.data()) + double(hits[h].onset);
        CHECK(onset / rate_hz == Approx(at[h]).epsilon(0).margin(0.003));
    }
    CHECK(loud_hits({}, rate_hz).empty());
}
