#include "offline/live/soundcheck.h"
#include "offline/util/json_number.h"
#include "offline/util/printable.h"
#include <algorithm>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

bool are_kin(dsp::Role a, dsp::Role b) {
    const auto drum = dsp::own_drum(a);
    return (drum && drum == dsp::own_drum(b)) || (dsp::is_overhead(a) && dsp::is_overhead(b)) ||
           (dsp::is_room(a) && dsp::is_room(b));
}

std::optional<Arrival> arrival_of(const CheckResult& r, std::size_t mic) {
    const dsp::Pair* best = nullptr;
    for (const auto& pair : r.pairs) {
        if (!pair.judged() || (pair.a != mic && pair.b != mic)) continue;
        const bool kin = are_kin(r.names[pair.a].role, r.names[pair.b].role);
        if (kin || best == nullptr) best = &pair;
        if (kin) break;
    }
    if (best == nullptr) return std::nullopt;
    const bool later = best->b == mic;
    const auto &own = r.names[mic], &other = r.names[later ? best->a : best->b];
    return Arrival{printable(other.name, Lines::one), later ? best->delay_ms : -best->delay_ms,
                   best->opposite != (own.inverted != other.inverted)};
}

} // namespace

Soundcheck soundcheck_of(const CheckResult& result) {
    Soundcheck out;
    for (std::size_t d = 0; d < dsp::kDrumCount; ++d) {
        const auto drum = static_cast<dsp::Drum>(d);
        const auto strokes = std::count_if(result.hits.begin(), result.hits.end(),
                                           [=](const dsp::Hit& hit) { return hit.drum == drum; });
        if (strokes > 0) out.strokes.emplace_back(drum, static_cast<std::size_t>(strokes));
    }
    for (std::size_t m = 0; m < result.mics.size(); ++m) {
        auto& mic = out.mics.emplace_back();
        mic.gain = result.mics[m].gain, mic.arrival = arrival_of(result, m);
        const auto drum = dsp::own_drum(result.names[m].role);
        for (const auto& [heard, strokes] : out.strokes)
            if (drum == heard) mic.strokes = strokes;
        for (const auto& gate : result.gates)
            if (gate.proposal.mic == m && gate.proposal.why_not.empty())
                mic.threshold_db = gate.proposal.threshold_db;
    }
    return out;
}

std::string arrival_words(const std::optional<Arrival>& arrival) {
    if (!arrival) return {};
    const double delay_ms = rounded(arrival->delay_ms, 2) + 0.0; // never "-0.00"
    return fmt::format("{:+.2f} ms {}{}", delay_ms, arrival->opposite ? "turned, " : "", arrival->partner);
}

std::string stroke_words(const Soundcheck& soundcheck) {
    std::string out;
    for (const auto& [drum, strokes] : soundcheck.strokes)
        out += fmt::format("{}{} {}", out.empty() ? "" : ", ", dsp::spoken_name(drum), strokes);
    return out.empty() ? "nothing yet" : out;
}

} // namespace kitfold::offline
