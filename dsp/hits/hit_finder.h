#pragma once
// From events to hits: sources learned from the take, every event explained by them, each hit timed where its
// drum is heard first.
#include "hits/events.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// A stroke as the model sees it. Frames on the common clock.
struct KnownStroke {
    std::size_t source = 0;
    std::size_t event = 0;
    std::ptrdiff_t frame = 0;   ///< of the event
    std::optional<float> onset; ///< at which what it rules begins, where that is clear
    float strength_db = 0.0f;   ///< re a typical hit of the source
    bool clear = false;         ///< its own mic hears nothing else that could be taken for its beginning
};

struct FoundHit {
    Drum drum = Drum::kick;
    std::size_t mic = 0; ///< by which it is timed: the drum's own, or the first to hear it
    double time_s = 0.0; ///< in that mic's file
};

class HitFinder {
public:
    /// @param ears one per mic, lags set. Both must outlive the finder
    HitFinder(const Take& take, std::span<const Ear> ears);
    /// In order of time.
    [[nodiscard]] std::vector<FoundHit> find();

private:
    using StrokesByDrum = std::array<std::vector<KnownStroke>, kDrumCount>;
    [[nodiscard]] std::vector<std::optional<float>> arrivals_ms(const Place& place) const;
    [[nodiscard]] std::optional<float> behind_ms(std::size_t event, std::size_t mic) const;
    bool drop_wires(std::span<const Place> places);
    void learn_sources();
    void explain_all();
    [[nodiscard]] std::optional<float> onset(const HitEvent& event, const Part& part,
                                             std::span<const std::size_t> places) const;
    [[nodiscard]] bool clear_in_own_mic(const Part& part) const;
    [[nodiscard]] float seen_db(const HitEvent& event, const Part& part) const;
    [[nodiscard]] std::vector<KnownStroke> strokes_of(Drum drum) const;
    void ask_overheads(std::span<KnownStroke> strokes) const;
    [[nodiscard]] StrokesByDrum strokes() const;
    [[nodiscard]] static std::vector<KnownStroke> lone(std::span<const KnownStroke> strokes,
                                                       std::span<const KnownStroke> others);
    struct Clock {
        std::size_t mic = 0;
        double low_hz = 0.0;
        double delay_s = 0.0;       ///< by which arrivals are later than events
        double frame_delay_s = 0.0; ///< and later than onsets
    };
    [[nodiscard]] double seconds(std::size_t mic, float frame) const;
    [[nodiscard]] std::vector<float> delays(std::size_t mic, double low_hz,
                                            std::span<const KnownStroke> strokes) const;
    [[nodiscard]] double onset_delay_s(const Clock& clock, std::span<const KnownStroke> strokes) const;
    [[nodiscard]] Clock clock_of(Drum drum, std::span<const KnownStroke> strokes,
                                 std::span<const KnownStroke> others) const;
    [[nodiscard]] double time_s(const KnownStroke& s, const Clock& clock, bool alone) const;

    const Take& take_;
    std::span<const Ear> ears_;
    Listeners who_;
    std::vector<std::optional<Drum>> near_; ///< by ear: the drum its mic is put up for
    std::vector<HitEvent> events_;
    HitModel model_;
    std::vector<std::vector<Part>> parts_;
};

} // namespace kitfold::dsp
