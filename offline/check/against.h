#pragma once
// What has changed since another take: did moving the mic help?
#include "offline/check/check.h"
#include "settings/settings_json.h"
#include <string>
#include <vector>

namespace kitfold::offline {

enum class ComparedKind { level, noise, delay, mic_delay, sum, low_sum, bleed, ring };

/// One figure in both takes.
struct ComparedFigure {
    ComparedKind kind = ComparedKind::level;
    std::string what; ///< "Kick in / Kick out on the kick"; of level, noise and mic_delay the mic
    double then = 0.0, now = 0.0;
    double repeats_within = 0.0; ///< a change up to this is what comes of playing again
    int better = 0;              ///< 1 better now, -1 worse, 0 neither
};

struct Comparison {
    std::string other;                   ///< its session file
    std::vector<ComparedFigure> changed; ///< by size re what repeats, the largest first
    std::size_t compared = 0;            ///< figures that both takes have
    std::size_t differ = 0;              ///< of these; some are told together
    std::vector<std::string> notices;    ///< mics that only one of them has
};

/// Figures of `now` that differ from those of `then` by more than they differ between the two halves of
/// `now`, and more than is heard: 1 dB of a level, 1 dB of a sum or a bleed, 5 % of a ring time (ISO 3382-1,
/// annex A: just noticeable differences of strength and of early decay, from memory), 0.15 ms of an arrival
/// (5 cm, what another spot on the head makes). Mics are matched by role and name. Arrivals that all changed
/// alike because one mic hears the whole kit sooner or later are one figure, mic_delay: 0 then, ms later now.
Comparison compare_takes(const CheckResult& now, const CheckResult& first_half,
                         const CheckResult& second_half, const CheckResult& then, const std::string& other);

/// The ranges of the two halves of a checked take, from one stroke to the next. @pre result is of `session`
std::pair<Session, Session> halves_of(const Session& session, const CheckResult& result);

/// A short list: what is better, what is worse, what is other.
std::string comparison_text(const Comparison& comparison);
std::string comparison_html(const Comparison& comparison);
dsp::Json comparison_json(const Comparison& comparison);

} // namespace kitfold::offline
