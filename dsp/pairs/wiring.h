#pragma once
// Which mics are upside down, from who moves against whom first.
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Two mics that first move the same way (+1) or against each other (-1) when a drum is struck.
struct FirstMovement {
    Drum drum = Drum::kick;
    std::size_t a = 0, b = 0;
    int sign = 0;
};

/// The smallest set of up to three mics that, turned over, makes all mics on one side of a drum move alike;
/// of several such sets what they have in common; empty when none is needed. Each of the set stands against
/// two others, one of them on its own side, and with none. Sides: before the kick its own mics and the rooms,
/// behind it snare top and overheads; of all other drums whatever hangs above them.
std::vector<std::size_t> upside_down(std::span<const TakeMic> mics, std::span<const FirstMovement> movements);

} // namespace kitfold::dsp
