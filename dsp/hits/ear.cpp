#include "hits/ear.h"
#include "core/median.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <bit>
#include <cmath>
#include <deque>
#include <numeric>

namespace kitfold::dsp {

namespace {

/// Frames, per band, over which a drum's own ring beats: a step has to exceed all of it.
constexpr std::array<std::ptrdiff_t, kScanBands> kPastFrames{30, 30, 25, 20, 14, 10, 10, 10};
constexpr std::ptrdiff_t kGap = 3;  // frames between the past and a step, the attack's own rise
constexpr float kAbovePast = 1.26f; // 1 dB: else each new maximum of a ring or of noise is a step

std::uint16_t half_of(float x) noexcept {
    return static_cast<std::uint16_t>(std::bit_cast<std::uint32_t>(x) >> 16);
}
float float_of(std::uint16_t h) noexcept { return std::bit_cast<float>(static_cast<std::uint32_t>(h) << 16); }

} // namespace

Ear::Ear(const ScanFeatures& scan)
    : scan_(&scan), frames_(static_cast<std::ptrdiff_t>(scan.frames())), step_(scan.frames() * kScanBands),
      novelty_(scan.frames()), top_novelty_(scan.frames()) {
    for (std::size_t b = 0; b < kScanBands; ++b) {
        std::vector<float> some;
        for (std::size_t f = 0; f < scan.frames(); f += 7) some.push_back(scan.energy(f, b));
        if (some.empty()) return;
        floor_[b] = of_rank(some, some.size() / 10) + 1e-14f;
        find_steps(b);
    }
    find_novelty();
}

/// Levels of 8 ms, the shortest in which a low drum's wave has a level, against the loudest of those that
/// ended when it began or up to 8 ms before: what decays, rings or beats gives none.
void Ear::find_novelty() {
    constexpr std::size_t kPiece = 8, kPast = 8;
    constexpr float kMostDb = 20.0f;       // no single band decides
    constexpr float kOverFloor = 4.0f;     // added to each level, so that noise hardly moves it
    constexpr float kUnderLoudest = 1e-6f; // the same for a file that is silent between strokes: -60 dB
    std::array<BandLevels, 32> level{};    // dB, by the frame in which a piece begins; newest last
    BandLevels sum{}, quiet{};
    for (std::ptrdiff_t f = 0; f < frames_; ++f)
        for (std::size_t b = 0; b < kScanBands; ++b)
            quiet[b] = std::max(quiet[b], kUnderLoudest * energy(f, b));
    for (std::size_t b = 0; b < kScanBands; ++b)
        quiet[b] = std::max(quiet[b], kOverFloor * floor_[b]) * kPiece + 1e-14f;
    for (std::ptrdiff_t f = 0; f < frames_; ++f) { // the piece that ends with f
        const auto begins = f + 1 - static_cast<std::ptrdiff_t>(kPiece);
        auto& now = level[static_cast<std::size_t>(f) % level.size()];
        sum.fill(0.0f);
        for (auto g = begins; g <= f; ++g)
            for (std::size_t b = 0; b < kScanBands; ++b) sum[b] += energy(g, b);
        for (std::size_t b = 0; b < kScanBands; ++b) now[b] = kDbPerDoubling * quick_log2(sum[b] + quiet[b]);
        if (begins < static_cast<std::ptrdiff_t>(kPiece + kPast)) continue;
        BandLevels past = level[static_cast<std::size_t>(f - kPiece) % level.size()];
        for (std::size_t k = kPiece + 1; k <= kPiece + kPast; ++k) {
            const auto& was = level[(static_cast<std::size_t>(f) - k) % level.size()];
            for (std::size_t b = 0; b < kScanBands; ++b) past[b] = std::max(past[b], was[b]);
        }
        BandLevels rise;
        for (std::size_t b = 0; b < kScanBands; ++b) rise[b] = std::clamp(now[b] - past[b], 0.0f, kMostDb);
        const auto mean = [&](std::size_t first) {
            return std::accumulate(rise.begin() + static_cast<std::ptrdiff_t>(first), rise.end(), 0.0f) /
                   static_cast<float>(kScanBands - first);
        };
        novelty_[static_cast<std::size_t>(begins)] = mean(0);
        top_novelty_[static_cast<std::size_t>(begins)] = mean(kFirstTopBand);
    }
}

float Ear::three(std::ptrdiff_t frame, std::size_t band) const noexcept {
    return (energy(frame, band) + energy(frame + 1, band) + energy(frame + 2, band)) / 3.0f;
}

void Ear::find_steps(std::size_t band) {
    std::deque<std::pair<std::ptrdiff_t, float>> largest; // sliding maximum, falling from the front
    std::array<float, kGap + 1> threes{};                 // the last means of three frames
    for (std::ptrdiff_t f = 0; f < frames_; ++f) {
        std::copy(threes.begin() + 1, threes.end(), threes.begin());
        threes.back() = three(f, band);
        if (f >= kGap) {
            const float x = threes.front();
            while (!largest.empty() && largest.back().second <= x) largest.pop_back();
            largest.emplace_back(f - kGap, x);
            while (largest.front().first < f - kGap - kPastFrames[band]) largest.pop_front();
        }
        const float past = largest.empty() ? 0.0f : largest.front().second;
        const float step = std::max(0.0f, threes.back() - kAbovePast * past - kAboveFloor * floor_[band]);
        const auto n = static_cast<std::size_t>(f);
        step_[n * kScanBands + band] = half_of(step);
    }
}

BandLevels Ear::rise(std::ptrdiff_t first, std::ptrdiff_t last) const noexcept {
    BandLevels out{};
    const auto from = std::max<std::ptrdiff_t>(first + lag, 0), to = std::min(last + lag, frames_ - 1);
    for (auto f = from; f <= to; ++f)
        for (std::size_t b = 0; b < kScanBands; ++b)
            out[b] = std::max(out[b], float_of(step_[static_cast<std::size_t>(f) * kScanBands + b]));
    return out;
}

BandLevels Ear::past(std::ptrdiff_t frame) const noexcept {
    BandLevels out{};
    for (std::size_t b = 0; b < kScanBands; ++b)
        for (auto f = frame - kGap - kPastFrames[b]; f <= frame - kGap; ++f)
            out[b] = std::max(out[b], three(f, b));
    return out;
}

std::ptrdiff_t common_lag(const Ear& reference, const Ear& ear, std::ptrdiff_t reach) {
    constexpr std::ptrdiff_t kEnough = 60'000; // a minute tells
    constexpr float kLoudest = 12.0f;          // no single frame decides
    const auto frames = std::min({reference.frames(), ear.frames(), kEnough});
    double most = 0.0;
    std::ptrdiff_t best = 0;
    std::vector<std::ptrdiff_t> steps;
    for (std::ptrdiff_t f = 0; f < frames; ++f)
        if (reference.novelty(f) > 2.0f) steps.push_back(f);
    for (auto lag = -reach; lag <= reach; ++lag) {
        double sum = 0.0;
        for (const auto f : steps)
            sum += std::min(reference.novelty(f), kLoudest) * std::min(ear.novelty(f + lag), kLoudest);
        if (sum > most) most = sum, best = lag;
    }
    return best;
}

} // namespace kitfold::dsp
