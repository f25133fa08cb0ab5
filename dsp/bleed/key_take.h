#pragma once
// A take as the kit's key hears it, with the hits on its grid of steps: what all of learning reads.
// Deterministic; allocates; not for the audio thread.
#include "dynamics/kit_key.h"
#include "take/take.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// What a mic's own drum does at a step.
enum Own : char { kSilent, kRings, kHit };

/// A hit on the grid of steps.
struct GridHit {
    std::size_t step = 0, own = 0; ///< own: its close mic, or as many as there are mics
    Drum drum = Drum::kick;
    std::size_t until = 0;  ///< first step that another drum's hit may touch
    bool clean = false;     ///< nothing else near before or right after
    bool guess = false;     ///< not listed: the mic hears what nothing explains, which is no bleed then
    std::size_t number = 0; ///< among the hits of its drum
};

class KeyTake {
public:
    /// Reads the first kLearnSeconds of the take, low-passed and thinned out as `key` does, as it was
    /// recorded.
    /// @pre key is prepared for the take's rate and mics
    KeyTake(const Take& take, std::span<const Hit> hits, const KitKey& key);

    [[nodiscard]] std::size_t mics() const noexcept { return mics_.size(); }
    [[nodiscard]] const TakeMic& mic(std::size_t m) const { return mics_[m]; }
    [[nodiscard]] double rate_hz() const noexcept { return rate_hz_; } ///< of steps
    [[nodiscard]] std::size_t steps() const noexcept { return steps_; }
    [[nodiscard]] std::size_t steps(double seconds) const noexcept {
        return static_cast<std::size_t>(seconds * rate_hz_);
    }
    [[nodiscard]] std::span<const float> samples() const noexcept { return samples_; } ///< [step][mic]
    [[nodiscard]] const float* at(std::size_t step) const noexcept { return &samples_[step * mics()]; }

    /// The mic's own drum.
    [[nodiscard]] std::optional<Drum> drum_of(std::size_t mic) const { return drums_[mic]; }
    /// Is it the one that speaks for its drum?
    [[nodiscard]] bool speaks(std::size_t mic) const;

    [[nodiscard]] const std::vector<GridHit>& hits() const noexcept { return hits_; } ///< by time
    /// Other hits from here on.
    void set_hits(std::vector<GridHit> hits);
    /// Of a drum, guesses left out.
    [[nodiscard]] std::size_t hits_of(Drum drum) const;
    /// Is a drum listed to be hit at about this step?
    [[nodiscard]] bool listed(Drum drum, std::size_t step) const;
    /// Steps at which the mic's own drum is hit; none of a mic without one.
    [[nodiscard]] std::vector<std::size_t> strokes_of(std::size_t mic) const;
    /// What each mic's own drum does at each step: [mic][step].
    [[nodiscard]] const std::vector<std::vector<Own>>& busy() const noexcept { return busy_; }
    /// Where a mic's own drum is silent, `late` steps before the hits say; for a drum that hardly ever is,
    /// where it has died away for the most part.
    [[nodiscard]] std::vector<char> silent_steps(std::size_t mic, std::size_t late) const;

private:
    void read(const Take& take, const KitKey& key);
    void place(std::span<const Hit> hits);
    void look_round();
    [[nodiscard]] std::vector<std::vector<Own>> busy_steps() const;

    std::vector<TakeMic> mics_;
    std::vector<std::optional<Drum>> drums_;
    double rate_hz_ = 6000.0;
    std::size_t steps_ = 0;
    std::vector<float> samples_;
    std::vector<GridHit> hits_;
    std::vector<std::vector<Own>> busy_; ///< by these hits
};

inline constexpr double kLeastSilenceS = 6.0; ///< of the own drum, to learn waveforms from

} // namespace kitfold::dsp
