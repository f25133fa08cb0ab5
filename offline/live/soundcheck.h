#pragma once
// What a soundcheck knows of the mics so far, while the drummer goes round the kit.
#include "offline/check/check.h"
#include <cstddef>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace kitfold::offline {

/// When and which way up a mic hears a drum against another one, as the session sets both.
struct Arrival {
    std::string partner;
    double delay_ms = 0.0; ///< positive: later than the partner
    bool opposite = false;
};

/// What can't be told yet is left open.
struct MicSoundcheck {
    std::optional<std::size_t> strokes; ///< of the drum that it is close to
    std::optional<GainAdvice> gain;
    std::optional<Arrival> arrival;     ///< against the nearest kin: the other mic of its drum, the other
                                        ///< overhead or room, or else whichever was judged first
    std::optional<double> threshold_db; ///< that its gate would get
};

struct Soundcheck {
    std::vector<MicSoundcheck> mics;                        ///< in the order of the session
    std::vector<std::pair<dsp::Drum, std::size_t>> strokes; ///< of each drum that was heard
};

/// @pre a result of this session, or of a take of it
Soundcheck soundcheck_of(const CheckResult& result);

/// "+2.70 ms turned, Kick in"; empty while it is open.
std::string arrival_words(const std::optional<Arrival>& arrival);
/// "kick 12, snare 20"; "nothing yet".
std::string stroke_words(const Soundcheck& soundcheck);

} // namespace kitfold::offline
