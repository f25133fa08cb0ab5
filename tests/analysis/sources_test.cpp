// What each drum does to all mics, from strokes whose powers are given: in every channel the drum's own and
// what else was struck add up.
#include "hits/sources.h"
#include <array>
#include <catch2/catch.hpp>

using namespace kitfold::dsp;

namespace {

constexpr std::size_t kMics = 3, kChannels = kMics * kScanBands; // kick, snare, over the kit
constexpr float kHidden = 1e-9f;
using Power = std::array<float, kChannels>;

Listeners who_listens() {
    return {{0, 1, 2}, {Drum::kick, Drum::snare, {}}, {2}, {{Drum::kick, 0}, {Drum::snare, 1}}};
}

/// The same in every band of a mic; what is thin does not speak below 200 Hz.
Power even(std::array<float, kMics> by_mic, bool thin = false) {
    Power out{};
    for (std::size_t c = 0; c < kChannels; ++c)
        out[c] = thin && c % kScanBands < 2 ? 0.0f : by_mic[c / kScanBands];
    return out;
}

const Power kHat = even({1e-7f, 1e-6f, 1e-4f}, true);
const Power kKick = even({1e-2f, 1e-4f, 1e-6f});

struct Strokes {
    std::vector<HitEvent> events;

    /// Index of one that adds up from drums at these levels.
    std::size_t add(std::initializer_list<std::pair<const Power*, float>> drums, float hidden = kHidden) {
        HitEvent e;
        e.step.assign(kChannels, 0.0f), e.hidden.assign(kChannels, hidden);
        for (const auto& [power, level] : drums)
            for (std::size_t c = 0; c < kChannels; ++c) e.step[c] += level * (*power)[c];
        events.push_back(std::move(e));
        return events.size() - 1;
    }
};

/// Of the source by name: power in a channel re the same band of its own mic.
float ratio_of(const std::vector<Source>& sources, Drum drum, std::size_t mic, std::size_t band) {
    for (const auto& s : sources)
        if (s.drum == drum) return s.shape[mic * kScanBands + band] / s.shape[*s.own * kScanBands + band];
    FAIL("no such source");
    return 0.0f;
}

} // namespace

TEST_CASE("a kick that mostly comes with a hi-hat is what its two strokes by itself show", "[analysis]") {
    Strokes strokes;
    NamedPlace kick{{}, Drum::kick, {}};
    for (int i = 0; i < 10; ++i) {
        const float hard = 1.0f + 0.3f * float(i % 4), hat = i < 2 ? 0.0f : 0.5f + 0.2f * float(i);
        kick.place.members.push_back(strokes.add({{&kKick, hard}, {&kHat, hat}}));
    }
    const auto sources = sources_of(std::vector{kick}, strokes.events, who_listens());
    for (std::size_t b = 0; b < kScanBands; ++b)
        CHECK(ratio_of(sources, Drum::kick, 2, b) == Approx(1e-4).epsilon(0.12)); // half a dB
}

TEST_CASE("what soft strokes can't show is taken from loud ones beside a cymbal, where that is hardly heard",
          "[analysis]") {
    const Power snare = even({1e-5f, 1e-2f, 1e-4f});
    Strokes strokes;
    NamedPlace ghosts{{}, Drum::snare, {}};
    for (int i = 0; i < 4; ++i) ghosts.place.members.push_back(strokes.add({{&snare, 0.02f}}, 2e-6f));
    Together loud{{}, std::vector<bool>(kChannels, false)};
    for (std::size_t b = 0; b < kScanBands; ++b) loud.clear[b] = true; // in the kick's mic
    for (int i = 0; i < 6; ++i) loud.members.push_back(strokes.add({{&snare, 1.0f}, {&kHat, 1.0f}}, 1e-8f));
    ghosts.also.push_back(loud);
    const auto sources = sources_of(std::vector{ghosts}, strokes.events, who_listens());
    for (std::size_t b = 0; b < kScanBands; ++b) {
        CHECK(ratio_of(sources, Drum::snare, 0, b) == Approx(1e-3).epsilon(0.12));
        CHECK(ratio_of(sources, Drum::snare, 2, b) < 1.12e-2f); // no hat in it
    }
}

TEST_CASE("a hi-hat that is struck with a kick each time is taken out of it, and bright wires stay",
          "[analysis]") {
    Power wires =
        even({1e-5f, 1e-2f, 1e-4f}); // no less than the hat anywhere, and another part of it in each
    for (std::size_t b = 0; b < kScanBands; ++b)
        for (std::size_t m = 0; m < kMics; ++m) wires[m * kScanBands + b] *= 1.0f + float(b);
    Strokes strokes;
    NamedPlace kick{{}, Drum::kick, {}}, snare{{}, Drum::snare, {}}, hat{{}, Drum::cymbals, {}};
    for (int i = 0; i < 6; ++i) {
        kick.place.members.push_back(strokes.add({{&kKick, 1.0f}, {&kHat, 1.0f}}));
        snare.place.members.push_back(strokes.add({{&wires, 1.0f}}));
        hat.place.members.push_back(strokes.add({{&kHat, 1.0f}}));
    }
    const auto sources = sources_of(std::vector{kick, snare, hat}, strokes.events, who_listens());
    for (std::size_t b = 2; b < kScanBands; ++b) {
        const float heard = (1e-6f + 1e-4f) / (1e-2f + 1e-7f);
        CHECK(ratio_of(sources, Drum::kick, 2, b) <= 0.11f * heard);
        CHECK(ratio_of(sources, Drum::snare, 2, b) == Approx(1e-2).epsilon(0.01));
    }
}

TEST_CASE("a ride that rings over its strokes is taken out of a kick in the bands in which it shows",
          "[analysis]") {
    // kick, ride, two over the kit; the ride's ring covers all but the top two bands
    constexpr std::size_t kTop = 6;
    constexpr std::array kKickIn{1e-2f, 1e-9f, 1e-7f, 1e-7f}, kRideIn{1e-9f, 1e-4f, 1e-4f, 1e-5f};
    const Listeners who{
        {0, 1, 2, 3}, {Drum::kick, Drum::ride, {}, {}}, {2, 3}, {{Drum::kick, 0}, {Drum::ride, 1}}};
    std::vector<HitEvent> events;
    const auto strike = [&](float kick, float ride) {
        HitEvent e;
        for (std::size_t m = 0; m < kKickIn.size(); ++m)
            for (std::size_t b = 0; b < kScanBands; ++b) {
                e.hidden.push_back(m == 0 || b >= kTop ? 1e-9f : 1e-3f);
                const float step = kick * kKickIn[m] + (b < 2 ? 0.0f : ride * kRideIn[m]);
                e.step.push_back(step > e.hidden.back() ? step : 0.0f);
            }
        events.push_back(std::move(e));
        return events.size() - 1;
    };
    NamedPlace kick{{}, Drum::kick, {}}, ride{{}, Drum::ride, {}};
    for (int i = 0; i < 12; ++i) kick.place.members.push_back(strike(1.0f + 0.1f * float(i % 5), 1.0f));
    for (int i = 0; i < 6; ++i) ride.place.members.push_back(strike(0.0f, 1.0f + 0.1f * float(i % 3)));
    const auto sources = sources_of(std::vector{kick, ride}, events, who);
    for (const std::size_t mic : {1u, 2u, 3u})
        for (std::size_t b = kTop; b < kScanBands; ++b) {
            const auto c = mic * kScanBands + b;
            CHECK(sources[0].shape[c] < 0.2f * sources[1].shape[c]);
            CHECK(sources[1].shape[c] == Approx(1.1f * kRideIn[mic]).epsilon(0.3));
        }
}
