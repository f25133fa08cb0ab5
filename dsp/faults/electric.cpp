#include "faults/electric.h"
#include "core/median.h"
#include "core/units.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <optional>

namespace kitfold::dsp {
namespace {

std::vector<std::size_t> sounding(std::span<const MicMeasure> measures) {
    std::vector<std::size_t> out;
    for (std::size_t m = 0; m < measures.size(); ++m)
        if (measures[m].peak() > float(gain_from_db(kSilentDbfs))) out.push_back(m);
    return out;
}

// Milliseconds. From one end of a kit to the other, or to a room mic and back from its wall, sound takes 25
// at most; a click is over within 3, a stroke's upper sound lasts.
constexpr std::ptrdiff_t kNear = 25, kBefore = 80, kClick = 3, kOver = 10, kOwnBefore = 30;
// In 34 takes of three real kits, one millisecond of one mic is that short and alone (at the edge of a gap).
constexpr double kOut_db = 15.0, kBegins_db = 3.0;
// How much softer the next mics may hear what is close to one: 5 cm against 1.5 m.
constexpr double kNextMic_db = 30.0;
// One witness may be dead or turned away; a click or two may be anything, a cable is heard again and again.
constexpr std::size_t kWitnesses = 2, kFewestClicks = 3;
constexpr float kNothing = 1e-16f; // a roughness that no converter goes under

/// @pre first <= last, both in x
float greatest(std::span<const float> x, std::ptrdiff_t first, std::ptrdiff_t last) {
    return kNothing + *std::max_element(x.begin() + first, x.begin() + last + 1);
}

/// Is a mic far above what it was and soon will be?
bool is_spike(std::span<const float> rough, std::ptrdiff_t k) {
    static const auto out = float(power_from_db(kOut_db));
    const float here = rough[std::size_t(k)];
    const auto below = [&](std::ptrdiff_t first, std::ptrdiff_t last) {
        return here > out * greatest(rough, k + first, k + last);
    };
    return below(-kClick, -kClick) && below(kClick + 1, kOver) && below(-kOwnBefore, -kClick) &&
           here + kNothing >= greatest(rough, k - kClick, k + kClick);
}

/// Nothing begins in the other mics, though a sound would have shown in two of them.
bool is_alone(std::span<const MicMeasure> measures, std::span<const std::size_t> mics, std::size_t mic,
              std::ptrdiff_t k) {
    static const auto begins = float(power_from_db(kBegins_db)), next = float(power_from_db(kNextMic_db));
    const float here = measures[mic].frame_rough[std::size_t(k)];
    std::size_t witnesses = 0;
    for (const auto other : mics) {
        const auto& rough = measures[other].frame_rough;
        if (other == mic || k + kNear >= std::ssize(rough)) continue;
        const float before = greatest(rough, k - kBefore, k - kNear - 1);
        if (greatest(rough, k - kNear, k + kNear) > begins * before) return false;
        witnesses += here > next * before;
    }
    return witnesses >= kWitnesses;
}

} // namespace

std::vector<Fault> crackles(std::span<const MicMeasure> measures) {
    const auto mics = sounding(measures);
    std::vector<Fault> faults;
    for (const auto mic : mics) {
        const auto& m = measures[mic];
        Fault fault{FaultKind::crackle, mic, {}, kSilentDb, 0, 0.0, 0.0, {}};
        for (auto k = kBefore; k + kNear < std::ssize(m.frame_rough); ++k) {
            if (!is_spike(m.frame_rough, k) || !is_alone(measures, mics, mic, k)) continue;
            const float peak = std::max(m.frame_highest[std::size_t(k)], -m.frame_lowest[std::size_t(k)]);
            fault.level_db = std::max(fault.level_db, db_from_gain(double(peak), kSilentDb));
            if (fault.count++ == 0) fault.at_s = double(k) / 1'000.0;
        }
        if (fault.count >= kFewestClicks) faults.push_back(fault);
    }
    return faults;
}

namespace {

constexpr std::size_t kBlock = 50, kFewestBlocks = 5; // 50 ms: a period of 20 Hz
constexpr double kNoisier_db = 6.0,
                 kAtRest_db = 6.0;    // twice, which 50 ms of steady noise never are by chance
constexpr double kUnheard_db = -80.0; // common practice, no source: 60 dB under a quiet drum

/// RMS of each block in dB, the mean apart.
std::vector<double> block_levels(const MicMeasure& m) {
    std::vector<double> out;
    for (std::size_t at = 0; at + kBlock <= m.frame_energy.size(); at += kBlock) {
        const auto first = m.frame_energy.begin() + std::ptrdiff_t(at);
        const double power = std::accumulate(first, first + std::ptrdiff_t(kBlock), 0.0) / double(kBlock);
        out.push_back(db_from_power(std::max(power - m.mean * m.mean, 1e-12)));
    }
    return out;
}

/// Blocks in which all mics but one are at rest, by third.
using RestBlocks = std::array<std::vector<std::size_t>, kThirds>;
RestBlocks at_rest(std::span<const std::vector<double>> levels, std::span<const double> floors,
                   std::size_t but) {
    std::size_t count = levels[but].size();
    for (const auto& of_mic : levels) count = std::min(count, of_mic.size());
    RestBlocks out;
    for (std::size_t b = 0; b < count; ++b) {
        std::size_t resting = 0;
        for (std::size_t m = 0; m < levels.size(); ++m)
            resting += m != but && levels[m][b] < floors[m] + kAtRest_db;
        if (resting + 1 == levels.size()) out[kThirds * b / count].push_back(b);
    }
    return out;
}

/// The quietest of a mic's blocks: what rings on in some is not noise.
std::optional<double> noise_of(std::span<const double> levels, std::span<const std::size_t> blocks) {
    if (blocks.size() < kFewestBlocks) return std::nullopt;
    std::vector<double> found;
    for (const auto b : blocks) found.push_back(levels[b]);
    return quantile(found, 0.1);
}

/// Of one mic, between the first two thirds that show it.
std::optional<TakeChange> noise_change(std::size_t mic, std::span<const double> levels,
                                       const RestBlocks& rest) {
    for (const auto& [a, b] : kPairsOfThirds) {
        const auto before = noise_of(levels, rest[a]), after = noise_of(levels, rest[b]);
        if (!before || !after || std::max(*before, *after) < kUnheard_db) continue;
        const double more_db = *after - *before;
        if (std::abs(more_db) < kNoisier_db) continue;
        const auto [from, to] = more_db > 0.0 ? std::pair(a, b) : std::pair(b, a);
        return TakeChange{ChangeKind::noise, {mic}, Drum::kick, from, to, std::abs(more_db), false};
    }
    return std::nullopt;
}

} // namespace

std::vector<TakeChange> noise_changes(std::span<const MicMeasure> measures) {
    const auto mics = sounding(measures);
    if (mics.size() < 3) return {};
    std::vector<std::vector<double>> levels;
    std::vector<double> floors;
    for (const auto m : mics) {
        levels.push_back(block_levels(measures[m]));
        floors.push_back(quantile(std::vector(levels.back()), 0.01));
    }
    std::vector<TakeChange> out;
    for (std::size_t i = 0; i < mics.size(); ++i)
        if (const auto change = noise_change(mics[i], levels[i], at_rest(levels, floors, i)))
            out.push_back(*change);
    return out;
}

} // namespace kitfold::dsp
