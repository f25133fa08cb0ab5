#include "mix/kit_mix.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <random>

using namespace kitfold::dsp;

namespace {

using Tracks = std::vector<std::vector<float>>;

/// Hits of noise that die away, a different one in each mic.
Tracks some_drums(std::size_t mics, std::size_t frames) {
    std::mt19937 random(7);
    Tracks t(mics, std::vector<float>(frames));
    for (std::size_t m = 0; m < mics; ++m)
        for (std::size_t n = 0; n < frames; ++n) {
            const double since = static_cast<double>((n + 977 * m) % 4800) / 4800.0;
            const double noise = static_cast<double>(random()) / 4294967296.0 - 0.5;
            t[m][n] = static_cast<float>(noise * std::exp(-8.0 * since));
        }
    return t;
}

/// Every kind of strip: bare, delayed, kick, gate, look-ahead.
std::vector<MicStrip> some_strips(std::size_t mics) {
    std::vector<MicStrip> strips(mics);
    for (std::size_t m = 0; m < mics; ++m) {
        auto& s = strips[m];
        s.mix.pan = -1.0 + 2.0 * static_cast<double>(m) / static_cast<double>(mics);
        s.mix.level_db = -static_cast<double>(m);
        if (m % 2 == 1) s.mix.delay_ms = 0.37 * static_cast<double>(m);
        if (m % 3 == 1) s.mix.polarity = Polarity::inverted;
        if (m % 3 == 0) s.kick = KickSettings{.box_db = -3.0, .bleed_cut_slope = Slope::db_12};
        if (m % 4 < 2) s.gate = GateSettings{.threshold_db = -20.0, .hold_ms = 5.0, .key_high_pass_hz = 80.0};
        if (m % 5 == 2)
            s.damp =
                DampSettings{.amount = 0.7, .high_db_per_s = 60.0, .tail_db_per_s = 20.0, .band_count = 2};
        if (m == 4) s.gate->lookahead_ms = 2.0;
    }
    return strips;
}

struct Stereo {
    std::vector<float> left, right;
    bool operator==(const Stereo&) const = default;
};

Stereo run(KitMix& mix, const Tracks& tracks, std::size_t block) {
    const std::size_t frames = tracks[0].size();
    Stereo out{std::vector<float>(frames), std::vector<float>(frames)};
    std::vector<const float*> rows(tracks.size());
    for (std::size_t at = 0; at < frames; at += block) {
        for (std::size_t m = 0; m < tracks.size(); ++m) rows[m] = tracks[m].data() + at;
        mix.process(rows.data(), out.left.data() + at, out.right.data() + at, std::min(block, frames - at));
    }
    return out;
}

} // namespace

TEST_CASE("a mic with no block at pan -1, law 0, level 0 comes out as it went in", "[mix]") {
    auto tracks = some_drums(1, 5000);
    MicStrip strip;
    strip.mix.pan = -1.0;
    KitMix mix;
    REQUIRE(mix.prepare(48'000.0, std::vector{strip}, SumSettings{.pan_law_db = PanLaw::db_0}, {}, 0.0) ==
            nullptr);
    const auto out = run(mix, tracks, 333);
    CHECK(mix.latency() == 0);
    CHECK(out.left == tracks[0]);
    CHECK(out.right == std::vector<float>(5000, 0.0f));
}

TEST_CASE("the submix is the same at any block size and instruction set", "[mix]") {
    const auto tracks = some_drums(11, 20'000);
    const auto strips = some_strips(11);
    KitMix reference;
    REQUIRE(reference.prepare(44'100.0, strips, {}, BusSettings{.threshold_db = -30.0}, -1.0, Isa::scalar) ==
            nullptr);
    const auto expected = run(reference, tracks, 20'000);
    CHECK(*std::max_element(expected.left.begin(), expected.left.end()) > 0.1f);
    for (const Isa isa : {Isa::scalar, Isa::sse2, Isa::avx2, Isa::avx512}) {
        if (!runs(isa)) continue;
        for (const std::size_t block : {1u, 37u, 512u, 4096u}) {
            KitMix mix;
            REQUIRE(mix.prepare(44'100.0, strips, {}, BusSettings{.threshold_db = -30.0}, -1.0, isa) ==
                    nullptr);
            INFO("isa " << static_cast<int>(isa) << ", block " << block);
            CHECK(run(mix, tracks, block) == expected);
        }
    }
}

namespace {

/// The same in two halves, the first of which runs through all of the blocks before the second begins.
Stereo run_in_halves(KitMix& mix, Tracks tracks, std::size_t block) {
    const std::size_t frames = tracks[0].size();
    Stereo out{std::vector<float>(frames), std::vector<float>(frames)};
    std::vector<float*> rows(tracks.size());
    for (const bool first : {true, false})
        for (std::size_t at = 0; at < frames; at += block) {
            const std::size_t count = std::min(block, frames - at);
            for (std::size_t m = 0; m < tracks.size(); ++m) rows[m] = tracks[m].data() + at;
            if (first)
                mix.shape(rows.data(), count);
            else
                mix.finish(rows.data(), out.left.data() + at, out.right.data() + at, count);
        }
    return out;
}

} // namespace

TEST_CASE("the submix made in two halves is the submix", "[mix]") {
    const std::size_t mics = GENERATE(1u, 3u, 10u, 27u);
    const bool keyed = GENERATE(false, true);
    const auto tracks = some_drums(mics, 20'000);
    auto strips = some_strips(mics);
    KitKeyTable table;
    table.mics.resize(mics);
    if (keyed) {
        strips[0].gate = GateSettings{.threshold_db = -30.0, .key = GateKey::kit};
        table.mics[0].known = true;
    }
    KitMix whole, halves;
    for (auto* mix : {&whole, &halves})
        REQUIRE(mix->prepare(44'100.0, strips, {}, BusSettings{.threshold_db = -30.0}, -1.0, best_isa(),
                             table) == nullptr);
    CHECK(whole.kit_keyed(0) == keyed);
    CHECK(run_in_halves(halves, tracks, 1111) == run(whole, tracks, 1111));
    for (std::size_t m = 0; m < mics; ++m) {
        CHECK(halves.peak(m) == whole.peak(m));
        CHECK(halves.gate_open(m) == whole.gate_open(m));
    }
}

TEST_CASE("look-ahead and fractional delays make every mic equally late", "[mix]") {
    Tracks tracks(3, std::vector<float>(1000));
    for (auto& t : tracks) t[100] = 1.0f;
    std::vector<MicStrip> strips(3);
    for (auto& s : strips) s.mix.pan = -1.0;
    strips[1].gate = GateSettings{.range_db = 0.0, .lookahead_ms = 1.0};
    strips[2].mix.delay_ms = 0.01; // 0.48 samples
    KitMix mix;
    REQUIRE(mix.prepare(48'000.0, strips, {}, {}, 0.0) == nullptr);
    CHECK(mix.latency() == 48); // the look-ahead leaves room for the fractional delay
    std::vector<std::vector<float>> stems(3, std::vector<float>(1000));
    float* rows[] = {stems[0].data(), stems[1].data(), stems[2].data()};
    const float* in[] = {tracks[0].data(), tracks[1].data(), tracks[2].data()};
    std::vector<float> left(1000), right(1000);
    mix.process(in, left.data(), right.data(), 1000, rows);
    CHECK(stems[0][100 + mix.latency()] == 1.0f);
    CHECK(stems[1][100 + mix.latency()] == 1.0f);
    double centre = 0.0, sum = 0.0; // first moment of the interpolated click
    for (std::size_t n = 0; n < 1000; ++n)
        centre += static_cast<double>(n) * stems[2][n], sum += static_cast<double>(stems[2][n]);
    CHECK(centre / sum - 100.0 - static_cast<double>(mix.latency()) == Approx(0.48).epsilon(0).margin(0.01));
}

namespace {

/// Mic 0 and 1 share one drum, 1 hears it 6 dB softer and 2 ms late; the others are as in some_drums().
Tracks drums_with_bleed(std::size_t mics, std::size_t frames) {
    auto t = some_drums(mics, frames);
    std::fill(t[1].begin(), t[1].end(), 0.0f);
    for (std::size_t n = 88; n < frames; ++n) t[1][n] = 0.5f * t[0][n - 88];
    return t;
}

KitKeyTable bleed_of_0_in_1(std::size_t mics) {
    KitKeyTable table;
    table.mics.resize(mics);
    for (auto& m : table.mics) m.noise_db.fill(kOffDb), m.wash_db.fill(kOffDb);
    table.mics[1].known = true;
    KitKeyTable::Bleed bleed{0, 1, {}};
    bleed.gain_db.fill(3.0);
    table.bleed.push_back(bleed);
    return table;
}

} // namespace

TEST_CASE("a gate with the kit as its key stays shut for what another mic explains", "[mix]") {
    const auto tracks = drums_with_bleed(11, 20'000);
    auto strips = some_strips(11);
    const auto kit = GateKey::kit;
    strips[1].gate = GateSettings{.threshold_db = -40.0, .key = kit};
    strips[1].mix.delay_ms = 0.0, strips[1].mix.polarity = Polarity::normal;
    KitMix reference, plain, unknown;
    const auto table = bleed_of_0_in_1(11);
    REQUIRE(reference.prepare(44'100.0, strips, {}, {}, 0.0, Isa::scalar, table) == nullptr);
    const auto expected = run(reference, tracks, 20'000);
    CHECK(reference.kit_keyed(1));
    CHECK_FALSE(reference.kit_keyed(0));
    CHECK(reference.gate_open(1) == 0.0);
    SECTION("at any block size and instruction set") {
        for (const Isa isa : {Isa::scalar, Isa::sse2, Isa::avx2, Isa::avx512}) {
            if (!runs(isa)) continue;
            for (const std::size_t block : {1u, 37u, 4096u}) {
                KitMix mix;
                REQUIRE(mix.prepare(44'100.0, strips, {}, {}, 0.0, isa, table) == nullptr);
                INFO("isa " << static_cast<int>(isa) << ", block " << block);
                CHECK(run(mix, tracks, block) == expected);
            }
        }
    }
    SECTION("without a table it is the plain gate") {
        REQUIRE(unknown.prepare(44'100.0, strips, {}, {}, 0.0) == nullptr);
        CHECK_FALSE(unknown.kit_keyed(1));
        const auto got = run(unknown, tracks, 4096);
        CHECK(unknown.gate_open(1) > 0.5);
        strips[1].gate->key = GateKey::own;
        REQUIRE(plain.prepare(44'100.0, strips, {}, {}, 0.0) == nullptr);
        CHECK(run(plain, tracks, 4096) == got);
    }
}

TEST_CASE("a mix that can move plays the same samples while it is left alone", "[mix][move]") {
    const auto tracks = some_drums(11, 20'000);
    MixSettings settings{some_strips(11), {}, BusSettings{.threshold_db = -30.0}, -1.0, {}};
    const bool with_bus = GENERATE(true, false);
    if (!with_bus) settings.bus.reset();
    KitMix reference, mix;
    REQUIRE(reference.prepare(44'100.0, settings.strips, settings.sum, settings.bus, -1.0) == nullptr);
    REQUIRE(mix.prepare_to_move(44'100.0, settings) == nullptr);
    CHECK(mix.latency() == reference.latency());
    CHECK(run(mix, tracks, 64) == run(reference, tracks, 20'000));
}

TEST_CASE("a mix that moved and was reset is the one prepared so, and a move clicks nowhere", "[mix][move]") {
    const auto tracks = some_drums(11, 20'000);
    MixSettings bare{std::vector<MicStrip>(11), {}, {}, 0.0, {}};
    const MixSettings full{some_strips(11), {}, BusSettings{.threshold_db = -30.0}, -1.0, {}};
    KitMix mix, reference;
    REQUIRE(mix.prepare_to_move(48'000.0, bare) == nullptr);
    (void)run(mix, tracks, 64);
    const RealTimeGuard guard;
    mix.set(full);
    CHECK(guard.calls() == 0);
    (void)run(mix, tracks, 64);
    mix.reset();
    REQUIRE(reference.prepare_to_move(48'000.0, full) == nullptr);
    const auto expected = run(reference, tracks, 64);
    CHECK(run(mix, tracks, 64) == expected);
    bare.output_level_db = -40.0;
    mix.set(bare), mix.set(full); // and a reset ends a move that has only begun
    mix.reset();
    CHECK(run(mix, tracks, 64) == expected);
}

TEST_CASE("a level that is set while a mix plays arrives in a straight line of 20 ms", "[mix][move]") {
    MixSettings settings{std::vector<MicStrip>(1), {}, {}, 0.0, {}};
    settings.strips[0].mix.pan = -1.0, settings.sum.pan_law_db = PanLaw::db_0;
    KitMix mix;
    REQUIRE(mix.prepare_to_move(48'000.0, settings) == nullptr);
    const Tracks ones(1, std::vector<float>(2'000, 1.0f));
    (void)run(mix, ones, 64);
    settings.output_level_db = -20.0;
    mix.set(settings);
    const auto out = run(mix, ones, 64);
    for (std::size_t n = 0; n < 960; n += 37) // 1 to 0.1 in 960 samples
        CHECK(out.left[n] == Approx(1.0 - 0.9 * double(n + 1) / 960.0).epsilon(0).margin(1e-6));
    CHECK(out.left[960] == Approx(0.1).epsilon(0).margin(1e-7));
}
