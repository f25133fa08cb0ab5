#include "analysis/null_beam.h"
#include "analysis/hit_math.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

constexpr std::size_t kFirstBand = kScanBands - kCourseBands;
constexpr float kRounding = 0.006f; // of what is subtracted: scans keep 8 bits

/// Powers of left, right and their product in one band.
struct Products {
    double left = 0.0, right = 0.0, both = 0.0;
};

Products products(const Ear& left, const Ear& right, const ScanFeatures& sum, std::ptrdiff_t frame,
                  std::size_t band) {
    const auto at = frame + left.lag;
    if (at < 0 || at >= static_cast<std::ptrdiff_t>(sum.frames())) return {};
    const double l = left.energy(frame, band), r = right.energy(frame, band);
    return {l, r, 0.5 * (static_cast<double>(sum.energy(static_cast<std::size_t>(at), band)) - l - r)};
}

} // namespace

ScanFeatures scan_sum(const Take& take, OverheadPair pair) {
    MicScan scan(take.rate_hz, take.seconds());
    std::vector<float> left(1u << 14), right(left.size());
    for (std::int64_t at = 0; at < take.length; at += std::ssize(left)) {
        const auto count =
            static_cast<std::size_t>(std::min(take.length - at, std::int64_t{std::ssize(left)}));
        const auto l = std::span(left).first(count), r = std::span(right).first(count);
        take.read(pair.left, at, l), take.read(pair.right, at, r);
        for (std::size_t n = 0; n < count; ++n) l[n] += r[n];
        scan.push(l);
    }
    return scan.finish();
}

NullBeam::NullBeam(std::span<const Ear> ears, OverheadPair pair, const ScanFeatures& sum,
                   std::span<const std::ptrdiff_t> strokes) {
    constexpr std::ptrdiff_t kFirst = 20, kLast = 200; // frames in which it rings alone, more or less
    constexpr double kCoincident = 0.7;                // coherence squared
    const Ear &left = ears[pair.left], &right = ears[pair.right];
    if (left.lag != right.lag) return;
    std::array<double, kCourseBands> weight{};
    double coherence = 0.0;
    for (std::size_t b = 0; b < kCourseBands; ++b) {
        Products all;
        for (const auto s : strokes)
            for (auto f = s + kFirst; f < s + kLast; ++f) {
                const auto p = products(left, right, sum, f, kFirstBand + b);
                all.left += p.left, all.right += p.right, all.both += p.both;
            }
        if (!(all.left > 0.0 && all.right > 0.0)) return;
        weight[b] = all.both / all.left;
        coherence += all.both * all.both / (all.left * all.right) / static_cast<double>(kCourseBands);
    }
    if (coherence < kCoincident) return;
    lag_ = left.lag, frames_ = std::min(left.frames(), static_cast<std::ptrdiff_t>(sum.frames()));
    power_.resize(static_cast<std::size_t>(frames_) * kCourseBands);
    for (std::ptrdiff_t f = 0; f < frames_; ++f)
        for (std::size_t b = 0; b < kCourseBands; ++b) {
            const auto p = products(left, right, sum, f - lag_, kFirstBand + b);
            const double w = weight[b], apart = p.right + w * w * p.left;
            power_[static_cast<std::size_t>(f) * kCourseBands + b] =
                static_cast<float>(std::max(apart - 2.0 * w * p.both, kRounding * apart));
        }
}

std::vector<std::ptrdiff_t> NullBeam::steps() const {
    constexpr std::ptrdiff_t kApart = 12, kBefore = 12, kGap = 2, kAfter = 6;
    constexpr float kLeast = 2.0f, kFloor = 1e-10f; // doublings over all bands; power
    std::vector<double> upto(static_cast<std::size_t>(frames_ + 1) * kCourseBands);
    for (std::size_t i = 0; i < power_.size(); ++i)
        upto[i + kCourseBands] = upto[i] + static_cast<double>(power_[i]);
    const auto mean = [&](std::ptrdiff_t first, std::ptrdiff_t last, std::size_t b) {
        const auto at = [&](std::ptrdiff_t f) {
            return upto[static_cast<std::size_t>(f) * kCourseBands + b];
        };
        return static_cast<float>((at(last) - at(first)) / static_cast<double>(last - first)) + kFloor;
    };
    std::vector<float> doublings(static_cast<std::size_t>(frames_));
    for (auto f = kBefore; f + kAfter <= frames_; ++f)
        for (std::size_t b = 0; b < kCourseBands; ++b)
            doublings[static_cast<std::size_t>(f)] +=
                std::max(0.0f, quick_log2(mean(f, f + kAfter, b) / mean(f - kBefore, f - kGap, b)));
    auto out = peaks(frames_, kApart, kLeast, [&](std::ptrdiff_t f) {
        return f >= 0 && f < frames_ ? doublings[static_cast<std::size_t>(f)] : 0.0f;
    });
    for (auto& f : out) f -= lag_;
    return out;
}

} // namespace kitfold::dsp
