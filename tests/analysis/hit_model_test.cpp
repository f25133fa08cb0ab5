#include "hits/hit_model.h"
#include <catch2/catch.hpp>

using namespace kitfold::dsp;

TEST_CASE("a kick under a crash that is never struck without it is found", "[analysis]") {
    Source kick, crash;
    kick.drum = Drum::kick, kick.own = 0;
    crash.drum = Drum::cymbals;
    HitEvent event;
    for (std::size_t c = 0; c < 3 * kScanBands; ++c) { // the kick's mic and two overheads
        const bool low = c % kScanBands < 4, own = c < kScanBands;
        kick.shape.push_back(low ? (own ? 1e-2f : 1e-4f) : 1e-8f);
        crash.shape.push_back(low ? (own ? 1e-2f : 1e-4f) : (own ? 1e-6f : 1e-3f)); // as heard with the kick
        event.step.push_back(low ? kick.shape[c] : crash.shape[c]);
        event.hidden.push_back(1e-9f);
    }
    const auto parts = HitModel({kick, crash}).explain(event);
    REQUIRE(parts.size() == 2);
    for (const auto& p : parts)
        if (p.source == 0) CHECK(p.level == Approx(1.0f).epsilon(0.26)); // 1 dB
}
