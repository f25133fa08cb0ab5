#include "take/excerpts.h"
#include "core/fft.h"
#include "core/median.h"
#include "core/units.h"
#include "take/prediction.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <numeric>

namespace kitfold::dsp {

namespace {

/// Soft hits tell little, and what was taken for a hit by mistake is among them.
void drop_soft(std::vector<Hit>& hits) {
    constexpr double kSoftDb = 9.0;  // a ghost note is struck otherwise (common practice, no source)
    constexpr std::size_t kMany = 6; // of fewer none is given away
    if (hits.size() < kMany) return;
    std::vector<double> strengths;
    for (const auto& h : hits)
        if (h.alone)
            strengths.push_back(h.strength_db); // others may owe their level to what was hit with them
    if (strengths.size() < kMany / 2) return;
    std::erase_if(hits, [least = upper_median(std::move(strengths)) - kSoftDb](const Hit& h) {
        return h.strength_db < least;
    });
}

std::vector<Hit> choose(std::span<const Hit> hits, Drum drum, std::size_t most, std::size_t enough) {
    std::vector<Hit> own;
    std::copy_if(hits.begin(), hits.end(), std::back_inserter(own),
                 [&](const Hit& h) { return h.drum == drum; });
    drop_soft(own);
    std::stable_sort(own.begin(), own.end(), [](const Hit& a, const Hit& b) {
        return a.alone != b.alone ? a.alone : a.strength_db > b.strength_db;
    });
    // Hits that overlap another drum are worse than fewer hits, as long as enough remain.
    const auto alone =
        static_cast<std::size_t>(std::count_if(own.begin(), own.end(), [](const Hit& h) { return h.alone; }));
    own.resize(std::min({own.size(), most, std::max(alone, enough)}));
    std::sort(own.begin(), own.end(), [](const Hit& a, const Hit& b) { return a.time_s < b.time_s; });
    return own;
}

} // namespace

DrumExcerpts::DrumExcerpts(const Take& take, std::span<const Hit> hits, Drum drum, double before_ms,
                           double after_ms, std::size_t most, std::size_t enough,
                           std::span<const std::size_t> mics)
    : drum_(drum), rate_hz_(take.rate_hz),
      length_(static_cast<std::size_t>(std::lround((before_ms + after_ms) * take.rate_hz / 1000.0))),
      origin_(static_cast<std::size_t>(std::lround(before_ms * take.rate_hz / 1000.0))),
      chosen_(choose(hits, drum, most, enough)), row_(take.mics.size()), late_(chosen_.size(), 0.0) {
    std::vector<std::size_t> wanted(mics.begin(), mics.end());
    if (mics.empty()) {
        wanted.resize(take.mics.size());
        std::iota(wanted.begin(), wanted.end(), std::size_t{0});
    }
    samples_.resize(wanted.size() * chosen_.size() * length_);
    for (std::size_t row = 0; row < wanted.size(); ++row) {
        row_[wanted[row]] = row;
        for (std::size_t n = 0; n < chosen_.size(); ++n)
            take.read(wanted[row],
                      std::llround(chosen_[n].time_s * rate_hz_) - static_cast<std::int64_t>(origin_),
                      std::span(samples_).subspan((row * chosen_.size() + n) * length_, length_));
    }
}

namespace {

/// The attack of one hit: differences, which favour it, under a window.
void attack(std::span<const float> x, std::size_t first, std::size_t length, std::span<float> out) {
    std::fill(out.begin(), out.end(), 0.0f);
    for (std::size_t n = 1; n < length; ++n) {
        const double t = static_cast<double>(n) / static_cast<double>(length);
        const double window = std::min(1.0, 8.0 * t) * std::min(1.0, 2.0 * (1.0 - t));
        out[n] = static_cast<float>(window) * (x[first + n] - x[first + n - 1]);
    }
}

/// Lag in samples, within +-reach, at which the correlation that `fine` makes of `product` is largest.
double best_lag(const RealFft& fine, std::span<const std::complex<float>> product, std::span<float> r,
                double step, std::ptrdiff_t reach) {
    fine.inverse(product, r);
    const auto size = std::ssize(r);
    const auto at = [&](std::ptrdiff_t lag) { return static_cast<double>(r[(lag + size) % size]); };
    std::ptrdiff_t best = 0;
    for (auto lag = -reach; lag <= reach; ++lag)
        if (at(lag) > at(best)) best = lag;
    const double bend = at(best - 1) - 2.0 * at(best) + at(best + 1);
    const double shift = bend < 0.0 ? 0.5 * (at(best - 1) - at(best + 1)) / bend : 0.0;
    return (static_cast<double>(best) + shift) * step;
}

/// Sample n of x through a short prediction-error filter: drums ring, what is new stands out.
double whitened(std::span<const float> x, std::span<const double> filter, std::size_t n) {
    double out = 0.0;
    const auto taps = std::min(filter.size(), n + 1);
    for (std::size_t i = 0; i < taps; ++i) out += filter[i] * static_cast<double>(x[n - i]);
    return out;
}

} // namespace

double onset_db(std::span<const float> power, double at, double ms) noexcept {
    const auto from = static_cast<std::ptrdiff_t>(std::lround(at - 0.08 * ms));
    const auto little = static_cast<std::ptrdiff_t>(2.0 * ms), much = static_cast<std::ptrdiff_t>(10.0 * ms);
    const auto after = static_cast<std::ptrdiff_t>(0.3 * ms) + 1;
    if (from < much || from + after > std::ssize(power)) return 0.0;
    const auto mean = [&](std::ptrdiff_t first, std::ptrdiff_t count) {
        double sum = 1e-30;
        for (auto n = first; n < first + count; ++n) sum += static_cast<double>(power[n]);
        return sum / static_cast<double>(count);
    };
    const double before = std::max(mean(from - little, little), mean(from - much, much));
    return db_from_power(mean(from, after) / before);
}

void DrumExcerpts::align(std::size_t own) {
    constexpr std::size_t kFiner = 4, kRounds = 3; // a quarter sample; a third round moves nothing further
    const auto ms = rate_hz_ / 1000.0;
    const auto length = static_cast<std::size_t>(13.0 * ms),
               first = origin_ - static_cast<std::size_t>(3.0 * ms);
    const RealFft fft(fast_fft_size(2 * length)), fine(fft.size() * kFiner);
    std::vector<float> x(fft.size()), r(fine.size());
    std::vector<std::complex<float>> spectra(fft.bins() * hits()), product(fine.bins());
    for (std::size_t n = 0; n < hits(); ++n) {
        attack(of(own, n), first, length, x);
        double e = 1e-30;
        for (const float v : x) e += static_cast<double>(v) * v;
        for (float& v : x) v = static_cast<float>(v / std::sqrt(e));
        fft.forward(x, std::span(spectra).subspan(n * fft.bins(), fft.bins()));
    }
    const auto turned = [&](std::size_t n, std::size_t k) {
        const double angle =
            2.0 * std::numbers::pi * static_cast<double>(k) * late_[n] / static_cast<double>(fft.size());
        return std::complex<double>(spectra[n * fft.bins() + k]) * std::polar(1.0, angle);
    };
    for (std::size_t round = 0; round < kRounds; ++round) {
        std::vector<std::complex<double>> mean(fft.bins());
        for (std::size_t n = 0; n < hits(); ++n)
            for (std::size_t k = 0; k < fft.bins(); ++k) mean[k] += turned(n, k);
        for (std::size_t n = 0; n < hits(); ++n) {
            std::fill(product.begin(), product.end(), std::complex<float>());
            for (std::size_t k = 0; k < fft.bins(); ++k)
                product[k] = std::complex<float>(std::conj(mean[k]) *
                                                 std::complex<double>(spectra[n * fft.bins() + k]));
            late_[n] = best_lag(fine, product, r, 1.0 / kFiner,
                                static_cast<std::ptrdiff_t>(2.5 * ms) * static_cast<std::ptrdiff_t>(kFiner));
        }
    }
    const double onset = common_onset(own) - static_cast<double>(origin_);
    for (double& late : late_) late += onset;
}

/// Where, in samples of an excerpt, the hits laid over one another begin: the steepest step within a few ms
/// of the largest sound.
double DrumExcerpts::common_onset(std::size_t own) const {
    const double ms = rate_hz_ / 1000.0;
    const auto from = origin_ - static_cast<std::size_t>(15.0 * ms),
               length = static_cast<std::size_t>(28.0 * ms);
    const auto order = static_cast<std::size_t>(std::clamp(rate_hz_ / 2000.0, 16.0, 48.0));
    std::vector<float> logs(length);
    for (std::size_t n = 0; n < hits(); ++n) {
        const auto x = of(own, n);
        const auto filter = error_filter(autocorrelation(x, order));
        const auto shift = std::lround(late_[n]);
        for (std::size_t i = 0; i < length; ++i) {
            const double v =
                whitened(x, filter, static_cast<std::size_t>(static_cast<std::ptrdiff_t>(from + i) + shift));
            logs[i] += static_cast<float>(std::log2(v * v + 1e-20));
        }
    }
    for (float& v : logs) v = std::exp2(v / static_cast<float>(hits()));
    const auto middle = static_cast<double>(origin_ - from);
    double best = middle, most = 0.0;
    for (double t = middle - 2.5 * ms; t < middle + 2.5 * ms; t += 1.0)
        if (const double up = onset_db(logs, t, ms); up > most) most = up, best = t;
    return best + static_cast<double>(from);
}

} // namespace kitfold::dsp
