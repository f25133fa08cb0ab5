#pragma once
// What mics sum to around the strokes of one drum, for any delays and polarities.
#include "pairs/pairs.h"
#include "take/take.h"
#include <array>
#include <span>
#include <vector>

namespace kitfold::dsp {

enum class Band { full, low }; ///< low: below 200 Hz
inline constexpr std::array kBands{Band::full, Band::low};

/// Energies and cross energies of all mics over the first 80 ms of up to 40 strokes spread over the take.
/// They start from the session's delays; levels and polarities come in with the weights of a sum.
class StrokeSums {
public:
    static constexpr double kLongestMs = 25.0; ///< that a mic can be delayed beyond what is set

    StrokeSums(const Take& take, const StrokeTimes& times);

    [[nodiscard]] std::size_t strokes() const noexcept { return strokes_; }
    [[nodiscard]] Drum drum() const noexcept { return drum_; }
    /// Delays a mic by `delay_ms` more than the session does, 0..kLongestMs, to the sample.
    void delay(std::size_t mic, double delay_ms);
    /// Sum over time of mic a times mic b in one stroke.
    [[nodiscard]] double cross(Band band, std::size_t stroke, std::size_t a, std::size_t b) const noexcept {
        return cross_[((static_cast<std::size_t>(band) * strokes_ + stroke) * mics_ + a) * mics_ + b];
    }

private:
    struct Excerpts {
        double rate_hz = 0.0;
        std::size_t length = 0, lead = 0, span = 0;
        std::vector<float> samples;           ///< [stroke][mic]
        std::vector<std::ptrdiff_t> delays{}; ///< of each mic
    };
    void read(const Take& take, std::span<const std::int64_t> at);
    void cross_with(Band band, std::size_t mic);

    Drum drum_;
    std::size_t strokes_ = 0, mics_;
    std::array<Excerpts, 2> bands_;
    std::vector<double> cross_; ///< [band][stroke][mic][mic]
};

} // namespace kitfold::dsp
