#pragma once
// What a stereo file measures: loudness (ITU-R BS.1770-4, EBU R 128, EBU Tech 3342), true peak by libebur128,
// peaks, image.
#include <cstddef>
#include <limits>
#include <memory>

namespace kitfold::offline {

inline constexpr double kSilenceDb = -std::numeric_limits<double>::infinity();

struct StereoFigures {
    double loudness_lufs = kSilenceDb; ///< integrated; -inf when everything is below the gate of -70 LUFS
    double range_lu = 0.0;             ///< loudness range
    double sample_peak_dbfs = kSilenceDb;
    double true_peak_dbtp = kSilenceDb; ///< never below the sample peak
    double correlation = 0.0; ///< sum(L R) / sqrt(sum(L^2) sum(R^2)), -1..1; 0 when a side is silent
    /// Level lost when both sides are added: 10 lg((L^2 + R^2) / ((L + R)^2 / 2)) dB. 0 when they are the
    /// same, 3.01 when they have nothing in common, inf when they cancel.
    double mono_loss_db = 0.0;
};

/// Figures of everything added so far. Needs the same memory at any length, but for the loudness of each 100
/// ms. One thread at a time; add() allocates now and then.
class StereoMeter {
public:
    /// @param rate_hz 8'000..384'000. Throws std::bad_alloc.
    explicit StereoMeter(int rate_hz);
    ~StereoMeter();
    StereoMeter(StereoMeter&&) noexcept;
    StereoMeter& operator=(StereoMeter&&) noexcept;

    void add(const float* left, const float* right, std::size_t frames);
    [[nodiscard]] StereoFigures figures() const;

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

/// Loudness of the last three seconds (EBU Tech 3341, "short term"). One thread at a time; add() allocates
/// now and then.
class ShortTermMeter {
public:
    /// @param rate_hz 8'000..384'000. Throws std::bad_alloc.
    explicit ShortTermMeter(int rate_hz);
    ~ShortTermMeter();
    ShortTermMeter(const ShortTermMeter&) = delete;
    ShortTermMeter& operator=(const ShortTermMeter&) = delete;

    void add(const float* left, const float* right, std::size_t frames);
    [[nodiscard]] double loudness_lufs() const; ///< -inf for silence

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

/// dB re full scale of a linear peak; -inf for 0.
double peak_db(double peak) noexcept;

} // namespace kitfold::offline
