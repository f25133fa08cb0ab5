#pragma once
// Second reading of a take: what every mic heard around chosen hits of one drum.
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Level in dB just after `at` (samples) re what comes before it, from a power per sample; 0 where `power`
/// ends before or begins after what is asked. Before a first arrival both the last 2 ms and the last 10 ms
/// are quiet. @param ms samples of a millisecond
double onset_db(std::span<const float> power, double at, double ms) noexcept;

/// Mics x hits: excerpts of `length` samples; sample `origin` of each is when the drum's own mic hears the
/// hit.
class DrumExcerpts {
public:
    /// @param before_ms, after_ms span of an excerpt around the hit
    /// @param most at most this many hits, those alone first, then the stronger; they stand in order of time
    /// @param enough hits that overlap another drum are taken only while there are fewer than this
    /// @param mics that will be asked for; empty: all
    DrumExcerpts(const Take& take, std::span<const Hit> hits, Drum drum, double before_ms, double after_ms,
                 std::size_t most, std::size_t enough, std::span<const std::size_t> mics = {});

    [[nodiscard]] std::size_t hits() const noexcept { return chosen_.size(); }
    [[nodiscard]] std::size_t length() const noexcept { return length_; }
    [[nodiscard]] std::size_t origin() const noexcept { return origin_; }
    [[nodiscard]] double rate_hz() const noexcept { return rate_hz_; }
    [[nodiscard]] Drum drum() const noexcept { return drum_; }
    [[nodiscard]] const Hit& hit(std::size_t n) const noexcept { return chosen_[n]; }
    /// Samples, with fraction, by which hit `hit` begins after `origin` in the drum's own mic: the hits lie
    /// over one another when shifted back by this. 0 until align().
    [[nodiscard]] double late(std::size_t hit) const noexcept { return late_[hit]; }
    /// Finds late() from what mic `own` heard. @pre the excerpts span at least -20..+20 ms
    void align(std::size_t own);
    /// @pre mic is one of those asked for
    [[nodiscard]] std::span<const float> of(std::size_t mic, std::size_t hit) const noexcept {
        return std::span(samples_).subspan((row_[mic] * hits() + hit) * length_, length_);
    }

private:
    [[nodiscard]] double common_onset(std::size_t own) const;

    Drum drum_;
    double rate_hz_;
    std::size_t length_, origin_;
    std::vector<Hit> chosen_;
    std::vector<std::size_t> row_; ///< of a mic
    std::vector<float> samples_;
    std::vector<double> late_;
};

} // namespace kitfold::dsp
