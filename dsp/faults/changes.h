#pragma once
// What becomes different within a take: a stand that sags, a cable that turns over, a converter that runs on
// a clock of its own. Each drum's strokes in one third of the take against those in another: how loud a mic
// hears them against the other mics, and the shape of its cross-correlation with one of them, which moves
// with the arrival and turns over with the polarity. How hard, and which drums, is played where plays no
// part.
#include "take/take.h"
#include <array>
#include <span>
#include <utility>
#include <vector>

namespace kitfold::dsp {

inline constexpr std::size_t kThirds = 3; ///< parts of a take that are compared
/// First and last before the others.
inline constexpr std::array<std::pair<std::size_t, std::size_t>, 3> kPairsOfThirds{{{0, 2}, {0, 1}, {1, 2}}};

enum class ChangeKind { level, polarity, arrival, noise };

struct TakeChange {
    ChangeKind kind = ChangeKind::level;
    std::vector<std::size_t> mics; ///< rising; several: all by the same amount at once
    Drum drum = Drum::kick;        ///< whose strokes show it most
    std::size_t from = 0, to = 2;  ///< thirds of the take that are compared
    double amount = 0.0;           ///< level, noise: dB; arrival: ms later (+), against the other mics
    bool steady = false;           ///< arrival: a line fits it better than a step: a clock that drifts
};

/// A level by 3 dB or more, an arrival by 0.3 ms (10 cm) or more, a polarity, while most of the mics stay; of
/// two groups of mics the one that moves against the other. Kick, snare and toms, by loud strokes with no
/// other drum near, three in each of two thirds at least; the snare alone, which is played in several ways,
/// proves nothing but a polarity. Reads some 36 excerpts of each drum and mic.
std::vector<TakeChange> changes_within(const Take& take, std::span<const Hit> hits);

} // namespace kitfold::dsp
