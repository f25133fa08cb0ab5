// The table of what gates with the kit as their key do on hard takes beside the best plain gate. Hidden:
//     test_analysis "[.gates]"
#include "analysis/hard_take.h"
#include <catch2/catch.hpp>
#include <cstdio>
#include <cstdlib>

using namespace kitfold::dsp;
using namespace kitfold::test;

namespace {

void print_row(const char* take, unsigned long long seed, const char* mic, const char* key,
               const GateVerdict& v, double kept_ahead_db, double threshold_db, double margin_db) {
    std::printf("%-12s %4llu  %-10s %-5s %4d %6d %5d %7.2f %7.2f %7.2f %7.1f %7.1f %7.1f\n", take, seed, mic,
                key, v.hits, v.missed, v.wrong, v.kept_db, kept_ahead_db, v.soft_db, v.bleed_db, threshold_db,
                margin_db);
    std::fflush(stdout);
}

/// What the gates do with the key learned from the hits that `check` finds.
void print_learned(const char* name, const HardTake& take, unsigned long long seed,
                   const std::vector<Hit>& hits, const char* key, std::initializer_list<Role> roles) {
    const auto learned = learn_kit_key(take.take, hits);
    const auto keys = keys_of(take, learned.table);
    for (const Role role : roles) {
        const auto m = *take.simulator.mic(role);
        const auto& p = proposal_of(take, learned, role);
        if (!learned.table.knows(m)) {
            std::printf("%-12s %4llu  %-10s %-5s %s\n", name, seed, take.take.mics[m].name.c_str(), key,
                        p.why_not.c_str());
            continue;
        }
        auto settings = tom_gate(p.threshold_db);
        const auto v = judge(take, role, keys[m], settings);
        settings.lookahead_ms = 10.0;
        print_row(name, seed, take.take.mics[m].name.c_str(), key, v,
                  judge(take, role, keys[m], settings).kept_db, p.threshold_db, p.margin_db);
    }
}

void print_take(const char* name, Style style, std::uint64_t seed, bool louder, bool plain_too,
                std::initializer_list<Role> roles) {
    const HardTake take(style, seed, louder);
    print_learned(name, take, seed, take.found_hits(), "found", roles);
    const auto learned = learn_kit_key(take.take, take.hits);
    const auto keys = keys_of(take, learned.table);
    for (const Role role : roles) {
        const auto m = *take.simulator.mic(role);
        const auto& p = proposal_of(take, learned, role);
        const auto settings = tom_gate(p.threshold_db);
        const auto kept_ahead = [&](const std::vector<float>& key, GateSettings s) {
            s.lookahead_ms = 10.0;
            return judge(take, role, key, s).kept_db;
        };
        const char* mic = take.take.mics[m].name.c_str();
        print_row(name, seed, mic, p.why_not.empty() ? "kit" : "none", judge(take, role, keys[m], settings),
                  kept_ahead(keys[m], settings), p.threshold_db, p.margin_db);
        if (!plain_too) continue;
        const auto plain = best_plain_gate(take, role, settings, 1.0);
        print_row(name, seed, mic, "plain", plain.verdict, kept_ahead(take.mics[m], plain.settings),
                  plain.settings.threshold_db, 0.0);
    }
}

} // namespace

TEST_CASE("gates with the kit as their key beside the best plain gate", "[.gates]") {
    const bool plain_too = std::getenv("KITFOLD_PLAIN") != nullptr;
    std::printf("%-12s %4s  %-10s %-5s %4s %6s %5s %7s %7s %7s %7s %7s %7s\n", "take", "seed", "mic", "key",
                "hits", "missed", "false", "kept", "10 ms", "soft", "bleed", "thresh", "margin");
    for (const std::uint64_t seed : {101, 102, 103, 104}) {
        print_take("sparse", Style::hard_sparse_toms, seed, false, plain_too,
                   {Role::rack_tom, Role::floor_tom});
        print_take("sparse +2 dB", Style::hard_sparse_toms, seed, true, plain_too,
                   {Role::rack_tom, Role::floor_tom});
        print_take("rolls", Style::hard_rolls, seed, false, plain_too,
                   {Role::rack_tom, Role::floor_tom, Role::snare_top, Role::kick_in});
        print_take("groove", Style::groove, seed, false, plain_too,
                   {Role::rack_tom, Role::floor_tom, Role::snare_top, Role::kick_in});
    }
}
