#include "bleed/kit_key_learn_response.h"
#include <catch2/catch.hpp>
#include <random>

using namespace kitfold::dsp;

TEST_CASE("a response is found again under another source and noise", "[analysis]") {
    constexpr std::size_t kSteps = 60'000, kTaps = 16;
    std::mt19937 random(7);
    std::normal_distribution<float> normal;
    std::vector<float> samples(kSteps * 3);
    for (std::size_t s = 0; s < kSteps; ++s) {
        samples[3 * s + 1] = normal(random), samples[3 * s + 2] = normal(random);
        samples[3 * s] = 0.01f * normal(random);
        if (s >= 9) samples[3 * s] += 0.5f * samples[3 * (s - 4) + 1] - 0.25f * samples[3 * (s - 9) + 2];
    }
    std::vector<char> use(kSteps, 1);
    for (std::size_t s = 20'000; s < 25'000; ++s)
        use[s] = 0, samples[3 * s] += 30.0f; // its own drum: not to be seen
    const std::vector<std::size_t> sources{1, 2};
    const auto found = learn_responses({samples, 3}, 0, sources, use, kTaps, 1'000);
    REQUIRE((found[0].size() == kTaps && found[1].size() == kTaps));
    for (std::size_t k = 0; k < kTaps; ++k) {
        CHECK(found[0][k] == Approx(k == 4 ? 0.5 : 0.0).epsilon(0).margin(0.005));
        CHECK(found[1][k] == Approx(k == 9 ? -0.25 : 0.0).epsilon(0).margin(0.005));
    }
    SECTION("what is not foretold is not") {
        for (std::size_t s = 0; s < kSteps; ++s) samples[3 * s] = normal(random);
        for (const auto& r : learn_responses({samples, 3}, 0, sources, use, kTaps, 1'000)) CHECK(r.empty());
    }
    SECTION("too little to learn from") {
        for (const auto& r : learn_responses({samples, 3}, 0, sources, use, kTaps, kSteps)) CHECK(r.empty());
    }
}
