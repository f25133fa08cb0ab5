// What places are called, from levels that are given: by mic, how loud each place is there and its spectrum.
#include "hits/names.h"
#include <array>
#include <catch2/catch.hpp>
#include <initializer_list>
#include <numeric>
#include <string_view>

using namespace kitfold::dsp;

namespace {

using Spectrum = std::array<float, kScanBands>; // dB
constexpr Spectrum kBright{-60, -60, -12, -14, -10, -6, 0, -2}, kSkin{-8, 0, 0, -4, -8, -12, -25, -35},
    kBeater{0, 0, -10, -20, -28, -20, -18, -30}, kWires{-20, -6, 0, -2, -2, -3, -13, -20};
constexpr float kHearsNothing = -92.0f;

struct Heard {
    float level_db;
    Spectrum spectrum;
};

/// @param strokes how many
Place place(std::size_t strokes, std::initializer_list<Heard> by_mic) {
    static std::size_t next = 0;
    Place out;
    for (const auto& [level, spectrum] : by_mic)
        for (const float band : spectrum) {
            out.print.db.push_back(std::max(level + band, kHearsNothing));
            out.print.variance.push_back(level + band > kHearsNothing ? 2.25f : kFar);
        }
    out.members.resize(strokes);
    std::iota(out.members.begin(), out.members.end(), next);
    next += strokes;
    return out;
}

std::vector<TakeMic> mics(std::initializer_list<Role> roles) {
    std::vector<TakeMic> out;
    for (const Role r : roles) out.push_back({"", r});
    return out;
}

using Names = std::vector<std::string_view>;

/// In the order of the places; "left out" or "nameless" where there is none.
Names names(const std::vector<Place>& places, const std::vector<TakeMic>& mics) {
    const auto named = name_places(places, mics, [&](const Place&) { return Arrivals(mics.size()); });
    Names out(places.size(), "left out");
    for (std::size_t j = 0; j < places.size(); ++j)
        for (const auto& n : named)
            if (n.place.members == places[j].members) out[j] = n.drum ? drum_name(*n.drum) : "nameless";
    return out;
}

} // namespace

TEST_CASE("all places of a tom are the tom's where hardly anything else is struck by itself", "[analysis]") {
    const auto all = mics({Role::kick_in, Role::rack_tom, Role::overhead_left, Role::overhead_right});
    const auto tom = [](std::size_t strokes, float kick_in, float left, float right) {
        return place(strokes, {{kick_in, kSkin}, {-25, kSkin}, {left, kSkin}, {right, kSkin}});
    };
    const auto kick = place(4, {{-20, kBeater}, {-60, kSkin}, {-50, kSkin}, {-47, kSkin}});
    const std::vector places{tom(15, -95, -52, -58), tom(4, -50, -47, -60), kick, tom(3, -57, -58, -54),
                             tom(3, -64, -51, -49)};
    CHECK(names(places, all) == Names{"rack_tom", "rack_tom", "kick", "rack_tom", "rack_tom"});
}

TEST_CASE("a ride that is struck with a kick is a place of the ride, and no cymbal's", "[analysis]") {
    constexpr Spectrum kClick{-60, -60, -30, -20, 0, 0, -4, -10};
    const auto all =
        mics({Role::kick_in, Role::rack_tom, Role::ride, Role::overhead_left, Role::overhead_right});
    const auto ride = [](std::size_t strokes, Heard kick) {
        return place(strokes, {kick, {-66, kBright}, {-38, kBright}, {-38, kBright}, {-50, kBright}});
    };
    const auto tom = place(9, {{-92, kSkin}, {-25, kSkin}, {-60, kSkin}, {-43, kSkin}, {-48, kSkin}});
    const auto crash =
        place(5, {{-88, kBright}, {-55, kBright}, {-52, kBright}, {-28, kBright}, {-30, kBright}});
    const std::vector places{ride(20, {-99, kBright}), ride(12, {-20, kBeater}), tom, crash,
                             ride(4, {-38, kClick})};
    CHECK(names(places, all) == Names{"ride", "kick", "rack_tom", "cymbals", "ride"});
}

TEST_CASE("a drum's two loud strokes count where the other places that it has are ghosts", "[analysis]") {
    const auto all = mics({Role::kick_in, Role::snare_top, Role::overhead_left, Role::overhead_right});
    const auto snare = [](std::size_t strokes, float level_db) {
        return place(strokes, {{level_db - 60, kWires},
                               {level_db - 20, kWires},
                               {level_db - 34, kWires},
                               {level_db - 36, kWires}});
    };
    const auto kick = place(9, {{-20, kBeater}, {-60, kSkin}, {-50, kSkin}, {-47, kSkin}});
    CHECK(names({snare(8, -22), kick, snare(2, 0)}, all)[2] == "snare");
    CHECK(names({snare(8, -4), kick, snare(2, 0)}, all)[2] == "left out");
}

TEST_CASE("a ghost as bright as a hi-hat is the snare's: its own mic hears the head too", "[analysis]") {
    constexpr Spectrum kGhost{-17, -13, -3, -3, 0, 0, -2, -10},
        kGhostAbove{-60, -60, -60, -60, -2, 0, -1, -6}, kHat{-60, -60, -60, -13, -8, -4, 0, -4};
    const auto all = mics({Role::kick_in, Role::snare_top, Role::overhead_left, Role::overhead_right});
    const auto place_of = [](std::size_t strokes, float kick_in, Heard snare_top, Heard above) {
        return place(strokes, {{kick_in, kSkin}, snare_top, above, above});
    };
    const auto kick = place(11, {{-20, kBeater}, {-35, kSkin}, {-38, kSkin}, {-36, kSkin}});
    const std::vector places{place_of(25, -99, {-64, kHat}, {-50, kBright}), kick,
                             place_of(9, -99, {-56, kGhost}, {-54, kGhostAbove}),
                             place_of(8, -70, {-31, kWires}, {-34, kWires}),
                             place_of(6, -50, {-46, kSkin}, {-32, kSkin})};
    CHECK(names(places, all) == Names{"cymbals", "kick", "snare", "snare", "rack_tom"});
}

TEST_CASE("a bright snare is no cymbal: in its own mic the head is far over the top", "[analysis]") {
    constexpr Spectrum kTight{-26, -13, -2, 0, -6, -15, -22, -26}, kAbove{-60, -6, 0, -1, -3, -6, -8, -9};
    const auto all = mics({Role::snare_top, Role::snare_bottom, Role::overhead_left});
    const auto snare = place(30, {{-30, kTight}, {-31, kTight}, {-30, kAbove}});
    CHECK(names({snare}, all) == Names{"snare"});
    const auto hat = place(20, {{-60, {-60, -60, -60, -13, -8, -4, 0, -4}}, {-62, kBright}, {-50, kBright}});
    CHECK(names({snare, hat}, all) == Names{"snare", "cymbals"});
}

TEST_CASE("a kick whose mic stands in front of it, or that has none, is no snare", "[analysis]") {
    constexpr Spectrum kFront{-11, 0, -4, -15, -19, -25, -37, -50},
        kBesideIt{-10, 0, -1, -12, -12, -18, -22, -31};
    const auto in_front = mics({Role::kick_out, Role::snare_top, Role::overhead_left, Role::overhead_right});
    const auto tom = [](float kick_out, float snare, float left, float right) {
        return place(6, {{kick_out, kSkin}, {snare, kSkin}, {left, kSkin}, {right, kSkin}});
    };
    const auto kick = place(6, {{-23, kFront}, {-29, kBesideIt}, {-31, kFront}, {-22, kFront}});
    const auto snare = place(6, {{-36, kWires}, {-27, kWires}, {-35, kWires}, {-30, kWires}});
    const std::vector places{kick, snare, tom(-34, -41, -34, -29), tom(-34, -45, -34, -30),
                             tom(-28, -36, -34, -20)};
    const auto with = names(places, in_front);
    CHECK(with[0] == "kick");
    CHECK(with[1] == "snare");
    auto without = places; // the first of each place's eight bands are the kick mic's
    for (auto& p : without)
        for (auto* values : {&p.print.db, &p.print.variance})
            values->erase(values->begin(), values->begin() + kScanBands);
    const auto none = names(without, mics({Role::snare_top, Role::overhead_left, Role::overhead_right}));
    CHECK(none[0] != "snare");
    CHECK(none[1] == "snare");
}
