// The table of what gates with the kit as their key do on hard takes beside the best plain gate. Hidden, and
// slow: some seconds per take, a minute with the plain gates. By environment: seeds, names of takes, the
// plain gates, and what each gate missed or opened for.
//     KITFOLD_SEEDS="301 302" KITFOLD_TAKES="sparse rolls" KITFOLD_PLAIN=1 KITFOLD_EACH=1 test_analysis
//     "[.gates]"
#include "analysis/hard_take.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cstdio>
#include <cstdlib>
#include <map>
#include <sstream>

using namespace kitfold::dsp;
using namespace kitfold::test;

namespace {

struct Kind {
    const char* name;
    Style style;
    bool louder;
    std::vector<Role> roles;
};

const std::vector<Role> kToms = {Role::rack_tom, Role::floor_tom};
const std::vector<Role> kGated = {Role::rack_tom, Role::floor_tom, Role::snare_top, Role::kick_in};
const std::vector<Kind> kKinds = {{"sparse", Style::hard_sparse_toms, false, kToms},
                                  {"rolls", Style::hard_rolls, false, kGated},
                                  {"groove", Style::groove, false, kGated},
                                  {"+2dB", Style::hard_sparse_toms, true, kToms}};

std::vector<std::string> words_of(const char* variable, const char* otherwise) {
    const char* const value = std::getenv(variable);
    std::istringstream in(value != nullptr ? value : otherwise);
    std::vector<std::string> out;
    for (std::string word; in >> word;) out.push_back(word);
    return out;
}

/// All gates with one sort of key on one kind of take.
struct Total {
    int gates = 0, set = 0, hits = 0, missed = 0, soft = 0, wrong = 0;
    double kept_db = 0.0, kept_ahead_db = 0.0, bleed_db = -200.0, margin_db = 200.0;
};
using Totals = std::map<std::pair<std::string, std::string>, Total>;

/// The loudest stroke of the drum is 0.
double level_of(const HardTake& take, Role role, double time_s) {
    double loudest_db = -200.0, db = 0.0;
    for (const auto& h : take.hits) {
        if (h.drum != own_drum(role)) continue;
        loudest_db = std::max(loudest_db, h.strength_db);
        if (std::abs(h.time_s - time_s) < 0.001) db = h.strength_db;
    }
    return db - loudest_db;
}

/// What was struck last before a false opening.
const Hit& cause_of(const HardTake& take, double time_s) {
    const auto after = std::find_if(take.hits.begin(), take.hits.end(),
                                    [&](const Hit& h) { return h.time_s > time_s + 0.003; });
    return after == take.hits.begin() ? *after : *(after - 1);
}

void print_each(const HardTake& take, Role role, const GateVerdict& v) {
    for (const double s : v.missed_s)
        std::printf("      missed %.3f s, %.1f dB\n", s, level_of(take, role, s));
    for (const double s : v.wrong_s) {
        const auto& cause = cause_of(take, s);
        std::printf("      false  %.3f s, %.0f ms after %s %.1f dB\n", s, 1000.0 * (s - cause.time_s),
                    std::string(drum_name(cause.drum)).c_str(), cause.strength_db);
    }
}

class Table {
public:
    Table() {
        std::printf("%-7s %4s  %-10s %-5s %4s %6s %5s %7s %7s %7s %7s %7s %7s\n", "take", "seed", "mic",
                    "key", "hits", "missed", "false", "kept", "10 ms", "soft", "bleed", "thresh", "margin");
    }

    void add(const Kind& kind, std::uint64_t seed) {
        const HardTake take(kind.style, seed, kind.louder);
        const auto found = take.found_hits();
        add_learned(kind, seed, take, found, "found");
        add_learned(kind, seed, take, take.hits, "true");
        if (std::getenv("KITFOLD_PLAIN") != nullptr)
            for (const Role role : kind.roles) {
                const auto plain = best_plain_gate(take, role, tom_gate(0.0), 1.0);
                add_gate(kind, seed, take, role, "plain", take.mics[*take.simulator.mic(role)],
                         plain.settings, 0.0);
            }
    }

    void print_totals() const {
        std::printf("\n%-7s %-5s %9s %5s %6s %7s %5s %10s %10s %10s %10s\n", "take", "key", "gates set",
                    "hits", "missed", "to -20", "false", "kept worst", "with 10 ms", "bleed worst",
                    "margin least");
        for (const auto& [name, t] : totals_)
            std::printf("%-7s %-5s %4d/%-4d %5d %6d %7d %5d %10.2f %10.2f %11.1f %12.1f\n",
                        name.first.c_str(), name.second.c_str(), t.set, t.gates, t.hits, t.missed, t.soft,
                        t.wrong, t.kept_db, t.kept_ahead_db, t.bleed_db, t.margin_db);
    }

private:
    /// What the gates do with the key learned from these hits.
    void add_learned(const Kind& kind, std::uint64_t seed, const HardTake& take, const std::vector<Hit>& hits,
                     const char* key) {
        const auto learned = learn_kit_key(take.take, hits);
        const auto keys = keys_of(take, learned.table);
        for (const Role role : kind.roles) {
            const auto m = *take.simulator.mic(role);
            const auto& p = proposal_of(take, learned, role);
            if (learned.table.knows(m)) {
                add_gate(kind, seed, take, role, key, keys[m], tom_gate(p.threshold_db), p.margin_db);
                continue;
            }
            ++totals_[{kind.name, key}].gates;
            std::printf("%-7s %4llu  %-10s %-5s %s (%.1f dB)\n", kind.name,
                        static_cast<unsigned long long>(seed), std::string(token(role)).c_str(), key,
                        p.why_not.c_str(), p.margin_db);
        }
    }

    void add_gate(const Kind& kind, std::uint64_t seed, const HardTake& take, Role role, const char* key,
                  const std::vector<float>& signal, GateSettings settings, double margin_db) {
        const auto v = judge(take, role, signal, settings);
        const double threshold_db = settings.threshold_db;
        settings.lookahead_ms = 10.0;
        const double ahead_db = judge(take, role, signal, settings).kept_db;
        std::printf("%-7s %4llu  %-10s %-5s %4d %6d %5d %7.2f %7.2f %7.2f %7.1f %7.1f %7.1f\n", kind.name,
                    static_cast<unsigned long long>(seed), std::string(token(role)).c_str(), key, v.hits,
                    v.missed, v.wrong, v.kept_db, ahead_db, v.soft_db, v.bleed_db, threshold_db, margin_db);
        if (std::getenv("KITFOLD_EACH") != nullptr) print_each(take, role, v);
        std::fflush(stdout);
        auto& t = totals_[{kind.name, key}];
        ++t.gates, ++t.set, t.hits += v.hits, t.missed += v.missed, t.wrong += v.wrong;
        t.soft += static_cast<int>(std::count_if(v.missed_s.begin(), v.missed_s.end(),
                                                 [&](double s) { return level_of(take, role, s) >= -20.0; }));
        t.kept_db = std::min(t.kept_db, v.kept_db), t.kept_ahead_db = std::min(t.kept_ahead_db, ahead_db);
        t.bleed_db = std::max(t.bleed_db, v.bleed_db), t.margin_db = std::min(t.margin_db, margin_db);
    }

    Totals totals_;
};

} // namespace

TEST_CASE("gates with the kit as their key beside the best plain gate", "[.gates]") {
    const auto wanted = words_of("KITFOLD_TAKES", "sparse rolls groove +2dB");
    Table table;
    for (const auto& seed : words_of("KITFOLD_SEEDS", "101 102 103 104"))
        for (const auto& kind : kKinds)
            if (std::find(wanted.begin(), wanted.end(), kind.name) != wanted.end())
                table.add(kind, std::stoull(seed));
    table.print_totals();
}
