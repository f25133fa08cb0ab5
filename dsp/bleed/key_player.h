#pragma once
// Runs the kit's key over a take, as often as learning has a question. Deterministic; allocates; not for the
// audio thread.
#include "bleed/key_take.h"
#include "dynamics/kit_key.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

class KeyPlayer {
public:
    /// `take` has to live as long. @pre key is prepared, its delays are set
    KeyPlayer(const KeyTake& take, KitKey& key);

    /// Appends to the table the way to each close mic, from where its own drum is silent in it; what that
    /// leaves of the take is what play() goes over. What leads to a mic whose own hits are the same as before
    /// is known.
    void learn_waveforms(KitKeyTable& table);

    /// Runs the key over what waveforms have left of the take; after(step) sees its levels.
    template <class After> void play(const KitKeyTable& table, After after) {
        key_.reset();
        key_.set(table);
        for (std::size_t s = 0; s < take_.steps(); ++s) {
            key_.advance_past_waveforms(&waves_[s * take_.mics()]);
            after(s);
        }
    }
    /// Runs it over the take as it was recorded, nothing explained.
    template <class After> void play_recorded(After after) {
        key_.reset();
        key_.set({});
        for (std::size_t s = 0; s < take_.steps(); ++s) {
            key_.advance(take_.at(s));
            after(s);
        }
    }
    [[nodiscard]] const KitKey& key() const noexcept { return key_; } ///< as it is after a step

private:
    [[nodiscard]] std::vector<KitKeyTable::Bleed> responses_to(std::size_t mic) const;

    /// What is foretold of a mic, and the strokes of its own drum that it was learned between.
    struct Heard {
        std::optional<std::vector<std::size_t>> strokes; ///< none: not learned yet
        std::vector<KitKeyTable::Bleed> bleed;
    };

    const KeyTake& take_;
    KitKey& key_;
    std::vector<float> waves_; ///< [step][mic], KitKey::wave()
    std::vector<Heard> heard_; ///< per mic
};

} // namespace kitfold::dsp
