#pragma once
// What is known of the bleed between the mics of one recording: the memory of gates that have every mic in
// hand. Learned from a take (bleed/kit_key_learn.h), kept in a session or a plug-in's state, used by
// KitKey.
#include "settings/settings.h"
#include <array>
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

/// Bands in which bleed is compared: octaves over the bodies of the drums. The top end is left out, cymbals
/// are all there is to find in it.
inline constexpr std::size_t kKeyBands = 5;
inline constexpr std::array<double, kKeyBands> kKeyBandHz{70.0, 140.0, 280.0, 560.0, 1120.0};
using KeyBands = std::array<double, kKeyBands>;

/// The way of a drum's sound from its own mic to another as far as its waveform can be foretold: an impulse
/// response sampled at kResponseHz.
inline constexpr std::size_t kResponseTaps = 48;
inline constexpr double kResponseHz = 6000.0;
inline constexpr double kMostResponse = 100.0; ///< largest size of a tap

/// What is known of the bleed between the mics of one recording; learned from a take (kit_key_learn.h).
struct KitKeyTable {
    /// How loud the drum of mic `source` is in mic `mic` re its own mic, margin included, once what
    /// `response` foretells has been taken off.
    struct Bleed {
        std::size_t source = 0, mic = 0;
        KeyBands gain_db{};             ///< kOffDb..+40
        std::vector<double> response{}; ///< kResponseTaps, or empty: not foretold
        bool operator==(const Bleed&) const = default;
    };
    struct Mic {
        bool known = false;   ///< false: its key is the mic itself
        double level_db = 0;  ///< added so that a hit's key is as loud as the hit is in the mic, -40..+40
        KeyBands weight_db{}; ///< of each band in the key, kOffDb..0; kOffDb: not used
        KeyBands noise_db{};  ///< what no drum explains, dBFS, kOffDb..0
        /// What its own top band explains of the bands below: a cymbal has little there, re what it has on
        /// top. kOffDb..+40; the top band's own is not used.
        KeyBands wash_db{};
        bool operator==(const Mic&) const = default;
    };
    std::vector<Mic> mics; ///< empty: nothing is known
    std::vector<Bleed> bleed;
    [[nodiscard]] bool knows(std::size_t mic) const noexcept { return mic < mics.size() && mics[mic].known; }
    bool operator==(const KitKeyTable&) const = default;
};

} // namespace kitfold::dsp
