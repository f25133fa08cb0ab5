#include "analysis/arrival.h"
#include "core/units.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

namespace {

using Complex = std::complex<float>;

constexpr double kFineHz = 190'000.0;   // grid of the correlation; a parabola does the rest
constexpr double kSourceBeforeMs = 5.0; // the part of a hit in mic a that is looked for in mic b
constexpr double kSourceAfterMs = 45.0;
constexpr double kClear = 6.0;          // a peak this many times the RMS before it is no accident
constexpr double kFirstOfLargest = 0.3; // a first arrival may be this much smaller than a later reflection
constexpr double kDoubletMs =
    0.15; // a filtered mic turns the phase, so one arrival may show as a pair of peaks

double raised_cosine(double x) { // 0 at 0, 1 from 1 on
    return x <= 0.0 ? 0.0 : x >= 1.0 ? 1.0 : 0.5 - 0.5 * std::cos(std::numbers::pi * x);
}

std::size_t samples_of(double ms, double rate_hz) {
    return static_cast<std::size_t>(std::lround(ms * rate_hz / 1000.0));
}

double median(std::vector<double> x) {
    if (x.empty()) return 0.0;
    const auto mid = x.begin() + static_cast<std::ptrdiff_t>(x.size() / 2);
    std::nth_element(x.begin(), mid, x.end());
    if (x.size() % 2 == 1) return *mid;
    return 0.5 * (*mid + *std::max_element(x.begin(), mid));
}

/// x times a window that rises within `fade_in` samples from `from` on and falls within `fade_out` before
/// `to`.
void windowed(std::span<const float> x, double from, double to, double fade_in, double fade_out,
              std::span<float> out) {
    for (std::size_t n = 0; n < out.size(); ++n) {
        const double t = static_cast<double>(n);
        const double w =
            n < x.size() ? raised_cosine((t - from) / fade_in) * raised_cosine((to - t) / fade_out) : 0.0;
        out[n] = w > 0.0 ? static_cast<float>(w) * x[n] : 0.0f;
    }
}

double energy(std::span<const float> x) {
    double e = 0.0;
    for (const float v : x) e += static_cast<double>(v) * v;
    return e;
}

} // namespace

/// Sums over hits: the cross-spectrum conj(A) B and both power spectra, each hit scaled to the same level in
/// a.
struct ArrivalFinder::Cross {
    std::vector<Complex> ab;
    std::vector<float> aa, bb;
    std::size_t hits = 0;
};

struct ArrivalFinder::Peak {
    double delay_ms = 0.0;
    double height = 0.0; ///< signed, 1 for a pure delay
    double clear = 0.0;  ///< its size in multiples of the RMS of what comes before it
};

ArrivalFinder::ArrivalFinder(double rate_hz)
    : rate_hz_(rate_hz), length_(samples_of(kArrivalBeforeMs + kArrivalAfterMs, rate_hz)),
      fft_(fast_fft_size(length_)),
      finer_(std::max<std::size_t>(1, static_cast<std::size_t>(std::ceil(kFineHz / rate_hz)))),
      fine_(fft_.size() * finer_) {}

ArrivalFinder::Cross ArrivalFinder::cross(const DrumExcerpts& hits, std::size_t a, std::size_t b,
                                          double a_offset_ms, std::size_t group, std::size_t groups) const {
    Cross sum{std::vector<Complex>(fft_.bins()), std::vector<float>(fft_.bins()),
              std::vector<float>(fft_.bins()), 0};
    std::vector<float> x(fft_.size()), y(fft_.size());
    std::vector<Complex> xs(fft_.bins()), ys(fft_.bins());
    const double ms = rate_hz_ / 1000.0, start = static_cast<double>(hits.origin()) + a_offset_ms * ms;
    for (std::size_t n = group; n < hits.hits(); n += groups) {
        windowed(hits.of(a, n), start - kSourceBeforeMs * ms, start + kSourceAfterMs * ms, 3.0 * ms,
                 25.0 * ms, x);
        windowed(hits.of(b, n), 0.0, static_cast<double>(length_), 3.0 * ms, 25.0 * ms, y);
        const double e = energy(x);
        if (!(e > 0.0)) continue;
        const auto scale = static_cast<float>(1.0 / std::sqrt(e));
        fft_.forward(x, xs);
        fft_.forward(y, ys);
        for (std::size_t k = 0; k < fft_.bins(); ++k) {
            const Complex p = xs[k] * scale, q = ys[k] * scale;
            sum.ab[k] += std::conj(p) * q;
            sum.aa[k] += std::norm(p);
            sum.bb[k] += std::norm(q);
        }
        ++sum.hits;
    }
    return sum;
}

// Phase transform weighted by the coherence that the hits show beyond chance (1 / hits), under a bell of
// bandwidth_hz.
ArrivalFinder::Peak ArrivalFinder::first_peak(const Cross& c, double bandwidth_hz) const {
    std::vector<Complex> h(fine_.bins());
    double total = 0.0;
    const double chance = c.hits > 1 ? 1.0 / static_cast<double>(c.hits) : 0.0;
    for (std::size_t k = 1; k < fft_.bins(); ++k) {
        const double hz = static_cast<double>(k) * rate_hz_ / static_cast<double>(fft_.size());
        const double size = std::abs(c.ab[k]), both = static_cast<double>(c.aa[k]) * c.bb[k];
        if (!(size > 0.0) || !(both > 0.0)) continue;
        const double coherence = std::max(0.0, (size * size / both - chance) / (1.0 - chance));
        const double w =
            coherence * std::exp(-(hz / bandwidth_hz) * (hz / bandwidth_hz)) * raised_cosine(hz / 60.0);
        h[k] = c.ab[k] * static_cast<float>(w / size);
        total += w;
    }
    if (!(total > 0.0)) return {};
    std::vector<float> r(fine_.size());
    fine_.inverse(h, r);
    const auto range = static_cast<std::ptrdiff_t>(samples_of(kArrivalRangeMs, rate_hz_) * finer_);
    const auto size = static_cast<std::ptrdiff_t>(fine_.size());
    const auto at = [&](std::ptrdiff_t lag) { return static_cast<double>(r[(lag + size) % size]); };

    double largest = 0.0;
    for (auto lag = -range; lag <= range; ++lag) largest = std::max(largest, std::abs(at(lag)));
    const auto guard = static_cast<std::ptrdiff_t>(std::max(0.5e-3 * rate_hz_, rate_hz_ / bandwidth_hz) *
                                                   static_cast<double>(finer_));
    double before = 0.0; // sum of squares up to lag - guard
    std::ptrdiff_t counted = 0, found = range;
    double rms = 0.0;
    for (auto lag = -range; lag <= range; ++lag) {
        if (lag - guard >= -range) before += at(lag - guard) * at(lag - guard), ++counted;
        rms = counted > guard ? std::sqrt(before / static_cast<double>(counted)) : largest * 1e-3;
        const double v = std::abs(at(lag));
        if (v >= kFirstOfLargest * largest && v >= kClear * rms && v >= std::abs(at(lag + 1)) &&
            v >= std::abs(at(lag - 1))) {
            found = lag;
            break;
        }
    }
    if (found == range) return {};
    const auto doublet =
        static_cast<std::ptrdiff_t>(kDoubletMs * rate_hz_ / 1000.0) * static_cast<std::ptrdiff_t>(finer_);
    for (auto lag = found + 1; lag <= std::min(found + doublet, range); ++lag)
        if (std::abs(at(lag)) > std::abs(at(found))) found = lag;
    const double l = std::abs(at(found - 1)), m = std::abs(at(found)), n = std::abs(at(found + 1));
    const double bend = l - 2.0 * m + n, shift = bend < 0.0 ? 0.5 * (l - n) / bend : 0.0;
    const double scale = static_cast<double>(fine_.size()) / (2.0 * total);
    return {(static_cast<double>(found) + shift) * 1000.0 / (rate_hz_ * static_cast<double>(finer_)),
            at(found) * scale, rms > 0.0 ? m / rms : 1000.0};
}

namespace {

constexpr std::array kBandwidthsHz{16'000.0, 5'000.0, 1'500.0, 500.0};
constexpr std::size_t kFewestHits = 3; // fewer can't show that they agree
constexpr double kOnsetStepMs = 0.25;

/// Level in dB of a mic's attack, one value per kOnsetStepMs from `from_ms` re the origin on: median over
/// hits.
std::vector<double> attack_levels(const DrumExcerpts& hits, std::size_t mic, double from_ms,
                                  std::size_t steps) {
    const double step = kOnsetStepMs * hits.rate_hz() / 1000.0;
    const double start = static_cast<double>(hits.origin()) + from_ms * hits.rate_hz() / 1000.0;
    std::vector<double> levels(steps), over_hits(hits.hits());
    for (std::size_t s = 0; s < steps; ++s) {
        const auto first = static_cast<std::ptrdiff_t>(std::lround(start + static_cast<double>(s) * step));
        const auto last = static_cast<std::ptrdiff_t>(std::lround(start + static_cast<double>(s + 1) * step));
        for (std::size_t n = 0; n < hits.hits(); ++n) {
            const auto x = hits.of(mic, n);
            double e = 1e-20;
            for (auto i = std::max<std::ptrdiff_t>(first, 1); i < std::min(last, std::ssize(x)); ++i) {
                const double d = static_cast<double>(x[i]) - x[i - 1]; // the difference favours the attack
                e += d * d;
            }
            over_hits[n] = 10.0 * std::log10(e);
        }
        levels[s] = median(over_hits);
    }
    return levels;
}

enum class Verdict { agrees, silent, disagrees };

/// Does the level of mic b first rise where the correlation says?
Verdict onset_verdict(const DrumExcerpts& hits, std::size_t b, double arrival_ms) {
    constexpr double kPrologueMs = 8.0, kEpilogueMs = 2.0, kToleranceMs = 0.75, kRiseDb = 6.0;
    const double from = std::max(arrival_ms - kPrologueMs, -kArrivalBeforeMs);
    const auto steps = static_cast<std::size_t>((arrival_ms + kEpilogueMs - from) / kOnsetStepMs);
    const auto quiet_steps = static_cast<std::size_t>((kPrologueMs - 1.0) / kOnsetStepMs);
    const auto levels = attack_levels(hits, b, from, steps);
    if (levels.size() <= quiet_steps) return Verdict::silent;
    const double quiet = median({levels.begin(), levels.begin() + static_cast<std::ptrdiff_t>(quiet_steps)});
    const double loud = *std::max_element(
        levels.end() - static_cast<std::ptrdiff_t>((kEpilogueMs + 0.5) / kOnsetStepMs), levels.end());
    if (loud - quiet < kRiseDb) return Verdict::silent;
    const double threshold = quiet + std::max(kRiseDb, 0.5 * (loud - quiet));
    const auto rise = std::find_if(levels.begin(), levels.end(), [&](double l) { return l > threshold; });
    const double onset = from + static_cast<double>(rise - levels.begin()) * kOnsetStepMs;
    return std::abs(onset - arrival_ms) <= kToleranceMs ? Verdict::agrees : Verdict::disagrees;
}

} // namespace

FirstArrival ArrivalFinder::find(const DrumExcerpts& hits, std::size_t a, std::size_t b,
                                 double a_offset_ms) const {
    if (hits.hits() == 0) return {};
    const auto all = cross(hits, a, b, a_offset_ms, 0, 1);
    FirstArrival best;
    const auto top = first_peak(all, std::min(kBandwidthsHz[0], 0.35 * rate_hz_));
    if (top.height == 0.0) return best;
    best.delay_ms = top.delay_ms;

    double vote = top.height, agreeing = 1.0;
    for (std::size_t s = 1; s < kBandwidthsHz.size(); ++s) {
        const auto peak = first_peak(all, kBandwidthsHz[s]);
        if (peak.height == 0.0 || std::abs(peak.delay_ms - top.delay_ms) > 0.1 + 100.0 / kBandwidthsHz[s])
            continue;
        vote += peak.height;
        agreeing += (peak.height > 0.0) == (top.height > 0.0) ? 1.0 : 0.0;
    }
    best.opposite = vote < 0.0;

    const std::size_t groups = std::min<std::size_t>(4, hits.hits() / 2);
    std::vector<double> off;
    double together = 0.0;
    for (std::size_t g = 0; g < groups; ++g) {
        const auto peak = first_peak(cross(hits, a, b, a_offset_ms, g, groups),
                                     std::min(kBandwidthsHz[0], 0.35 * rate_hz_));
        if (peak.height == 0.0) continue;
        off.push_back(std::abs(peak.delay_ms - top.delay_ms));
        if (off.back() < 0.1 && (peak.height > 0.0) == (top.height > 0.0)) together += 1.0;
    }
    best.spread_ms = median(off);

    const auto onset = onset_verdict(hits, b, a_offset_ms + top.delay_ms);
    const double clear = std::clamp(top.clear / 20.0, 0.0, 1.0);
    const double groups_agree = groups > 0 ? together / static_cast<double>(groups) : 0.0;
    best.confidence =
        0.3 * clear + 0.4 * groups_agree + 0.3 * agreeing / static_cast<double>(kBandwidthsHz.size());
    if (onset == Verdict::disagrees) best.confidence *= 0.4;
    if (onset == Verdict::silent) best.confidence *= 0.8;
    if (hits.hits() < kFewestHits) best.confidence = std::min(best.confidence, 0.3);
    return best;
}

} // namespace kitfold::dsp
