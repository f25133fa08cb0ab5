// Sum's gates against those of KitMix, which `bounce` runs.
#include "mix/kit_mix.h"
#include "mix/sum.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

using namespace kitfold::dsp;

namespace {

using Tracks = std::vector<std::vector<float>>;
constexpr double kRateHz = 44'100.0;
constexpr auto kKit = GateKey::kit;

/// Three mics: hits of two drums, each softer in the other's mic, and noise in a third.
Tracks three_mics() {
    std::mt19937 random(3);
    Tracks t(3, std::vector<float>(40'000));
    for (std::size_t n = 0; n < t[0].size(); ++n) {
        const auto hit = [n](std::size_t from, double hz) {
            const double s = n < from ? -1.0 : static_cast<double>(n - from) / kRateHz;
            return s < 0.0 ? 0.0 : std::exp(-20.0 * s) * std::sin(6.2832 * hz * s);
        };
        const double a = 0.5 * hit(3'000, 180.0) + 0.3 * hit(25'000, 180.0), b = 0.05 * hit(15'000, 120.0);
        t[0][n] = static_cast<float>(a + 0.2 * b), t[1][n] = static_cast<float>(b + 0.25 * a);
        t[2][n] = static_cast<float>(random()) / 4294967296.0f - 0.5f;
    }
    return t;
}

KitKeyTable table_of_three() {
    KitKeyTable table;
    table.mics.resize(3);
    for (auto& m : table.mics) m.weight_db.fill(0.0), m.noise_db.fill(-80.0), m.wash_db.fill(kOffDb);
    table.mics[1].known = true;
    table.bleed.push_back({0, 1, {}});
    table.bleed[0].gain_db.fill(-8.0);
    table.bleed[0].response.assign(kResponseTaps, 0.0);
    table.bleed[0].response[0] = 0.2;
    return table;
}

std::vector<MicStrip> strips_of_three(double lookahead_ms) {
    std::vector<MicStrip> strips(3);
    strips[1].gate = GateSettings{.threshold_db = -40.0, .lookahead_ms = lookahead_ms, .key = kKit};
    strips[2].gate = GateSettings{.threshold_db = -3.0};
    strips[0].mix.delay_ms = 1.7, strips[1].mix.pan = -0.5, strips[2].mix.polarity = Polarity::inverted;
    return strips;
}

void set_up(Sum& sum, const std::vector<MicStrip>& strips, const KitKeyTable* table) {
    for (std::size_t m = 0; m < strips.size(); ++m)
        REQUIRE((sum.set(m, strips[m].mix) == nullptr && sum.set_gate(m, strips[m].gate) == nullptr));
    sum.set_bleed(table);
    sum.settle();
    sum.reset();
}

template <class Mix> Tracks run(Mix& mix, const Tracks& tracks, std::size_t block) {
    Tracks out(2, std::vector<float>(tracks[0].size()));
    for (std::size_t at = 0; at < tracks[0].size(); at += block) {
        const float* rows[] = {tracks[0].data() + at, tracks[1].data() + at, tracks[2].data() + at};
        mix.process(rows, out[0].data() + at, out[1].data() + at, std::min(block, tracks[0].size() - at));
    }
    return out;
}

} // namespace

TEST_CASE("Sum with gates gives the samples of KitMix", "[mix]") {
    const auto tracks = three_mics();
    const auto table = table_of_three();
    const auto strips = strips_of_three(GENERATE(0.0, 4.0));
    KitMix kit;
    REQUIRE(kit.prepare(kRateHz, strips, {}, {}, 0.0, Isa::scalar, table) == nullptr);
    const auto expected = run(kit, tracks, 40'000);
    CHECK((kit.gate_open(1) > 0.05 && kit.gate_open(1) < 0.6));
    for (const Isa isa : {Isa::scalar, Isa::sse2, Isa::avx2, Isa::avx512}) {
        if (!runs(isa)) continue;
        for (const std::size_t block : {1u, 37u, 4096u}) {
            Sum sum;
            REQUIRE(sum.prepare(kRateHz, 3, isa));
            set_up(sum, strips, &table);
            INFO("isa " << static_cast<int>(isa) << ", block " << block);
            CHECK((sum.kit_keyed(1) && !sum.kit_keyed(2)));
            CHECK(sum.latency() == kit.latency());
            CHECK(run(sum, tracks, block) == expected);
            CHECK(sum.gate_open_samples(1) == kit.gate_open(1) * 40'000.0);
        }
    }
}

TEST_CASE("a gate of Sum that knows no bleed is a plain gate, and tells", "[mix]") {
    const auto tracks = three_mics();
    auto strips = strips_of_three(0.0), plain = strips;
    plain[1].gate->key = GateKey::own;
    Sum unknown, own;
    REQUIRE((unknown.prepare(kRateHz, 3) && own.prepare(kRateHz, 3)));
    set_up(unknown, strips, nullptr), set_up(own, plain, nullptr);
    CHECK_FALSE(unknown.kit_keyed(1));
    CHECK(run(unknown, tracks, 512) == run(own, tracks, 512));
}

TEST_CASE("Sum refuses a gate out of range and leaves the heap alone when gates and bleed change", "[mix]") {
    const auto tracks = three_mics();
    const auto table = table_of_three();
    Sum sum;
    REQUIRE(sum.prepare(kRateHz, 3));
    CHECK(sum.latency() == 0);
    REQUIRE(sum.set_gate(1, GateSettings{.lookahead_ms = 11.0}) != nullptr);
    CHECK(sum.set_gate(1, GateSettings{.lookahead_ms = 11.0})->key == std::string_view("lookahead_ms"));
    const auto strips = strips_of_three(2.0);
    const float* rows[] = {tracks[0].data(), tracks[1].data(), tracks[2].data()};
    std::vector<float> left(4'000), right(4'000);
    const RealTimeGuard guard;
    for (int round = 0; round < 4; ++round) {
        for (std::size_t m = 0; m < 3; ++m)
            (void)sum.set_gate(m, round % 2 == 0 ? strips[m].gate : std::nullopt);
        sum.set_bleed(round < 2 ? &table : nullptr);
        sum.settle();
        sum.process(rows, left.data(), right.data(), 4'000);
    }
    CHECK(guard.calls() == 0);
}
