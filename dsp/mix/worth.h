#pragma once
// What each mic brings: loudness and spectrum of the submix with and without it.
#include "mix/pan_mix.h"
#include <array>
#include <memory>
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr std::array<double, 9> kOctaveHz{63,    125,   250,   500,   1'000,
                                                 2'000, 4'000, 8'000, 16'000}; ///< IEC 61260

struct Worth {
    double change_lu = 0.0; ///< loudness without the mic less loudness with it; -inf when nothing is left
    /// Power without it re power with it over the tenths of a second in which this mic is loudest (no more
    /// than 10 dB down): a tom that is hit twice a minute adds little to the loudness of a take and all to
    /// its hits.
    double change_at_its_loudest_db = 0.0;
    std::array<double, kOctaveHz.size()> change_db{}; ///< power in each octave; 0 above half the rate and
                                                      ///< where no other mic has any
    double most_db = 0.0;                             ///< the octave with the largest change, and
    double most_hz = 0.0;                             ///< where it is
    /// By how much the mic would have to be raised until it is heard, in whole dB; 0 when it is heard
    /// already; none when 60 dB are not enough, as for one that is muted.
    std::optional<double> heard_raised_db = 0.0;
};

/// Can the mic be heard in the submix? Leaving it out changes the loudness by 1 LU, an octave by 1 dB, or the
/// whole by 1 dB where this mic is loudest: common practice for a just noticeable step, no source.
[[nodiscard]] bool is_heard(const Worth& worth) noexcept;

/// Feed the mics as they come out of their strips, before level and pan; the gains are those of the sum. The
/// bus compressor is left out: its reaction to a missing mic would hide what the mic brings. Integrated
/// loudness after ITU-R BS.1770-4, gates included, of every mix with one mic missing, from the cross powers
/// of K-weighted mics. Memory: 4 bytes per pair of mics every 100 ms. One thread at a time.
class WorthMeter {
public:
    WorthMeter(double rate_hz,
               std::vector<StereoGain> gains); ///< rate_hz 8'000..384'000, one gain per mic, 1..32
    ~WorthMeter();
    void push(std::span<const float* const> mics, std::size_t frames);
    [[nodiscard]] std::vector<Worth>
    finish() const;                             ///< one per mic; all 0 when nothing is loud enough to measure
    [[nodiscard]] double loudness_lufs() const; ///< of the whole; -inf under the gate

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::dsp
