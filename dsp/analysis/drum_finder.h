#pragma once
// Hits of the drums that have a mic of their own, found jointly: what a mic hears is weighed against what all
// others explain by bleed, with gains learned from the take.
#include "analysis/ear.h"
#include "analysis/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

struct DrumHit {
    Drum drum = Drum::kick;
    std::size_t mic = 0;
    std::ptrdiff_t frame = 0; ///< on the common clock of the ears
    BandLevels level{};       ///< of the step in its own mic
    float strength_db = 0.0f; ///< re the drum's typical loud hit
};

class DrumFinder {
public:
    /// @param ears one per mic, lags set; must outlive the finder
    DrumFinder(std::span<const TakeMic> mics, std::span<const Ear> ears);
    /// In order of time.
    [[nodiscard]] std::vector<DrumHit> find();

private:
    struct Candidate {
        std::ptrdiff_t frame = 0;
        BandLevels own{}, overheads{}, past{};
        std::vector<BandLevels> others; ///< what the other voices' mics did right before
        BandLevels strength{};          ///< dB per band re typical, after bleed
        float strength_db = 0.0f;
    };
    struct Voice {
        Drum drum = Drum::kick;
        std::size_t mic = 0;
        std::size_t first_band = 2, last_band = 6;
        std::vector<Candidate> candidates;
        BandLevels typical{};          ///< level of a typical loud hit in its own mic
        std::vector<BandLevels> bleed; ///< gain from each other voice's mic
        BandLevels overhead_bleed{};   ///< gain from the overheads' sum, for what has no mic of its own
        std::vector<std::size_t> accepted, strong;
    };

    [[nodiscard]] BandLevels overhead_rise(std::ptrdiff_t first, std::ptrdiff_t last) const;
    void gather(Voice& voice);
    void guess_bleed();
    void learn_bleed();
    void learn_overhead_bleed(Voice& voice);
    void learn_outliers(Voice& voice);
    void set_typical(Voice& voice, bool first_round);
    [[nodiscard]] BandLevels expected_bleed(const Voice& voice, const Candidate& c) const;
    void weigh(Voice& voice);
    void accept(Voice& voice);
    void choose_strong(Voice& voice);
    [[nodiscard]] std::ptrdiff_t onset(const Voice& voice, const Candidate& c) const;

    std::span<const Ear> ears_;
    std::vector<std::size_t> overheads_;
    std::vector<Voice> voices_;
    std::vector<std::pair<std::ptrdiff_t, BandLevels>> bright_; ///< steps in the overheads
};

} // namespace kitfold::dsp
