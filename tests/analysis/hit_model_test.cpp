#include "hits/hit_model.h"
#include <catch2/catch.hpp>

using namespace kitfold::dsp;

TEST_CASE("a ride is learned as loud as it is, though a kick that nobody explains is struck with it",
          "[analysis]") {
    Source ride;
    ride.drum = Drum::ride;
    for (int mic = 0; mic < 2; ++mic)
        for (std::size_t b = 0; b < kScanBands; ++b) ride.shape.push_back(b < 2 ? 1e-12f : 1e-6f);
    const std::vector<float> before = ride.shape;
    HitModel model({ride});
    std::vector<HitEvent> events(8);
    std::vector<std::vector<Part>> parts;
    for (auto& e : events) {
        e.step = before, e.hidden.assign(before.size(), 1e-9f);
        for (std::size_t c = 0; c < before.size(); c += kScanBands) e.step[c] = e.step[c + 1] = 1e-3f;
        Part p;
        p.colour.fill(1.0f), p.power = before;
        parts.push_back({p});
    }
    for (int round = 0; round < 3; ++round) model.learn(events, parts);
    for (std::size_t c = 0; c < before.size(); ++c)
        if (c % kScanBands >= 2) CHECK(model.sources()[0].shape[c] == Approx(before[c]).epsilon(0.01));
}
