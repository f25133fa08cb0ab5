// Rings of a simulated kit against the decays that it was built with.
#include "analysis/ring_table.h"
#include "synth/simulator.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

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
        CHECK(ring.result.decay.judged);
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
