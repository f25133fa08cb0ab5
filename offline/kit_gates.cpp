#include "offline/kit_gates.h"
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

bool is_tom(dsp::Role role) noexcept {
    using enum dsp::Role;
    return role == rack_tom || role == rack_tom_2 || role == floor_tom || role == floor_tom_2;
}

std::string said(const Mic& mic, const dsp::KitKeyProposal& p) {
    if (p.loudest_bleed_db == dsp::kOffDb)
        return fmt::format("{}: gate at {:.1f} dB with the kit as its key; softest of {} hits {:.1f} dB, no "
                           "bleed left to tell it from",
                           mic.name, p.threshold_db, p.hits, p.softest_hit_db);
    return fmt::format("{}: gate at {:.1f} dB with the kit as its key; softest of {} hits {:.1f} dB, loudest "
                       "bleed {:.1f} dB, margin {:.1f} dB",
                       mic.name, p.threshold_db, p.hits, p.softest_hit_db, p.loudest_bleed_db, p.margin_db);
}

} // namespace

std::vector<std::string> apply_kit_gates(Session& session, const dsp::LearnedKitKey& learned) {
    std::vector<std::string> lines;
    session.bleed = learned.table;
    for (const auto& p : learned.proposals) {
        Mic& mic = session.mics[p.mic];
        if (!mic.gate && !is_tom(mic.role)) continue;
        if (!learned.table.knows(p.mic)) {
            lines.push_back(fmt::format("{}: no threshold proposed: {}", mic.name, p.why_not));
            continue;
        }
        if (!mic.gate) mic.gate.emplace();
        mic.gate->threshold_db = p.threshold_db;
        mic.gate->key = static_cast<double>(dsp::GateKey::kit);
        lines.push_back(said(mic, p));
    }
    return lines;
}

} // namespace kitfold::offline
