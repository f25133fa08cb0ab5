// Bleed reduction against the simulator's truth. It was tried out on seeds 102 and 103.
#include "analysis/reduced_take.h"
#include <catch2/catch.hpp>
#include <cstdio>
#include <limits>

using namespace kitfold::dsp;
using namespace kitfold::test;

namespace {

/// Two mics, each with a source that the other hears 20 dB down.
BleedTransfer crosstalk() {
    BleedTransfer t;
    const auto flat = [](float power) { return std::vector<float>(bleed_window(48'000.0) / 2 + 1, power); };
    t.sources.push_back({Drum::kick, {flat(1.0f), flat(0.01f)}});
    t.sources.push_back({Drum::snare, {flat(0.01f), flat(1.0f)}});
    return t;
}

const std::vector<TakeMic> kTwo = {{"Kick", Role::kick_in}, {"Snare", Role::snare_top}};

/// Bursts in turn, the other mic 20 dB down.
std::vector<std::vector<float>> bursts() {
    std::vector<std::vector<float>> mics(2, std::vector<float>(48'000));
    for (std::size_t n = 0; n < mics[0].size(); ++n) {
        const std::size_t loud = n / 12'000 % 2;
        const auto x = static_cast<float>(std::sin(0.05 * static_cast<double>(n)) *
                                          std::exp(-3e-4 * static_cast<double>(n % 12'000)));
        mics[loud][n] = x, mics[1 - loud][n] = 0.1f * x;
    }
    return mics;
}

std::vector<std::vector<float>> reduced(std::vector<std::vector<float>> mics,
                                        const std::vector<double>& by_db, std::size_t block) {
    BleedReducer reducer;
    REQUIRE(reducer.prepare(48'000.0, kTwo, crosstalk(), by_db));
    for (auto& m : mics) m.resize(m.size() + reducer.latency(), 0.0f);
    for (std::size_t at = 0; at < mics[0].size(); at += block) {
        float* rows[] = {mics[0].data() + at, mics[1].data() + at};
        reducer.process(rows, std::min(block, mics[0].size() - at));
    }
    for (auto& m : mics) m.erase(m.begin(), m.begin() + static_cast<std::ptrdiff_t>(reducer.latency()));
    return mics;
}

double energy(const std::vector<float>& x, std::size_t from, std::size_t to) {
    double sum = 0.0;
    for (std::size_t n = from; n < to; ++n) sum += static_cast<double>(x[n]) * static_cast<double>(x[n]);
    return sum;
}

} // namespace

TEST_CASE("what another mic explains goes down by what was asked, the rest stays, and nothing moves",
          "[analysis]") {
    const auto before = bursts(), after = reduced(before, {12.0, 0.0}, 512);
    CHECK(after[1] == before[1]); // 0 dB: sample for sample
    const auto change_db = [&](std::size_t from, std::size_t to) {
        return 10.0 * std::log10(energy(after[0], from, to) / energy(before[0], from, to));
    };
    CHECK(change_db(26'000, 34'000) == Approx(0.0).epsilon(0).margin(0.2)); // its own
    CHECK(change_db(14'000, 22'000) == Approx(-12.0).epsilon(0).margin(0.5));
}

TEST_CASE("bleed reduction is the same at any block size, and no NaN outlives its window", "[analysis]") {
    auto mics = bursts();
    const auto whole = reduced(mics, {20.0, 20.0}, 50'048);
    CHECK(reduced(mics, {20.0, 20.0}, 1) == whole);
    CHECK(reduced(mics, {20.0, 20.0}, 777) == whole);
    mics[0][20'000] = std::numeric_limits<float>::quiet_NaN(),
    mics[1][20'001] = std::numeric_limits<float>::infinity();
    for (const auto& m : reduced(mics, {20.0, 20.0}, 512))
        CHECK(std::all_of(m.begin(), m.end(), [](float x) { return std::isfinite(x); }));
}

TEST_CASE("a mic whose drum was not learned is left alone", "[analysis]") {
    auto transfer = crosstalk();
    transfer.sources.erase(transfer.sources.begin());
    BleedReducer reducer;
    const std::vector<double> by_db = {12.0, 12.0};
    REQUIRE(reducer.prepare(48'000.0, kTwo, transfer, by_db));
    CHECK_FALSE(reducer.reduces(0));
    CHECK(reducer.reduces(1));
    CHECK_FALSE(reducer.prepare(1'000.0, kTwo, transfer, by_db));
}

TEST_CASE("bleed reduction on a hard take: own drums kept, bleed apart from them down as asked",
          "[analysis]") {
    const HardTake take(Style::hard_sparse_toms, 211);
    const auto transfer = learn_bleed_transfer(take.take, take.found_hits());
    const std::vector<Role> roles = {Role::rack_tom, Role::floor_tom, Role::snare_top};
    for (const auto& [role, v] : judge_reduction(take, transfer, roles, 12.0)) {
        INFO(token(role) << ": kept " << v.kept_db << ", bleed " << v.bleed_db << ", apart " << v.apart_db
                         << ", distance " << v.before_lsd_db << " -> " << v.after_lsd_db);
        CHECK(v.kept_db > -0.5);
        CHECK(v.apart_db < -10.0);
        CHECK(v.after_lsd_db < v.before_lsd_db);
    }
}

// test_analysis "[.table]"
TEST_CASE("what bleed reduction keeps and takes, by take, mic and setting", "[.table]") {
    std::printf("%-8s %4s %3s %-10s %7s %7s %7s %7s   %s\n", "take", "seed", "dB", "mic", "kept", "softest",
                "bleed", "apart", "distance to the drum alone, dB: before, after, of the drum itself");
    for (const auto style : {Style::hard_sparse_toms, Style::groove, Style::hard_rolls})
        for (const std::uint64_t seed : {211, 212}) {
            const HardTake take(style, seed);
            const auto transfer = learn_bleed_transfer(take.take, take.found_hits());
            for (const double by_db : {6.0, 12.0, 20.0})
                for (const auto& [role, v] : judge_reduction(
                         take, transfer, {Role::rack_tom, Role::floor_tom, Role::snare_top, Role::kick_in},
                         by_db)) {
                    std::printf("%-8s %4llu %3.0f %-10s %7.2f %7.2f %7.2f %7.2f   %5.2f %5.2f %5.2f\n",
                                style == Style::groove       ? "groove"
                                : style == Style::hard_rolls ? "rolls"
                                                             : "sparse",
                                static_cast<unsigned long long>(seed), by_db,
                                std::string(token(role)).c_str(), v.kept_db, v.softest_db, v.bleed_db,
                                v.apart_db, v.before_lsd_db, v.after_lsd_db, v.own_lsd_db);
                    std::fflush(stdout);
                }
        }
}
