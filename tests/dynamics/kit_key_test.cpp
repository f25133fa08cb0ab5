#include "core/units.h"
#include "dynamics/kit_key.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <limits>
#include <numbers>
#include <random>

using namespace kitfold::dsp;

namespace {

using Tracks = std::vector<std::vector<float>>;

/// Adds a drum's hit: a partial that dies away by 60 dB in `ring_ms`.
void add_hit(std::vector<float>& x, double rate_hz, double at_s, double level_db, double hz, double ring_ms) {
    const double alpha = std::log(1000.0) / (ring_ms / 1000.0), level = gain_from_db(level_db);
    for (auto n = static_cast<std::size_t>(std::ceil(at_s * rate_hz)); n < x.size(); ++n) {
        const double t = static_cast<double>(n) / rate_hz - at_s;
        x[n] += static_cast<float>(level * std::exp(-alpha * t) * std::sin(2.0 * std::numbers::pi * hz * t));
    }
}

/// Mic 0 and mic 1 hear each other's drum 12 dB softer and 1.5 ms late.
KitKeyTable two_drums() {
    KitKeyTable table;
    table.mics.resize(2);
    for (auto& m : table.mics) m.known = true, m.noise_db.fill(kOffDb), m.wash_db.fill(kOffDb);
    for (const auto& [a, b] : {std::pair{0, 1}, std::pair{1, 0}}) {
        KitKeyTable::Bleed bleed{static_cast<std::size_t>(a), static_cast<std::size_t>(b), {}};
        bleed.gain_db.fill(-9.0); // a margin of 3 dB
        table.bleed.push_back(bleed);
    }
    return table;
}

void add_to_both(Tracks& mics, double rate_hz, std::size_t own, double at_s, double level_db, double hz) {
    add_hit(mics[own], rate_hz, at_s, level_db, hz, 400.0);
    add_hit(mics[1 - own], rate_hz, at_s + 0.0015, level_db - 12.0, hz, 400.0);
}

Tracks keys_of(KitKey& key, const Tracks& mics, std::size_t block) {
    Tracks keys(mics.size(), std::vector<float>(mics[0].size()));
    std::vector<const float*> in(mics.size());
    std::vector<float*> out(mics.size());
    for (std::size_t at = 0; at < mics[0].size(); at += block) {
        for (std::size_t m = 0; m < mics.size(); ++m)
            in[m] = mics[m].data() + at, out[m] = keys[m].data() + at;
        key.process(in.data(), in.data(), out.data(), std::min(block, mics[0].size() - at));
    }
    return keys;
}

double peak_db(const std::vector<float>& x, double rate_hz, double from_s, double to_s) {
    float most = 0.0f;
    for (auto n = static_cast<std::size_t>(from_s * rate_hz); n < static_cast<std::size_t>(to_s * rate_hz);
         ++n)
        most = std::max(most, std::fabs(x[n]));
    return db_from_gain(static_cast<double>(most));
}

Tracks noise(std::size_t mics, std::size_t frames) {
    std::mt19937 random(5);
    Tracks t(mics, std::vector<float>(frames));
    for (auto& x : t)
        for (auto& s : x) s = static_cast<float>(random()) / 4294967296.0f - 0.5f;
    return t;
}

} // namespace

TEST_CASE("a mic that the table does not know is its own key", "[dynamics]") {
    const auto mics = noise(3, 5000);
    KitKey key;
    REQUIRE(key.prepare(48'000.0, 3));
    CHECK(keys_of(key, mics, 333) == mics);
    auto table = two_drums();
    key.set(table);
    CHECK(keys_of(key, mics, 333)[2] == mics[2]);
}

TEST_CASE("bleed that another mic explains is no key, a softer own hit is", "[dynamics]") {
    const double rate_hz = GENERATE(8'000.0, 44'100.0, 48'000.0, 192'000.0, 384'000.0);
    Tracks mics(2, std::vector<float>(static_cast<std::size_t>(1.6 * rate_hz)));
    add_to_both(mics, rate_hz, 1, 0.1, 0.0, 180.0);   // loud neighbour: -12 dB in mic 0
    add_to_both(mics, rate_hz, 0, 0.5, -20.0, 120.0); // soft own hit
    add_to_both(mics, rate_hz, 0, 1.0, -6.0, 120.0);
    KitKey key;
    REQUIRE(key.prepare(rate_hz, 2));
    key.set(two_drums());
    const auto keys = keys_of(key, mics, mics[0].size());
    INFO("rate " << rate_hz);
    CHECK(peak_db(mics[0], rate_hz, 0.1, 0.4) > -13.0);
    CHECK(peak_db(keys[0], rate_hz, 0.1, 0.4) < -90.0);
    // its own level: -20 and -6 dB less what dies away before the first crest and what the bands lose between
    // them; a band-pass of Q 1 twice is down by 2 x 1 dB a quarter octave off its centre
    CHECK(peak_db(keys[0], rate_hz, 0.5, 0.7) == Approx(-21.0).epsilon(0).margin(2.0));
    CHECK(peak_db(keys[0], rate_hz, 1.0, 1.2) == Approx(-7.0).epsilon(0).margin(2.0));
    CHECK(peak_db(keys[1], rate_hz, 1.0, 1.2) < -90.0);
}

TEST_CASE("who hears a hit first owns it, even where both hear it alike", "[dynamics]") {
    const double rate_hz = 48'000.0;
    Tracks mics(2, std::vector<float>(48'000));
    add_hit(mics[0], rate_hz, 0.1, -6.0, 150.0, 400.0);
    add_hit(mics[1], rate_hz, 0.102, -6.0, 150.0, 400.0);
    auto table = two_drums();
    for (auto& b : table.bleed) b.gain_db.fill(3.0);
    KitKey key;
    REQUIRE(key.prepare(rate_hz, 2));
    key.set(table);
    const auto keys = keys_of(key, mics, 512);
    CHECK(peak_db(keys[0], rate_hz, 0.1, 0.3) > -9.0);
    CHECK(peak_db(keys[1], rate_hz, 0.1, 0.3) < -60.0);
}

TEST_CASE("what a response foretells is no key, and does not hide a hit under it", "[dynamics]") {
    const double rate_hz = GENERATE(44'100.0, 48'000.0, 96'000.0);
    Tracks mics(2, std::vector<float>(static_cast<std::size_t>(rate_hz)));
    add_hit(mics[1], rate_hz, 0.1, 0.0, 180.0, 400.0);
    // 8 samples of 6 kHz later and as loud: 1.33 ms
    add_hit(mics[0], rate_hz, 0.1 + 8.0 / 6000.0, 0.0, 180.0, 400.0);
    auto alone = mics;
    add_hit(mics[0], rate_hz, 0.12, -20.0, 120.0, 400.0); // 20 dB under the bleed that still rings
    auto table = two_drums();
    table.bleed[1].gain_db.fill(-26.0), table.bleed[0].gain_db.fill(-26.0);
    table.bleed[1].response.assign(kResponseTaps, 0.0);
    table.bleed[1].response[8] = 1.0;
    KitKey key;
    REQUIRE(key.prepare(rate_hz, 2));
    key.set(table);
    INFO("rate " << rate_hz);
    CHECK(peak_db(keys_of(key, alone, 512)[0], rate_hz, 0.0, 1.0) < -60.0);
    key.reset();
    const auto heard = keys_of(key, mics, 512)[0];
    CHECK(peak_db(heard, rate_hz, 0.1, 0.12) < -60.0);
    CHECK(peak_db(heard, rate_hz, 0.12, 0.2) > -30.0);
}

TEST_CASE("a response keeps its sound at another rate", "[dynamics]") {
    std::vector<double> tap(kResponseTaps, 0.0);
    tap[12] = 0.5;
    std::vector<float> same(kResponseTaps), other(56);
    resample_response(tap, 6000.0, same, 6000.0);
    CHECK((same[12] == 0.5f && same[11] == 0.0f));
    resample_response(tap, 6000.0, other, 6300.0);
    // at 100 Hz: the same gain and 2 ms
    double re = 0.0, im = 0.0;
    for (std::size_t k = 0; k < other.size(); ++k) {
        const double angle = 2.0 * std::numbers::pi * 100.0 * (static_cast<double>(k) / 6300.0 - 0.002);
        re += static_cast<double>(other[k]) * std::cos(angle),
            im -= static_cast<double>(other[k]) * std::sin(angle);
    }
    CHECK(re == Approx(0.5).epsilon(0).margin(0.01));
    CHECK(im == Approx(0.0).margin(0.01));
}

TEST_CASE("mics whose key nobody asks for change nothing of the others' keys", "[dynamics]") {
    const auto mics = noise(3, 9'001);
    auto table = two_drums();
    table.mics.push_back(table.mics[0]);
    table.bleed.push_back({0, 2, table.bleed[0].gain_db}); // nobody hears mic 2
    KitKey all, some;
    REQUIRE((all.prepare(48'000.0, 3) && some.prepare(48'000.0, 3)));
    all.set(table), some.set(table, std::vector<char>{0, 1, 0});
    CHECK(keys_of(some, mics, 512)[1] == keys_of(all, mics, 512)[1]);
}

TEST_CASE("keys are the same at any block size, and never louder than the mic", "[dynamics]") {
    const double rate_hz = GENERATE(44'100.0, 48'000.0, 96'000.0);
    const auto mics = noise(2, 9'001);
    KitKey reference;
    REQUIRE(reference.prepare(rate_hz, 2));
    reference.set(two_drums());
    reference.set_delay(0, 3.1, 0.0), reference.set_delay(1, 0.0, 2.0);
    const auto expected = keys_of(reference, mics, mics[0].size());
    for (std::size_t n = 0; n < mics[0].size(); ++n)
        CHECK_FALSE(std::fabs(expected[0][n]) > std::fabs(mics[0][n]));
    for (const std::size_t block : {1u, 7u, 64u, 4096u}) {
        reference.reset();
        CHECK(keys_of(reference, mics, block) == expected);
    }
}

TEST_CASE("NaN in a mic is silence to the keys and gone with its sample", "[dynamics]") {
    auto mics = noise(2, 4'000);
    auto clean = mics;
    for (std::size_t n = 1'000; n < 1'100; ++n) {
        mics[1][n] =
            n % 2 == 0 ? std::numeric_limits<float>::quiet_NaN() : -std::numeric_limits<float>::infinity();
        clean[1][n] = 0.0f;
    }
    KitKey a, b;
    REQUIRE((a.prepare(48'000.0, 2) && b.prepare(48'000.0, 2)));
    a.set(two_drums()), b.set(two_drums());
    CHECK(keys_of(a, mics, 512) == keys_of(b, clean, 512));
}

TEST_CASE("KitKey refuses what it cannot do and leaves the heap alone", "[dynamics]") {
    KitKey key;
    CHECK_FALSE(key.prepare(0.0, 2));
    CHECK_FALSE(key.prepare(48'000.0, 0));
    CHECK_FALSE(key.prepare(48'000.0, 33));
    REQUIRE(key.prepare(48'000.0, 32));
    const auto mics = noise(32, 2'000);
    Tracks keys = mics;
    std::vector<const float*> in;
    std::vector<float*> out;
    for (std::size_t m = 0; m < 32; ++m) in.push_back(mics[m].data()), out.push_back(keys[m].data());
    const auto table = two_drums();
    const RealTimeGuard guard;
    key.set(table);
    key.set_delay(3, 50.0, 10.0);
    key.process(in.data(), in.data(), out.data(), 2'000);
    CHECK(guard.calls() == 0);
}
