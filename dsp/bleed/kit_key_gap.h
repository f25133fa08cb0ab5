#pragma once
// The gap between a drum's own hits and all else, as its gate's key would hear them: which bands tell them
// apart, and what in the list of hits is a mistake. Pure functions of what was measured; deterministic; they
// allocate; not for the audio thread.
#include "settings/kit_key_table.h"
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

inline constexpr double kAmpleDb = 20.0;   ///< margin beyond which more is of no use
inline constexpr std::size_t kSeldom = 20; ///< hits of a drum of which one, not listed, outweighs all bleed

inline constexpr double kSlotSeconds = 0.01; ///< of time, in which what is no own hit is counted once

/// What one mic's key hears of a take: powers that no other mic explains, by band.
struct KeyPeaks {
    std::vector<KeyBands> soon, own; ///< per hit: while its gate has to open, and later on
    std::vector<KeyBands> heard;     ///< while its gate has to open, explained or not
    std::vector<double> low;         ///< peak of the mic in each own hit, squared
    std::vector<KeyBands> bleed;     ///< per slot of kSlotSeconds, 0 where an own hit explains it
    std::vector<char> lonely;        ///< per slot: is nothing listed to be hit in it, or just before?
    KeyBands usual_db{};             ///< of own hits, each band re the loudest
};

/// Between own hits and all else, as the key hears them; powers.
struct KeyGap {
    double softest = 0.0, loudest = 0.0;          ///< own hit; bleed
    std::size_t doubtful = 0, mistakes = 0;       ///< set aside; taken for mistakes in the list
    std::vector<std::size_t> explained, unlisted; ///< mistakes: hits by number; slots
    [[nodiscard]] double margin_db() const;
    [[nodiscard]] bool fits() const; ///< a threshold
    /// Margin less what each hit or bleed that is set aside has to be worth; beyond kAmpleDb it grows no
    /// more.
    [[nodiscard]] double worth() const;
};

/// Weights of the bands in a key, and what they make of the peaks.
struct KeyChoice {
    KeyBands weight{1.0}; ///< of each band's power
    KeyGap gap;
};

/// Power under these weights of the bands.
double power_under(const KeyBands& power, const KeyBands& weight);
/// How hits of the mic's own drum are spread over the bands: medians, dB re the loudest band.
KeyBands usual_profile_db(const std::vector<KeyBands>& own);
/// The bands that set own hits apart best, whereby a few may be set aside, and more, as mistakes in the list
/// of hits, when the gap is narrow otherwise. @pre two hits or more
KeyChoice choose_bands(const KeyPeaks& peaks);

} // namespace kitfold::dsp
