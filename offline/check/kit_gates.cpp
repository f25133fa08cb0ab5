#include "offline/check/kit_gates.h"
#include <algorithm>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

bool kit_keyed(const Mic& mic) { return mic.gate && mic.gate->key == dsp::GateKey::kit; }

GatePlan plan_for(const Session& session, const dsp::LearnedKitKey& learned, std::size_t mic) {
    if (!learned.table.knows(mic)) return GatePlan::blind;
    if (!session.mics[mic].gate) return GatePlan::none;
    return session.bleed.knows(mic) ? GatePlan::keeps : GatePlan::sets;
}

bool taught_something(const dsp::KitKeyTable& table) {
    return std::any_of(table.mics.begin(), table.mics.end(), [](const auto& m) { return m.known; });
}

} // namespace

std::vector<KitGate> plan_kit_gates(const Session& session, const dsp::LearnedKitKey& learned) {
    std::vector<KitGate> gates;
    for (const auto& p : learned.proposals) {
        const auto plan = plan_for(session, learned, p.mic);
        gates.push_back({p, plan, plan == GatePlan::sets && kit_keyed(session.mics[p.mic])});
    }
    return gates;
}

void apply_kit_gates(Session& session, const dsp::LearnedKitKey& learned) {
    if (!taught_something(learned.table)) return;
    for (const auto& gate : plan_kit_gates(session, learned)) {
        if (gate.plan != GatePlan::sets) continue;
        auto& settings = *session.mics[gate.proposal.mic].gate;
        settings.threshold_db = gate.proposal.threshold_db;
        settings.key = dsp::GateKey::kit;
    }
    session.bleed = learned.table;
}

const char* gate_plan_name(GatePlan plan) noexcept {
    switch (plan) {
    case GatePlan::none:
        return "none";
    case GatePlan::sets:
        return "sets";
    case GatePlan::keeps:
        return "keeps";
    case GatePlan::blind:
        return "blind";
    }
    return "";
}

const char* gate_plan_words(GatePlan plan) noexcept {
    switch (plan) {
    case GatePlan::none:
        return "no gate";
    case GatePlan::sets:
        return "gate: --apply sets it";
    case GatePlan::keeps:
        return "gate: stays as it is set";
    case GatePlan::blind:
        return "";
    }
    return "";
}

std::string doubt_words(std::span<const KitGate> gates, std::span<const dsp::TakeMic> mics) {
    std::string which;
    for (const auto& g : gates)
        if (g.plan != GatePlan::blind && g.proposal.doubtful > 0)
            which += fmt::format("{}{} {} (of {} hits)", which.empty() ? "" : ", ", mics[g.proposal.mic].name,
                                 g.proposal.doubtful, g.proposal.hits);
    if (which.empty()) return {};
    return "Doubtful: " + which +
           ". Hits no louder than bleed, or bleed as loud as hits: taken for mistakes in the list of hits "
           "and "
           "left out of these figures. Hear such a gate before you trust it.";
}

} // namespace kitfold::offline
