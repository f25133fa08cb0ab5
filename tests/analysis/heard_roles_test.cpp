// Roles by sound on simulated kits, whose mics are known: what each is called, and how sure that is.
#include "roles/heard_roles.h"
#include "simulated_take.h"
#include "take/mic_scan.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <numeric>

using namespace kitfold::dsp;

namespace {

struct Kit {
    Simulator simulator;
    Simulator::Planar samples;
    std::vector<std::size_t> order; ///< mics of the simulator, as the files lie in the folder
    std::vector<Role> known;        ///< by file; other: its name tells nothing

    explicit Kit(std::uint64_t seed, Tone tone = Tone::open)
        : simulator([&] {
              SimulatorOptions options;
              options.seed = seed, options.tone = tone;
              return options;
          }()),
          samples(simulator.render()), order(samples.size()), known(samples.size(), Role::other) {
        std::iota(order.begin(), order.end(), std::size_t{0});
        std::rotate(order.begin(), order.begin() + std::ptrdiff_t(seed % order.size()), order.end());
    }
    [[nodiscard]] Role truth(std::size_t file) const { return simulator.mics()[order[file]].role; }
    void leave_out(std::initializer_list<Role> roles) {
        for (const auto role : roles) std::erase(order, *simulator.mic(role));
        known.resize(order.size());
    }
    [[nodiscard]] std::vector<HeardRole> heard() const {
        std::vector<TakeMic> mics;
        std::vector<std::span<const float>> views;
        std::vector<ScanFeatures> scans;
        for (std::size_t f = 0; f < order.size(); ++f) {
            mics.push_back({"", known[f]});
            views.emplace_back(samples[order[f]]);
            MicScan scan(48'000.0);
            scan.push(views.back());
            scans.push_back(scan.finish());
        }
        return hear_roles(take_of(48'000.0, std::move(mics), std::move(views)), scans);
    }
};

struct Score {
    std::size_t right = 0, open = 0, wrong = 0, wrong_and_sure = 0;
};
Score score(const Kit& kit, const std::vector<HeardRole>& heard) {
    Score s;
    for (std::size_t f = 0; f < heard.size(); ++f) {
        const bool right = heard[f].role == kit.truth(f), open = heard[f].role == Role::other;
        (right ? s.right : open ? s.open : s.wrong) += 1;
        s.wrong_and_sure += !right && !open && heard[f].sure ? 1 : 0;
    }
    return s;
}

} // namespace

TEST_CASE("ten mics without names are told apart by what they hear", "[analysis][roles]") {
    const auto [seed, tone] = GENERATE(std::pair(91, Tone::open), std::pair(92, Tone::deadened),
                                       std::pair(93, Tone::open), std::pair(94, Tone::open));
    const Kit kit(static_cast<std::uint64_t>(seed), tone);
    const auto heard = kit.heard();
    const auto s = score(kit, heard);
    CAPTURE(seed);
    CHECK(s.right >= 9);
    CHECK(s.wrong == 0);
    for (std::size_t f = 0; f < heard.size(); ++f)
        if (is_overhead(kit.truth(f))) CHECK(heard[f].side == HeardRole::Side::by_hearing);
}

TEST_CASE("what has no mic is not found in another", "[analysis][roles]") {
    Kit kit(95);
    const auto left_out = GENERATE(0, 1, 2, 3, 4);
    switch (left_out) {
    case 0:
        kit.leave_out({Role::hihat, Role::room_mono, Role::rack_tom, Role::floor_tom});
        break;
    case 1:
        kit.leave_out({Role::rack_tom});
        break;
    case 2:
        kit.leave_out({Role::overhead_left, Role::overhead_right});
        break;
    case 3:
        kit.leave_out({Role::kick_in, Role::kick_out});
        break;
    default:
        kit.leave_out({Role::snare_top, Role::snare_bottom});
        break;
    }
    const auto s = score(kit, kit.heard());
    CAPTURE(left_out);
    CHECK(s.wrong_and_sure == 0);
    if (left_out < 4) CHECK(s.wrong == 0); // without its snare a kit has no middle
}

TEST_CASE("a role that is known stays, and no other mic gets it", "[analysis][roles]") {
    Kit kit(96);
    for (std::size_t f = 0; f < kit.known.size(); ++f)
        if (f % 2 == 0) kit.known[f] = kit.truth(f);
    // a person may call a mic what it is not
    const auto hat = std::size_t(
        std::find(kit.order.begin(), kit.order.end(), *kit.simulator.mic(Role::hihat)) - kit.order.begin());
    kit.known[hat] = Role::ride;
    const auto heard = kit.heard();
    std::vector<Role> roles;
    for (std::size_t f = 0; f < heard.size(); ++f) {
        if (kit.known[f] != Role::other) CHECK((heard[f].role == kit.known[f] && heard[f].sure));
        if (f != hat && heard[f].role != Role::other) CHECK(heard[f].role == kit.truth(f));
        if (heard[f].role != Role::other) roles.push_back(heard[f].role);
    }
    std::sort(roles.begin(), roles.end());
    CHECK(std::adjacent_find(roles.begin(), roles.end()) == roles.end());
}

TEST_CASE("gains and the order of the files change no guess", "[analysis][roles]") {
    Kit kit(97);
    const auto before = kit.heard();
    std::reverse(kit.order.begin(), kit.order.end());
    for (std::size_t m = 0; m < kit.samples.size(); ++m)
        for (auto& x : kit.samples[m]) x *= m % 2 == 0 ? 0.25f : 2.0f;
    const auto after = kit.heard();
    for (std::size_t f = 0; f < before.size(); ++f) {
        CHECK(after[before.size() - 1 - f].role == before[f].role);
        CHECK(after[before.size() - 1 - f].sure == before[f].sure);
    }
}

TEST_CASE("what is silent, hums or hisses stays open", "[analysis][roles]") {
    Kit kit(98);
    const auto file = [&](Role role) {
        return std::size_t(std::find(kit.order.begin(), kit.order.end(), *kit.simulator.mic(role)) -
                           kit.order.begin());
    };
    auto& dead = kit.samples[*kit.simulator.mic(Role::rack_tom)];
    std::fill(dead.begin(), dead.end(), 0.0f);
    auto& hum = kit.samples[*kit.simulator.mic(Role::room_mono)];
    for (std::size_t n = 0; n < hum.size(); ++n)
        hum[n] = 0.1f * float(std::sin(2.0 * 3.14159265358979 * 50.0 / 48'000.0 * double(n)));
    const auto heard = kit.heard();
    CHECK((heard[file(Role::rack_tom)].role == Role::other && heard[file(Role::rack_tom)].silent));
    CHECK(heard[file(Role::room_mono)].role == Role::other);
    CHECK(score(kit, heard).wrong == 0);
}

TEST_CASE("a take of nothing has no roles", "[analysis][roles]") {
    const std::vector<float> silence(48'000, 0.0f);
    for (const auto frames : {std::size_t{0}, std::size_t{30}, silence.size()}) {
        const auto part = std::span(silence).first(frames);
        MicScan scan(48'000.0);
        scan.push(part);
        std::vector<ScanFeatures> scans{scan.finish()};
        const auto heard = hear_roles(take_of(48'000.0, {{"", Role::other}}, {part}), scans);
        REQUIRE(heard.size() == 1);
        CHECK((heard[0].role == Role::other && heard[0].silent && !heard[0].sure));
    }
}

TEST_CASE("a click and a bass on a cable are never surely a drum's mic", "[analysis][roles]") {
    Kit kit(99);
    const auto length = kit.samples[0].size();
    std::vector<float> click(length), bass(length);
    for (std::size_t beat = 0; beat < 50; ++beat) { // at the take's own tempo, as the drummer heard it
        const auto start = std::size_t(48'000.0 * 60.0 / 104.0 * double(beat));
        for (std::size_t n = 0; n < 12'000 && start + n < length; ++n) {
            const double t = double(n) / 48'000.0, turn = 2.0 * 3.14159265358979;
            click[start + n] += float(0.5 * std::sin(turn * 1'500.0 * t) * std::exp(-150.0 * t));
            for (int h = 1; h < 9; ++h)
                bass[start + n] += float(0.2 / h * std::sin(turn * 55.0 * h * t) * std::exp(-4.0 * t));
        }
    }
    for (auto* track : {&click, &bass}) {
        kit.order.push_back(kit.samples.size());
        kit.samples.push_back(std::move(*track));
        kit.known.push_back(Role::other);
    }
    const auto heard = kit.heard();
    std::size_t right = 0;
    for (std::size_t f = 0; f < heard.size(); ++f) {
        const bool drum = f + 2 < heard.size();
        right += drum && heard[f].role == kit.truth(f) ? 1 : 0;
        if (heard[f].sure) CHECK((drum && heard[f].role == kit.truth(f)));
    }
    CHECK(right >= 5); // their strokes lie over the drums', so less is told than without them
}
