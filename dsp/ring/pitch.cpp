#include "ring/pitch.h"
#include <algorithm>
#include <array>
#include <cmath>

namespace kitfold::dsp {

Note note_of(double hz) {
    const double semitones = 69.0 + 12.0 * std::log2(hz / 440.0);
    const double nearest = std::round(semitones);
    return {static_cast<int>(nearest), 100.0 * (semitones - nearest)};
}

std::string note_name(const Note& note) {
    constexpr std::array<const char*, 12> kNames{"C",  "C#", "D",  "D#", "E",  "F",
                                                 "F#", "G",  "G#", "A",  "A#", "B"};
    const int octave = static_cast<int>(std::floor(note.number / 12.0)) - 1;
    return kNames[static_cast<std::size_t>(note.number - 12 * (octave + 1))] + std::to_string(octave);
}

std::optional<double> pitch_hz(const RingResult& ring) {
    constexpr double kMostUnder_db = 12.0;
    const auto lowest = [](const std::vector<RingPartial>& partials) -> std::optional<double> {
        if (partials.empty()) return std::nullopt;
        const auto louder = [](const auto& a, const auto& b) { return a.level_db < b.level_db; };
        const double strongest_db = std::max_element(partials.begin(), partials.end(), louder)->level_db;
        double hz = 1e9;
        for (const auto& p : partials)
            if (p.level_db >= strongest_db - kMostUnder_db) hz = std::min(hz, p.hz);
        return hz;
    };
    auto agreed = ring.partials;
    std::erase_if(agreed, [](const RingPartial& p) { return !p.judged; });
    return lowest(agreed.empty() ? heard_partials(ring) : agreed);
}

} // namespace kitfold::dsp
