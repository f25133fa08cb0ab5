#pragma once
// What each mic hears of each place in the kit that is struck, its gain out of the way.
#include "hits/events.h"
#include "hits/places.h"
#include "take/stroke_sound.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Of the mics in which something steps up at all. Places with three strokes or more.
class KitView {
public:
    /// @param scans one per mic, in the order of take.mics. Both must outlive the view
    /// @param without mics to leave out, as if nothing stepped up in them
    KitView(const Take& take, std::span<const ScanFeatures> scans, std::span<const std::size_t> without = {});

    [[nodiscard]] std::span<const std::size_t> mics() const noexcept { return mics_; } ///< index in take.mics
    [[nodiscard]] std::size_t places() const noexcept { return places_.size(); }
    [[nodiscard]] std::size_t strokes(std::size_t place) const { return places_[place].members.size(); }
    // `mic` counts among mics() from here on.
    /// With one or two places a gain cannot be told from a lead: then all leads are 0.
    [[nodiscard]] bool few_places() const noexcept { return places() < 3; }
    /// Level of the place in the mic re the middle of all mics, less the same over all places in the middle:
    /// mean of the bands that it shows; far below where it shows none.
    [[nodiscard]] float lead_db(std::size_t mic, std::size_t place) const { return lead_db_[at(mic, place)]; }
    /// Places where it leads most, or nearly so. @pre places() > 0
    [[nodiscard]] std::vector<std::size_t> led_by(std::size_t mic) const;
    /// The most struck of these.
    [[nodiscard]] std::size_t leads_at(std::size_t mic) const;
    /// How late it hears that one of these which it hears soonest, of those that are struck at least half as
    /// often; infinite where that can't be told.
    [[nodiscard]] float soonest_ms(std::size_t mic) const;
    /// How much later than the first mic it hears the place, by its lows or its highs, whichever is less.
    [[nodiscard]] std::optional<float> late_ms(std::size_t mic, std::size_t place) const {
        return late_ms_[at(mic, place)];
    }
    /// Median over all places; 0 where that can't be told.
    [[nodiscard]] float late_ms(std::size_t mic) const { return usually_late_ms_[mic]; }
    /// Does it step up a fixed time after another mic of the kit, stroke by stroke? `no`: what hears no drum
    /// of this kit, a click or a bass on a cable. `perhaps`: too few strokes tell.
    enum class Step { no, perhaps, yes };
    [[nodiscard]] Step in_step(std::size_t mic) const { return in_step_[mic]; }
    /// Level of the top two bands re the loudest below, dB.
    [[nodiscard]] float top_db(std::size_t mic, std::size_t place) const;
    /// Of the strongest strokes.
    [[nodiscard]] StrokeSound sound(std::size_t mic, std::size_t place) const;
    /// Level of the top two bands 60 to 120 ms after a stroke re its first 15 ms, dB, nothing else being
    /// struck; none where there are fewer than three such strokes.
    [[nodiscard]] std::optional<float> fall_db(std::size_t mic, std::size_t place) const;
    /// How differently two mics hear the kit, gain and colour apart: dB RMS over places and bands; infinite
    /// where they show nothing in common.
    [[nodiscard]] float unlike_db(std::size_t a, std::size_t b) const;

private:
    [[nodiscard]] std::size_t at(std::size_t mic, std::size_t place) const { return mic * places() + place; }
    [[nodiscard]] float db(std::size_t mic, std::size_t place, std::size_t band) const {
        return places_[place].print.db[mic * kScanBands + band];
    }
    [[nodiscard]] bool shown(std::size_t mic, std::size_t place, std::size_t band) const;
    [[nodiscard]] double time_s(std::size_t mic, std::size_t event) const;
    void find_leads();
    using Times = std::vector<std::vector<float>>; ///< by mic and place, of some strokes; NaN: can't be told
    [[nodiscard]] Times arrivals_ms(double low_hz) const;
    void find_arrivals();
    void find_steps(std::span<const Times> arrivals);

    const Take& take_;
    std::vector<std::size_t> mics_;
    std::vector<Ear> ears_;
    std::vector<HitEvent> events_;
    std::vector<Place> places_;
    std::vector<float> lead_db_, usually_late_ms_;
    std::vector<std::optional<float>> late_ms_;
    std::vector<Step> in_step_;
};

} // namespace kitfold::dsp
