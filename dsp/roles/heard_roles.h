#pragma once
// Which mic is which, by what it hears: for files whose names don't tell.
#include "take/mic_scan.h"
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

struct HeardRole {
    enum class Side {
        none,       ///< not one of a pair that was found
        by_hearing, ///< the left one hears the hi-hat louder than the floor tom, against the right one
        open        ///< a pair, but nothing tells which of the two is left
    };
    Role role = Role::other; ///< a role that is known stays; `other`: nothing tells
    bool sure = false;       ///< all that was asked says so
    bool silent = false;     ///< nothing is struck in it
    Side side = Side::none;
};

/// Guesses roles for the mics whose role is `other`; no role is given twice, and none that another mic has.
/// One answer per mic. Strokes are sorted by the place that was struck (hits/places.h), with no names. A mic
/// stands close to a drum when it hears that place louder, against all others, than any other place, and not
/// later than the others; which drum it is, its pitch, noise and ring say. Mics that are close to nothing are
/// overheads or rooms by how much later than the first mic they hear the kit. Deterministic; uses two threads
/// at most.
/// @param scans one per mic, in the order of take.mics, from MicScan
std::vector<HeardRole> hear_roles(const Take& take, std::span<const ScanFeatures> scans);

} // namespace kitfold::dsp
