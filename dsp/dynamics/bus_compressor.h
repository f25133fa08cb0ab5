#pragma once
// Feed-forward compressor for the stereo submix.
#include "core/flush_denormals.h"
#include "core/moving.h"
#include "core/units.h"
#include "filters/state_variable.h"
#include <array>

namespace kitfold::dsp {

/// Stereo bus compressor, side-chain in dB: linked key (larger of the two channels), high-pass in the key,
/// soft knee (Giannoulis, Massberg and Reiss, JAES 60(6), 2012, eq. 4; ratio may be kLimitRatio), smooth
/// decoupled peak detector (ibid., eq. 17; times are 1 - 1/e). release "programme" runs two
/// releases, 60 ms after a single hit and 1.2 s after a loud passage (what has been loud for some 0.3 s), the
/// larger reduction rules. Latency 0; rules as for KickConditioner.
class BusCompressor {
public:
    BusCompressor() noexcept { reset(); }
    [[nodiscard]] bool prepare(double rate_hz) noexcept;
    void reset() noexcept;
    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const BusSettings& settings) noexcept;
    /// Gain reduction in dB (>= 0) at the last sample, its largest and its mean since reset().
    [[nodiscard]] double reduction_db() const noexcept { return smoothed_; }
    [[nodiscard]] double largest_reduction_db() const noexcept { return largest_; }
    [[nodiscard]] double mean_reduction_db() const noexcept { return frames_ > 0.0 ? total_ / frames_ : 0.0; }

    /// keys: in_left, in_right themselves or a side-chain. An output may be the memory of its own input or of
    /// a key.
    void process(const float* in_left, const float* in_right, const float* key_left, const float* key_right,
                 float* out_left, float* out_right, std::size_t frames) noexcept;

private:
    static constexpr std::size_t kBlock = 64;
    using Stereo = xsimd::make_sized_batch_t<double, 2>;
    using Levels = std::array<double, kBlock>;

    struct Coefficients {
        double threshold_db, slope, knee_db, inverse_twice_knee;
        double attack, release, slow_attack, slow_release; ///< parts of the former value kept per sample
        double dry, wet;                                   ///< gains of the blend, makeup included
    };

    void update() noexcept;
    void run(const float* in_left, const float* in_right, const float* key_left, const float* key_right,
             float* out_left, float* out_right, std::size_t frames) noexcept;
    template <bool kFilter> class Key;
    template <bool kProgramme> class Detector;
    template <bool kFilter, bool kProgramme> void detect(Levels& now, std::size_t frames,
                                                         const float* key_left, const float* key_right,
                                                         Levels& next, std::size_t next_frames) noexcept;

    double rate_hz_ = 48'000.0;
    Moving<BusSettings> moving_;
    bool fresh_ = true;
    Coefficients c_{};
    SectionCoefficients<Stereo> key_filter_;
    bool key_filtered_ = false;
    SectionState<Stereo> key_state_;
    double peak_ = 0.0, slow_ = 0.0, smoothed_ = 0.0; ///< dB of reduction
    double largest_ = 0.0, total_ = 0.0, frames_ = 0.0;
    std::array<Levels, 2> work_{}; ///< of a block, and of the one that follows
};

} // namespace kitfold::dsp
