#pragma once
// Where the overheads put each drum.
#include "pairs/pairs.h"
#include "take/take.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

struct ImageRow {
    Drum drum = Drum::kick;
    double level_difference_db = 0.0; ///< left re right; positive is left
    double time_difference_ms = 0.0;  ///< how much later the right one hears it; positive is left
    std::optional<double>
        angle_deg; ///< off centre for a coincident cardioid pair at +-45 degrees, positive is left;
                   ///< none when level and time together can't come from such a pair
    std::optional<double>
        side_db; ///< where the arrivals can't be judged: level difference that says the side, no more
    double correlation = 0.0;  ///< of the two at no delay, -1..1
    double mono_loss_db = 0.0; ///< level of left + right re the power sum of both, taken from +3.01 dB: >= 0
    double confidence = 0.0;   ///< 0..1
    std::size_t hits = 0;
    /// False: level, time and angle are not to be used; correlation and loss rest on the whole sound and are.
    [[nodiscard]] bool judged() const noexcept { return confidence >= kJudgedConfidence; }
};

enum class PairKind { none, coincident, near_coincident, spaced };

struct Image {
    std::size_t left = 0, right = 0; ///< mics; both 0 without a pair
    PairKind kind = PairKind::none;
    double mono_loss_db = 0.0; ///< for the whole kit
    std::vector<ImageRow> rows;
};

/// Drums of three hits or more, with the levels, polarities and delays that are set (TakeMic). Allocates; any
/// thread.
Image judge_image(const Take& take, std::span<const Hit> hits);

/// Level difference in dB of a coincident pair of cardioids aimed at +-45 degrees for a source `angle_deg`
/// left of centre: 20 lg((1 + cos(t - 45)) / (1 + cos(t + 45))). 0 at 0, 6.02 at 45 degrees. @pre -90..90
double coincident_level_difference_db(double angle_deg) noexcept;
/// Its inverse; differences beyond +-90 degrees give none.
std::optional<double> coincident_angle_deg(double level_difference_db) noexcept;

} // namespace kitfold::dsp
