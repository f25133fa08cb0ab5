#pragma once
// Hits of hi-hat, ride and cymbals that have no mic: what steps up in the overheads beyond what the drums put
// there, told apart by place (which mics hear it, and how much), brightness and decay.
#include "analysis/drum_finder.h"
#include "analysis/ear.h"
#include "analysis/take.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

struct CymbalHit {
    Drum drum = Drum::cymbals;
    std::ptrdiff_t frame = 0;       ///< on the common clock, when the overheads hear it
    std::ptrdiff_t first_frame = 0; ///< in the files, when the first mic hears it
    std::size_t mic = 0;            ///< an overhead
};

class CymbalFinder {
public:
    /// @param drums all hits of drums that have a mic, in order of time. All must outlive the finder.
    CymbalFinder(std::span<const TakeMic> mics, std::span<const Ear> ears, std::span<const DrumHit> drums);
    /// In order of time. Nothing without overheads, or without a close mic to tell drums from cymbals.
    [[nodiscard]] std::vector<CymbalHit> find();

private:
    struct Path {                     ///< of a drum into the overheads
        std::vector<BandLevels> gain; ///< per overhead, power
        std::ptrdiff_t lag = 0;
    };
    struct Event {
        std::ptrdiff_t frame = 0;
        std::vector<BandLevels> rest;            ///< per overhead: its step less what drums explain
        float clear_db = 0.0f;                   ///< by how much it stands above that
        bool alone = false;                      ///< no drum in the way of seeing where it comes from
        std::vector<std::optional<float>> place; ///< dB, features that may be missing
        float decay_db = 0.0f;
        std::optional<std::size_t> group;
    };
    struct Group {
        std::vector<float> place;
        std::size_t count = 0;
        std::optional<Drum> drum;
        std::ptrdiff_t first = 0; ///< frames from the overheads' common clock to the first mic's file
    };

    void learn_paths();
    [[nodiscard]] BandLevels explained(std::size_t overhead, std::ptrdiff_t frame) const;
    [[nodiscard]] std::optional<Event> event_at(std::ptrdiff_t frame) const;
    void describe(Event& event) const;
    void form_groups();
    void name_groups();
    [[nodiscard]] std::optional<std::ptrdiff_t> onset(std::span<const std::size_t> mics, std::ptrdiff_t frame,
                                                      std::ptrdiff_t reach) const;
    [[nodiscard]] std::ptrdiff_t first_to_hear(std::size_t group) const;
    [[nodiscard]] std::optional<std::size_t> nearest(const Event& event, float within_db) const;
    void place_rest();

    std::span<const TakeMic> mics_;
    std::span<const Ear> ears_;
    std::span<const DrumHit> drums_;
    std::vector<std::size_t> overheads_, places_; ///< mics; places_ are the drums' own
    std::array<Path, kDrumCount> paths_;
    std::vector<Event> events_;
    std::vector<Group> groups_;
};

} // namespace kitfold::dsp
