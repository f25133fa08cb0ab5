#pragma once
// What one drum says about any two mics.
#include "pairs/pairs.h"
#include "pairs/strokes.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Two mics of one drum, in this order: kick in and out, snare top and bottom.
bool heads_of_one_drum(Role x, Role y) noexcept;

/// Compares mics over the strokes of a drum, lined up in the mic `on`: in all of their sound, and where noise
/// or other drums cover that, in the part of it in which they say least.
class DrumJudge {
public:
    /// @param on the drum's own mic; for a drum without one an overhead  @param mics that will be asked for
    DrumJudge(const Take& take, std::span<const Hit> hits, Drum drum, std::size_t on,
              std::span<const std::size_t> mics);

    [[nodiscard]] const DrumStrokes& strokes() const noexcept { return whole_.strokes; }
    /// When a mic can hear the drum, ms after `on`, if no file lies off: where such mics stand.
    [[nodiscard]] Bounds usual(std::size_t mic) const noexcept;
    /// When it does, if that is sure.
    [[nodiscard]] std::optional<double> sure_ms(std::size_t mic, Bounds bounds) const;
    /// When it does, sure or not. @pre set_late() was called
    [[nodiscard]] double heard_ms(std::size_t mic) const;
    /// Bounds follow files that lie off. @param late_ms by how much, of each mic of the take
    void set_late(std::span<const double> late_ms);
    /// @pre set_late() was called
    [[nodiscard]] Pair judge(std::size_t a, std::size_t b);

private:
    [[nodiscard]] double ms() const noexcept { return take_.rate_hz / 1000.0; }
    [[nodiscard]] std::string drum_words() const;
    [[nodiscard]] bool slow(const Heard& h) const;
    struct View {
        DrumStrokes strokes;
        std::vector<std::vector<double>> noise; ///< by mic, of each stroke
    };
    [[nodiscard]] Pair judge(Pair pair, const View& view) const;
    void measure_noise(View& view) const;
    void settle(Pair& pair, const Heard& x, const Heard& y) const;
    [[nodiscard]] std::string doubt_words(const Pair& pair, const Heard& x, const Heard& y,
                                          double apart) const;

    const Take& take_;
    std::size_t on_;
    std::vector<std::size_t> mics_;
    View whole_;
    std::optional<View> part_;   ///< made when it is needed
    std::vector<Bounds> bounds_; ///< by mic
};

} // namespace kitfold::dsp
