#pragma once
// What a check found, in the words of a person.
#include "offline/check/check.h"
#include <string>
#include <vector>

namespace kitfold::offline {

enum class Weight { fix, look, good };

/// One finding. `text` has the number behind it, `source` what to do in the room, `software` what to do
/// without the drummer; either may be empty.
struct Verdict {
    Weight weight = Weight::look;
    std::string text, source, software;
};

/// Faults first, then pairs to fix, image, mics that bring little, and what could not be judged.
std::vector<Verdict> verdicts(const CheckResult& result);

/// One fault: what, where, how much; and the remedy, at the source first, in software second.
std::string fault_detail(const CheckResult& result, const dsp::Fault& fault);
std::string fault_remedy(const dsp::Fault& fault);

/// "Kick out hears the kick 2.7 ms after kick in and upside down. Flip kick out and delay kick in by 2.7 ms:
/// +5.1 dB below 200 Hz (-4.0 to +1.1)." @param pair index
std::string pair_advice(const CheckResult& result, std::size_t pair);
/// Whether a fix is proposed for the sake of this pair.
bool fix_for(const CheckResult& result, std::size_t pair);

/// Drums that were played but whose bleed can't be judged, and why; empty when there are none.
std::string bleed_left_open(const CheckResult& result);

/// "the kick", "the rack tom", "the cymbals"; for a second tom "the second rack tom".
std::string drum_words(dsp::Drum drum);

/// "0:30.0", or "0:30.0 from 1:05.0 on".
std::string length_words(const CheckResult& result);

/// "1:05.3" for a place in the take.
std::string place_in_take(double seconds);

} // namespace kitfold::offline
