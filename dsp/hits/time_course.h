#pragma once
// How the power of each source runs in the bright bands of the overheads, millisecond by millisecond: what a
// cymbal leaves there once the attack of a drum that was struck with it is over.
#include "hits/null_beam.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr std::size_t kCourseLanes = 8; ///< channels side by side, so that wide instructions fit

/// A source at one moment, as part of an explanation.
struct CoursePart {
    std::size_t voice = 0;
    std::ptrdiff_t offset = 0;                 ///< frames after the moment
    float known_db = 0.0f;                     ///< what other mics say about its level; only if `known`
    bool known = false;                        ///< certainly struck
    std::array<float, kCourseBands> gain_db{}; ///< re the voice's course
    [[nodiscard]] float level_db() const noexcept;
};

/// What the overheads hear around a moment: power by bin of time and channel.
struct Moment {
    std::ptrdiff_t frame = 0;
    std::size_t bins = 0;      ///< that are not yet the next moment's
    std::vector<float> heard;  ///< log2 of power, by place
    std::vector<float> before; ///< by channel, just ahead of it
};

/// Courses of all voices, and how well some of them explain a moment. A voice is a way in which a source is
/// struck; powers add up, on top of what rang before. Gains follow by weighted least squares in dB.
class TimeCourses {
public:
    static constexpr std::ptrdiff_t kFirst = -14, kLast = 150;     ///< frames of a moment
    static constexpr std::ptrdiff_t kEarliest = -12, kLatest = 36; ///< offsets

    /// @param mics of the ears, to be listened to  @param beam too, if there is any; both must outlive this
    TimeCourses(std::span<const Ear> ears, std::vector<std::size_t> mics, const NullBeam& beam,
                std::size_t voices);
    [[nodiscard]] Moment moment(std::ptrdiff_t frame, std::ptrdiff_t next) const;
    [[nodiscard]] float values(const Moment& m) const { return static_cast<float>(m.bins * channels_); }
    /// Moves the gains towards the best explanation; returns what it leaves open, in units of the scatter of
    /// one bin squared.
    [[nodiscard]] float fit(std::vector<CoursePart>& parts, const Moment& moment, int rounds) const;
    /// Courses anew from moments and their explanations, those first in which a voice is heard best.
    void learn(std::span<const Moment> moments, std::span<const std::vector<CoursePart>> parts);
    [[nodiscard]] bool known(std::size_t voice) const noexcept { return known_[voice]; }
    /// Loss of power in a mic from the first frames after one to 50 ms later.
    [[nodiscard]] float lasting_db(std::size_t mic, std::ptrdiff_t frame) const noexcept;
    /// First frame of a voice's course, re its place, at which it has begun.
    [[nodiscard]] std::ptrdiff_t onset(std::size_t voice) const;

private:
    static constexpr std::ptrdiff_t kAhead = 6, kLength = 170; // frames of a course, from before its place
    struct Fit;
    struct Saying;
    [[nodiscard]] float others(std::span<const CoursePart> parts, const CoursePart& but, std::size_t channel,
                               std::ptrdiff_t frame) const;
    void listen(const Moment& moment, std::span<const CoursePart> parts, const CoursePart& part,
                std::vector<std::vector<Saying>>& said) const;
    [[nodiscard]] static float agreed(std::vector<Saying>& sayings, double rank);
    void add_up(std::span<const CoursePart> parts, const Moment& moment, Fit& fit) const;
    [[nodiscard]] float compare(const Moment& moment, Fit& fit) const;
    void adjust(CoursePart& part, const float* power, const Moment& moment, const Fit& fit) const;
    [[nodiscard]] static std::size_t place(std::size_t bin, std::size_t channel);
    void adjust_fall(const Moment& moment, Fit& fit) const;
    [[nodiscard]] float heard(std::size_t channel, std::ptrdiff_t frame) const noexcept;
    void set_bins(std::size_t voice);
    [[nodiscard]] const float* bins_of(const CoursePart& part) const noexcept;

    std::span<const Ear> ears_;
    std::vector<std::size_t> mics_;
    const NullBeam& beam_;
    std::size_t channels_, groups_, size_;
    std::vector<std::vector<float>> course_; ///< by voice; [channel][frame]
    std::vector<std::vector<float>> binned_; ///< by voice; [offset][place]
    std::vector<bool> known_;
    std::vector<float> weight_; ///< by bin and channel
};

} // namespace kitfold::dsp
