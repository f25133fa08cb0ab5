#pragma once
// From events to hits: sources learned from the take, every event explained by them, each hit timed where its
// drum is heard first.
#include "hits/hit_model.h"
#include "hits/plate_finder.h"
#include "hits/source_finder.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

struct FoundHit {
    Drum drum = Drum::kick;
    std::size_t mic = 0;            ///< the drum's own, or an overhead
    std::ptrdiff_t frame = 0;       ///< in that mic's file
    std::ptrdiff_t first_frame = 0; ///< in the files, when the first mic hears it
    float strength_db = 0.0f;       ///< re a typical loud hit of the drum
};

class HitFinder {
public:
    /// @param ears one per mic, lags set. Both must outlive the finder
    HitFinder(const Take& take, std::span<const Ear> ears);
    /// In order of time.
    [[nodiscard]] std::vector<FoundHit> find();

private:
    using StrokesByDrum = std::array<std::vector<KnownStroke>, kDrumCount>;
    void learn_sources();
    void explain_all();
    [[nodiscard]] std::optional<std::ptrdiff_t> onset(const HitEvent& event, const Part& part,
                                                      std::span<const std::size_t> places) const;
    [[nodiscard]] float seen_db(const HitEvent& event, const Part& part) const;
    [[nodiscard]] std::vector<KnownStroke> strokes_of(Drum drum) const;
    [[nodiscard]] NullBeam beam_beside_cymbals(std::span<const KnownStroke> strokes) const;
    [[nodiscard]] StrokesByDrum strokes() const;
    [[nodiscard]] std::vector<std::ptrdiff_t> firsts_to_hear(const StrokesByDrum& strokes) const;
    [[nodiscard]] std::ptrdiff_t first_to_hear(std::size_t source, const StrokesByDrum& all) const;
    [[nodiscard]] static std::vector<KnownStroke> lone(std::span<const KnownStroke> strokes,
                                                       std::span<const KnownStroke> others);
    [[nodiscard]] std::optional<std::ptrdiff_t> bright_onset(const Ear& ear,
                                                             std::span<const KnownStroke> strokes) const;

    const Take& take_;
    std::span<const Ear> ears_;
    Listeners who_;
    std::vector<std::optional<Drum>> near_; ///< by ear: the drum its mic is put up for
    std::vector<HitEvent> events_;
    HitModel model_;
    std::vector<std::vector<Part>> parts_;
};

} // namespace kitfold::dsp
