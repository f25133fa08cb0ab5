#pragma once
// Learns from a take what KitKey needs to know, and proposes thresholds.
#include "dynamics/kit_key.h"
#include "take/take.h"
#include <span>
#include <string>
#include <vector>

namespace kitfold::dsp {

/// How well the kit's key tells a mic's own hits from all else in this take. Levels are those of the key,
/// dBFS.
struct KitKeyProposal {
    std::size_t mic = 0;
    std::size_t hits = 0; ///< of its own drum, that the figures rest on
    /// Hits and bleeds on the wrong side of the gap, few enough to be mistakes in the list of hits; not
    /// counted in the figures below.
    std::size_t doubtful = 0;
    double softest_hit_db = 0.0;   ///< softest own hit
    double loudest_bleed_db = 0.0; ///< loudest key that no own hit explains, kOffDb: none
    double margin_db = 0.0;        ///< softest hit re loudest bleed; negative: they overlap
    double threshold_db = 0.0;     ///< to be used, one that a gate takes
    std::string why_not;           ///< why nothing can be proposed, in plain words; empty when it can
};

struct LearnedKitKey {
    KitKeyTable table;
    std::vector<KitKeyProposal> proposals; ///< one per close mic, in the order of take.mics
};

/// Reads the first kLearnSeconds of the take once. Close mics that a threshold can be proposed for become
/// known; a drum needs kLearnHits hits to be told from others. Overheads speak for what has no close mic.
/// Rooms are not used. Deterministic; allocates 54 kB per mic and second; not for the audio thread.
LearnedKitKey learn_kit_key(const Take& take, std::span<const Hit> hits);

inline constexpr double kLearnSeconds = 120.0; ///< as long as the test take that `check` is made for
inline constexpr std::size_t kLearnHits = 2;   ///< a quantile of one would be that hit

} // namespace kitfold::dsp
