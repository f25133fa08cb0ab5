#pragma once
// What was learned of a kit's bleed, put into its session.
#include "bleed/kit_key_learn.h"
#include "offline/session/session.h"
#include <span>
#include <string>
#include <vector>

namespace kitfold::offline {

/// What becomes of the gate of one close mic.
enum class GatePlan {
    none,  ///< the session has no gate on this mic; the figures say what one could do
    sets,  ///< the kit becomes its key, the proposed threshold its threshold
    keeps, ///< the session knew the mic's bleed before, so key and threshold are somebody's choice
    blind  ///< nothing can be proposed; KitKeyProposal::why_not says why
};

struct KitGate {
    dsp::KitKeyProposal proposal; ///< its mic, figures, threshold
    GatePlan plan = GatePlan::none;
    /// The session's gate listens to the kit already but knows no bleed, so that it works as a plain gate
    /// until plan `sets` is carried out.
    bool deaf = false;
};

/// One per proposal, in their order. A gate is a choice of the mix, so none is ever added: only what is
/// gated already gets the kit as its key.
/// @pre learned from a take with the mics of the session, in their order
std::vector<KitGate> plan_kit_gates(const Session& session, const dsp::LearnedKitKey& learned);

/// Stores the bleed in the session and sets key and threshold of the gates planned so; nothing else is
/// touched. A take that taught nothing leaves the session as it is.
void apply_kit_gates(Session& session, const dsp::LearnedKitKey& learned);

/// "none", "sets", "keeps", "blind".
const char* gate_plan_name(GatePlan plan) noexcept;
/// The same for a person, as what --apply does.
const char* gate_plan_words(GatePlan plan) noexcept;
/// For a person: which gates rest on a list of hits with mistakes in it. Empty when none does.
/// @param mics those of the session
std::string doubt_words(std::span<const KitGate> gates, std::span<const dsp::TakeMic> mics);

} // namespace kitfold::offline
