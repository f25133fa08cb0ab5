// Laws that need no truth: they hold on every recording. Takes of seeds that nothing else looks at.
#include "real_take.h"
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::test;

namespace {

constexpr const char* kGroove = "--kind groove --seed 31 --seconds 30 --bpm 100 ";
constexpr const char* kSnare = "--kind snare_pair --snare b_basic --seed 31 --seconds 20 --bpm 100 ";
constexpr const char* kKitB = "--kit b --kind line_check --seed 31 --seconds 40 --bpm 60 ";
constexpr double kHalfSampleMs = 0.5 / 44.1; // the recordings' own rate

/// What is judged in both takes differs by what was put into them, and polarity where a mic was turned over.
void check_same_pairs(const RealTake& before, const Json& was, const RealTake& after, const Json& is) {
    const auto a = judged_pairs(was), b = judged_pairs(is);
    std::size_t both = 0;
    for (const auto& [key, x] : a) {
        const auto found = b.find(key);
        if (found == b.end()) continue;
        ++both;
        INFO(key[0] << " / " << key[1] << " on " << key[2]);
        const auto put_ms = [&](const RealTake& t) {
            return 1e3 * (t.put_late(key[1]) - t.put_late(key[0])) / t.rate_hz();
        };
        const bool turned = (after.put_over(key[0]) != after.put_over(key[1])) !=
                            (before.put_over(key[0]) != before.put_over(key[1]));
        CHECK(std::abs(found->second.delay_ms - x.delay_ms - put_ms(after) + put_ms(before)) <=
              kHalfSampleMs);
        CHECK(found->second.polarity == (turned ? -x.polarity : x.polarity));
    }
    INFO(a.size() << " pairs judged before, " << b.size() << " after, " << both << " both times");
    CHECK(2 * both >= std::max(a.size(), b.size())); // a law about nothing would hold too
}

} // namespace

// Falls short today: 0.9 samples on one pair of a kick under cymbals.
TEST_CASE("a mic that is moved or turned over moves its findings by that, and nothing else",
          "[real][!mayfail]") {
    if (no_recordings()) return;
    const auto [words, change] = GENERATE(table<std::string, std::string>({
        {kGroove, "--delay kick_out=61.3 overhead_left=37.4 room_left=150 --flip kick_out overhead_right"},
        {kSnare, "--delay snare_bottom=23.6 overhead_left=51.25 --flip snare_bottom"},
        {kKitB, "--delay rack_tom=61.3 overhead_left=37.4 room_left=150 --flip rack_tom overhead_right"},
    }));
    const RealTake before(words), after(words + change);
    check_same_pairs(before, before.check(), after, after.check());
}

TEST_CASE("the same take at another rate, level or start gives the same answers", "[real]") {
    if (no_recordings()) return;
    const auto [change, starts_s] = GENERATE(table<std::string, double>(
        {{"--rate 48000", 0.0}, {"--rate 96000", 0.0}, {"--level-db -10", 0.0}, {"--lead 0.37", 0.37}}));
    const std::string words = GENERATE(kGroove, kSnare);
    INFO(words << change);
    const RealTake before(words), after(words + change);
    const auto was = before.check(), is = after.check();
    check_same_pairs(before, was, after, is);
    CHECK(same_hits(was, is, starts_s) >= 0.97);
}

TEST_CASE("the order of the mics changes nothing", "[real]") {
    if (no_recordings()) return;
    const RealTake take(kGroove);
    const auto was = take.check();
    take.make_session([](auto& session) { std::reverse(session["mics"].begin(), session["mics"].end()); });
    auto is = take.check();
    CHECK(same_hits(was, is) >= 0.99);
    const auto a = judged_pairs(was);
    auto b = judged_pairs(is);
    for (const auto& [key, x] : judged_pairs(is)) // a pair may be named from its other end
        b[{key[1], key[0], key[2]}] = {-x.delay_ms, x.polarity};
    REQUIRE(!a.empty());
    for (const auto& [key, x] : a) {
        INFO(key[0] << " / " << key[1] << " on " << key[2]);
        REQUIRE(b.count(key) == 1);
        CHECK(std::abs(b[key].delay_ms - x.delay_ms) <= kHalfSampleMs);
        CHECK(b[key].polarity == x.polarity);
    }
}

TEST_CASE("a mic that is left out changes nothing in the table of the others", "[real]") {
    if (no_recordings()) return;
    const RealTake take(kGroove);
    const auto was = take.check();
    const std::string without = GENERATE("room_right", "overhead_left", "kick_out", "kick_in");
    take.leave_out(without);
    const auto is = take.check();
    const auto b = judged_pairs(is);
    for (const auto& [key, x] : judged_pairs(was)) {
        if (key[0] == without || key[1] == without) continue;
        INFO(key[0] << " / " << key[1] << " on " << key[2] << " without " << without);
        REQUIRE(b.count(key) == 1);
        CHECK(std::abs(b.at(key).delay_ms - x.delay_ms) <= kHalfSampleMs);
        CHECK(b.at(key).polarity == x.polarity);
    }
    for (const std::string drum : {"kick", "snare"}) {
        const auto s = score_strokes(take.truth(), was, drum), t = score_strokes(take.truth(), is, drum);
        CHECK(std::abs(s.missed - t.missed) <= 1);
    }
}

TEST_CASE("delays add up: a to b to c is a to c", "[real]") {
    if (no_recordings()) return;
    const std::string words = GENERATE(kGroove, kSnare, kKitB);
    const RealTake take(words);
    auto judged = judged_pairs(take.check());
    for (const auto& [key, x] : judged_pairs(take.check()))
        judged[{key[1], key[0], key[2]}] = {-x.delay_ms, x.polarity};
    for (const auto& [ab, x] : judged)
        for (const auto& [bc, y] : judged) {
            if (bc[0] != ab[1] || bc[2] != ab[2] || bc[1] == ab[0]) continue;
            const auto ac = judged.find({ab[0], bc[1], ab[2]});
            if (ac == judged.end()) continue;
            INFO(ab[0] << ", " << ab[1] << ", " << bc[1] << " on " << ab[2]);
            CHECK(std::abs(x.delay_ms + y.delay_ms - ac->second.delay_ms) <= 2.0 * kHalfSampleMs);
        }
}
