// Settings from judged pairs: made-up pairs, so that the answer is known by arithmetic.
#include "pairs/alignment.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

using namespace kitfold::dsp;

namespace {

/// Where each drum's sound starts and each mic stands, in ms of sound, and what was done to the files.
struct Kit {
    std::vector<TakeMic> mics{{"Kick in", Role::kick_in},
                              {"Kick out", Role::kick_out},
                              {"Snare top", Role::snare_top},
                              {"Snare bottom", Role::snare_bottom},
                              {"Rack tom", Role::rack_tom},
                              {"Floor tom", Role::floor_tom},
                              {"Hi-hat", Role::hihat},
                              {"Overhead left", Role::overhead_left},
                              {"Overhead right", Role::overhead_right}};
    std::vector<double> late = std::vector<double>(9, 0.0);
    std::vector<bool> flipped = std::vector<bool>(9, false);

    void add(std::vector<Pair>& to, std::size_t a, std::size_t b, Drum drum, double way_ms, bool opposite,
             double confidence) const {
        Pair p;
        p.a = a, p.b = b, p.drum = drum, p.confidence = confidence;
        p.delay_ms = way_ms + late[b] - late[a] + mics[b].delay_ms - mics[a].delay_ms;
        p.opposite = opposite != (flipped[a] != flipped[b]) != (mics[a].inverted != mics[b].inverted);
        to.push_back(p);
    }
    /// All pairs of the kit; overheads 1.1 m apart, so that a drum may be heard 1.5 ms earlier in one.
    [[nodiscard]] std::vector<Pair> pairs(std::mt19937& engine) const {
        std::uniform_real_distribution<double> sure(0.6, 1.0);
        std::vector<Pair> out;
        add(out, 0, 1, Drum::kick, 1.6, true, sure(engine));
        add(out, 2, 3, Drum::snare, 0.4, true, sure(engine));
        const double ways[]{3.9, 2.3, 2.7, 2.3, 2.3, 3.1, 2.4}, nearer[]{0.2, 0.2, 0.4, 0.4, 0.1, -1.5, 1.5};
        for (std::size_t m = 0; m < 7; ++m) {
            const Drum drum = *own_drum(mics[m].role);
            add(out, m, 7, drum, ways[m], m == 0 || m == 3, sure(engine));
            add(out, m, 8, drum, ways[m] + nearer[m], m == 0 || m == 3, sure(engine));
        }
        add(out, 7, 8, Drum::rack_tom, 0.1, false, sure(engine));
        return out;
    }
    void set(const std::vector<MicSetting>& settings) {
        for (std::size_t m = 0; m < mics.size(); ++m)
            mics[m].inverted = settings[m].inverted, mics[m].delay_ms = settings[m].delay_ms;
    }
};

std::size_t to_fix(const Kit& kit, const std::vector<Pair>& pairs) {
    return static_cast<std::size_t>(
        std::count_if(pairs.begin(), pairs.end(), [&](const Pair& p) { return fix_for(kit.mics, p).any(); }));
}

} // namespace

TEST_CASE("files up to 20 ms late and any of them upside down: one setting leaves nothing to fix",
          "[check]") {
    for (std::uint32_t seed = 1; seed <= 300; ++seed) {
        std::mt19937 engine(seed);
        std::uniform_real_distribution<double> late(0.0, 20.0);
        Kit kit;
        for (std::size_t m = 0; m < kit.mics.size(); ++m)
            kit.late[m] = late(engine), kit.flipped[m] = engine() % 2 == 0;
        auto again = engine; // the same figures the second time
        kit.set(align(kit.mics, kit.pairs(engine)));
        const auto second = kit.pairs(again);
        INFO("seed " << seed);
        CHECK(to_fix(kit, second) == 0);
        for (const auto& m : kit.mics) CHECK((m.delay_ms >= 0.0 && m.delay_ms <= 50.0));
        const auto third = align(kit.mics, second); // and nothing moves any more
        for (std::size_t m = 0; m < third.size(); ++m) {
            CHECK(third[m].delay_ms == Approx(kit.mics[m].delay_ms).epsilon(0).margin(1e-9));
            CHECK(third[m].inverted == kit.mics[m].inverted);
        }
    }
}

TEST_CASE("a kit in order but for its kick mics: only the kick moves, one mic is flipped", "[check]") {
    Kit kit;
    std::mt19937 engine(1);
    const auto settings = align(kit.mics, kit.pairs(engine));
    // Kick in is heard 1.6 ms before kick out, snare top 0.4 ms before snare bottom: by the kit above.
    const std::vector<double> delays{1.6, 0.0, 0.4, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0};
    for (std::size_t m = 0; m < settings.size(); ++m) {
        INFO(kit.mics[m].name);
        CHECK(settings[m].delay_ms == Approx(delays[m]).epsilon(0).margin(1e-9));
        CHECK(settings[m].inverted == (m == 0 || m == 3));
    }
}

TEST_CASE("pairs that were not judged change nothing", "[check]") {
    Kit kit;
    kit.late[2] = 15.0, kit.flipped[2] = true;
    kit.mics[4].delay_ms = 3.0, kit.mics[4].inverted = true;
    std::mt19937 engine(1);
    auto pairs = kit.pairs(engine);
    for (auto& p : pairs) p.confidence = 0.4;
    const auto settings = align(kit.mics, pairs);
    for (std::size_t m = 0; m < settings.size(); ++m) {
        CHECK(settings[m].delay_ms == kit.mics[m].delay_ms);
        CHECK(settings[m].inverted == kit.mics[m].inverted);
    }
}
