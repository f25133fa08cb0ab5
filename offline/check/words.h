#pragma once
// What a check found, in the words of a person.
#include "offline/check/check.h"
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace kitfold::offline {

enum class Weight { fix, look };
std::string_view weight_name(Weight weight) noexcept; ///< "fix", "look": as in the JSON

/// One finding. `text` has the number behind it, `source` what to do in the room, `software` what to do
/// without the drummer; either may be empty.
struct Verdict {
    Weight weight = Weight::look;
    std::string text, source, software;
    std::vector<std::size_t> mics = {};   ///< that it is about
    std::vector<std::string> also = {};   ///< what follows from it, a sentence each
    std::optional<std::size_t> pair = {}; ///< that it raises the sum of, index in pairs
    bool at_the_kit = true;               ///< false: --apply does it
};

/// What is to be fixed: what the kit alone can mend first, then what --apply writes, the largest gain first.
/// Then what to look at, and what could not be judged.
/// @param applied --apply has written what it can
std::vector<Verdict> verdicts(const CheckResult& result, bool applied = false);

/// The whole in one line: "Not ready: 1 thing to fix at the kit, 2 that --apply writes; 3 to look at."
std::string headline(const CheckResult& result, bool applied = false);

/// One fault: what, where, how much; and the remedy, at the source first, in software second.
std::string fault_detail(const CheckResult& result, const dsp::Fault& fault);
std::string fault_remedy(const dsp::Fault& fault);

/// "Flip kick out and delay kick in by 2.7 ms: +5.1 dB below 200 Hz (-4.0 to +1.1). Kick out hears the kick
/// 2.7 ms after kick in and upside down." @param pair index
std::string pair_advice(const CheckResult& result, std::size_t pair);
/// Whether a fix is proposed for the sake of this pair.
bool fix_for(const CheckResult& result, std::size_t pair);

/// Drums that were played but whose bleed can't be judged, and why; empty when there are none.
std::string bleed_left_open(const CheckResult& result);

/// What the check says of one mic: "flip, delay by 2.0 ms", "hum, clipped", "not heard at -10 dB"; empty
/// where all is well.
struct MicWord {
    std::optional<Weight> weight; ///< none: all is well
    std::string text;
};
MicWord mic_word(const CheckResult& result, std::size_t mic);

/// What became different within the take: what, by how much, and what to look for at the source.
std::vector<Verdict> change_verdicts(const CheckResult& result);

/// "a", "a and b", "a, b and c"
std::string listed(const std::vector<std::string>& parts);
/// The first letter as one that begins a sentence, or a row.
std::string capital(std::string text);
/// What sound goes in that time at 20 degrees, cm; never negative.
double path_cm(double delay_ms);
/// "low level", "hum"
std::string fault_word(dsp::FaultKind kind);

/// "the kick", "the rack tom", "the cymbals"; for a second tom "the second rack tom".
std::string drum_words(dsp::Drum drum);

/// "0:30.0", or "0:30.0 from 1:05.0 on".
std::string length_words(const CheckResult& result);

/// "1:05.3" for a place in the take.
std::string place_in_take(double seconds);

} // namespace kitfold::offline
