#pragma once
// What each drum of the kit does to all mics at once, and which of them together explain what was heard.
#include "hits/ear.h"
#include "hits/places.h"
#include "take/take.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr std::size_t kFirstAbove1kHz = 4; ///< band; below it heads speak, and cymbals hardly

/// Under what a drum does mostly: softer is none of its strokes. The simulated drummer's ghost notes lie 16
/// to 24 dB under his backbeats.
inline constexpr float kSoftestDb = 30.0f;

/// A moment at which something in the kit was struck. A channel is a band of a listening mic, number
/// mic * kScanBands + band, mics counted among the listeners.
struct HitEvent {
    std::ptrdiff_t frame = 0;  ///< on the common clock of the ears
    float at = 0.0f;           ///< the same, finer
    std::vector<float> step;   ///< power by which each channel steps up
    std::vector<float> hidden; ///< power of a step that what rings on there would cover
    Print print;               ///< in all mics
    bool of_cymbal = false;    ///< too near to another to tell of more than a cymbal with a mic; no print
};

/// Something that is struck: the power it puts into each channel at a typical loud hit.
struct Source {
    std::optional<Drum> drum;       ///< none: heard, but nothing proves what it is
    std::optional<std::size_t> own; ///< place of its own mic among the listeners
    std::vector<float> shape;       ///< by channel

    [[nodiscard]] bool plate() const { return drum && is_plate(*drum); }
};

/// One source's part in an event.
struct Part {
    std::size_t source = 0;
    float level = 1.0f;       ///< power re the source's shape
    BandLevels colour{};      ///< power by which this hit's spectrum departs from it
    std::vector<float> power; ///< by channel
    std::vector<float> share; ///< of all parts' power, by channel; set by explain()
};

/// Events are sums of sources: power adds up, each hit is free in level and a little in spectrum, while the
/// ratio between mics in a band stays what the room makes it. Explains an event by as few sources as it
/// takes: the one that explains most first, each one only if without it channels would stay unexplained that
/// it alone accounts for, and no source that would be heard where nothing was. A drum that its own mic
/// plainly shows beside them is named as well.
class HitModel {
public:
    explicit HitModel(std::vector<Source> sources);
    [[nodiscard]] std::span<const Source> sources() const noexcept { return sources_; }
    [[nodiscard]] std::vector<Part> explain(const HitEvent& event) const;

private:
    void keep_possible();
    [[nodiscard]] std::optional<Part> plain_in_own_mic(std::size_t source, const HitEvent& event,
                                                       std::span<const Part> parts) const;
    [[nodiscard]] std::optional<Part> first_guess(std::size_t source, const HitEvent& event,
                                                  std::span<const float> known) const;
    [[nodiscard]] std::optional<Part> part_at(std::size_t source, std::vector<float>& ratios,
                                              float softest) const;
    void shape(Part& part) const;
    [[nodiscard]] float least_gain(std::size_t source) const;
    [[nodiscard]] float fit(std::vector<Part>& parts, const HitEvent& event, int rounds) const;

    std::vector<Source> sources_;
    std::vector<float> weight_; ///< by channel
};

} // namespace kitfold::dsp
