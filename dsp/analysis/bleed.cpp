#include "analysis/bleed.h"
#include "analysis/excerpts.h"
#include "analysis/fft.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>

namespace kitfold::dsp {

namespace {

using Complex = std::complex<float>;

constexpr double kBeforeMs = 110.0, kAfterMs = 105.0; // of an excerpt
constexpr double kLeadMs = 5.0, kTailMs = 55.0;       // what is taken of a hit, re its arrival in each mic
constexpr double kFadeMs = 20.0;
constexpr double kEarlierMs = 60.0; // the same stretch so much earlier shows what rings on anyway
constexpr double kLagMs = 45.0;     // another mic may hear a hit this much earlier or later
constexpr double kRise = 4.0;       // power by which a bin has to rise to be the drum's
constexpr double kCymbalHz = 600.0; // below there is nothing of a cymbal, and much of the kick
constexpr double kLeastShare =
    0.01; // of its own mic that has to rise with the drum, or nothing can be measured by it
// Halves of the hits that are further from their mean contradict each other, and fainter than this re the
// drum what other drums happen to have in common with it decides.
constexpr double kUnsureDb = 1.0, kFaintDb = -25.0;
constexpr std::size_t kMostHits = 40, kEnough = 6, kFewest = 3;

double fade(double x) { return x <= 0.0 ? 0.0 : x >= 1.0 ? 1.0 : 0.5 - 0.5 * std::cos(std::numbers::pi * x); }

/// Spectra of all hits in one mic, from kLeadMs before to kTailMs after `at_ms` re the hit.
class MicSpectra {
public:
    MicSpectra(const DrumExcerpts& hits, std::size_t mic, double at_ms, const RealFft& fft)
        : bins_(fft.bins()), spectra_(hits.hits() * fft.bins()) {
        const double ms = hits.rate_hz() / 1000.0;
        const double start = static_cast<double>(hits.origin()) + (at_ms - kLeadMs) * ms;
        const double end = start + (kLeadMs + kTailMs) * ms;
        std::vector<float> x(fft.size());
        for (std::size_t n = 0; n < hits.hits(); ++n) {
            const auto in = hits.of(mic, n);
            for (std::size_t i = 0; i < x.size(); ++i) {
                const double t = static_cast<double>(i);
                const double w = fade((t - start) / (2.0 * ms)) * fade((end - t) / (kFadeMs * ms));
                x[i] = i < in.size() && w > 0.0 ? static_cast<float>(w) * in[i] : 0.0f;
            }
            fft.forward(x, std::span(spectra_).subspan(n * bins_, bins_));
        }
    }
    [[nodiscard]] std::span<const Complex> of(std::size_t hit) const {
        return std::span(spectra_).subspan(hit * bins_, bins_);
    }
    [[nodiscard]] double energy(std::size_t hit) const {
        double e = 0.0;
        for (const auto& x : of(hit)) e += static_cast<double>(std::norm(x));
        return e;
    }

private:
    std::size_t bins_;
    std::vector<Complex> spectra_;
};

/// Sums over hits of cross and power spectra.
struct Spectrum {
    std::vector<std::complex<double>> ab;
    std::vector<double> aa, bb;
    std::size_t count = 0;

    Spectrum(const MicSpectra& a, const MicSpectra& b, std::span<const double> weights, std::size_t bins,
             std::size_t first, std::size_t step)
        : ab(bins), aa(bins), bb(bins) {
        for (std::size_t n = first; n < weights.size(); n += step, ++count) {
            const auto x = a.of(n), y = b.of(n);
            for (std::size_t k = 0; k < bins; ++k) {
                ab[k] += weights[n] * std::complex<double>(std::conj(x[k]) * y[k]);
                aa[k] += weights[n] * static_cast<double>(std::norm(x[k]));
                bb[k] += weights[n] * static_cast<double>(std::norm(y[k]));
            }
        }
    }
};

struct Share {
    double level = 0.0; ///< power of what b owes to a's drum, re a's own
    double error = 0.0; ///< and what chance alone may show
    bool known = false; ///< the drum rises above what rings on, somewhere
};

/// The part of b that follows from a, hit for hit: |S_ab|^2 / S_aa (coherent output power) less what
/// unrelated sound would give with so many hits, in the bins in which a rises at the hit; what rings on from
/// before is taken off.
Share share(const Spectrum& hit, const Spectrum& before, std::size_t lowest) {
    Share out;
    if (hit.count < kFewest) return out;
    const double chance = 1.0 / static_cast<double>(hit.count);
    double total = 0.0, everything = 0.0, coherent = 0.0, unrelated = 0.0, ringing = 0.0;
    for (std::size_t k = lowest; k < hit.ab.size(); ++k) {
        everything += hit.aa[k];
        if (!(hit.aa[k] > kRise * before.aa[k])) continue;
        const double own = hit.aa[k] - before.aa[k];
        const double raw = std::norm(hit.ab[k] - before.ab[k]) / own;
        const double rest = std::max(0.0, hit.bb[k] - raw) + before.bb[k] * before.aa[k] / own;
        coherent += raw - chance * rest;
        unrelated += rest;
        ringing += std::norm(before.ab[k]) / own;
        total += own;
    }
    if (!(total > kLeastShare * everything)) return out;
    out.known = true;
    out.level = coherent / total;
    out.error = (0.25 * chance * unrelated + 0.25 * ringing) / total;
    return out;
}

/// Samples by which b hears the drum later than a: peak of the coherence-weighted correlation.
double lag_of(const MicSpectra& a, const MicSpectra& b, std::span<const double> weights, const RealFft& fft,
              double reach) {
    const Spectrum s(a, b, weights, fft.bins(), 0, 1);
    std::vector<Complex> h(fft.bins());
    const double chance = 1.0 / static_cast<double>(s.count);
    for (std::size_t k = 1; k < fft.bins(); ++k) {
        const double size = std::abs(s.ab[k]), both = s.aa[k] * s.bb[k];
        if (both > 0.0 && size > 0.0)
            h[k] = Complex(s.ab[k] / size * std::max(0.0, size * size / both - chance));
    }
    std::vector<float> r(fft.size());
    fft.inverse(h, r);
    double best = 0.0, most = 0.0;
    for (double lag = -reach; lag <= reach; lag += 1.0) {
        const auto i = static_cast<std::ptrdiff_t>(lag);
        const double x = std::abs(static_cast<double>(r[(i + std::ssize(r)) % std::ssize(r)]));
        if (x > most) most = x, best = lag;
    }
    return best;
}

/// The mic that speaks for the drum, or the overhead in which it is loudest. Without a mic of its own it is a
/// cymbal, and what is bright: differences tell it from the kick that is played with it.
std::size_t measure_of(const Take& take, const DrumExcerpts& hits) {
    if (const auto own = own_mic(take.mics, hits.drum())) return *own;
    std::size_t best = 0;
    double most = -std::numeric_limits<double>::infinity();
    for (std::size_t m = 0; m < take.mics.size(); ++m) {
        if (!is_overhead(take.mics[m].role)) continue;
        double risen = 0.0;
        for (std::size_t n = 0; n < hits.hits(); ++n) {
            const auto x = hits.of(m, n);
            for (std::size_t i = 0; i < x.size(); ++i)
                risen +=
                    (i < hits.origin() ? -1.0 : 1.0) * static_cast<double>(x[i]) * static_cast<double>(x[i]);
        }
        if (risen > most) most = risen, best = m;
    }
    return best;
}

std::vector<Bleed> of_drum(const Take& take, std::span<const Hit> all, Drum drum) {
    std::vector<Bleed> out;
    DrumExcerpts hits(take, all, drum, kBeforeMs, kAfterMs, kMostHits,
                      own_mic(take.mics, drum) ? kEnough : kFewest);
    if (hits.hits() < kFewest) return out;
    const double ms = take.rate_hz / 1000.0;
    const RealFft fft(fast_fft_size(hits.length()));
    const std::size_t own = measure_of(take, hits);
    const MicSpectra a(hits, own, 0.0, fft), a_before(hits, own, -kEarlierMs, fft);
    std::vector<double> weights;
    for (std::size_t n = 0; n < hits.hits(); ++n) weights.push_back(1.0 / (a.energy(n) + 1e-20));
    const bool cymbal = drum >= Drum::hihat;
    const auto lowest =
        cymbal ? static_cast<std::size_t>(kCymbalHz / take.rate_hz * static_cast<double>(fft.size())) + 1 : 1;
    for (std::size_t m = 0; m < take.mics.size(); ++m) {
        Bleed bleed;
        bleed.drum = drum, bleed.mic = m, bleed.hits = hits.hits();
        if (m != own) {
            const double lag_ms = lag_of(a, MicSpectra(hits, m, 0.0, fft), weights, fft, kLagMs * ms) / ms;
            const MicSpectra b(hits, m, lag_ms, fft), b_before(hits, m, lag_ms - kEarlierMs, fft);
            const auto shared = [&](std::size_t first, std::size_t step) {
                return share(Spectrum(a, b, weights, fft.bins(), first, step),
                             Spectrum(a_before, b_before, weights, fft.bins(), first, step), lowest);
            };
            const auto whole = shared(0, 1);
            if (!whole.known) return {}; // nothing to measure the others by
            bleed.upper_bound = whole.level < 2.0 * whole.error;
            bleed.level_db = 10.0 * std::log10(std::max(whole.level, 2.0 * whole.error) + 1e-20);
            bleed.delay_ms = lag_ms;
            double most = 0.0;
            if (hits.hits() >= 2 * kFewest) {
                const double one = shared(0, 2).level, two = shared(1, 2).level;
                most = std::max(one, two);
                bleed.spread_db = one > 0.0 && two > 0.0 ? 5.0 * std::abs(std::log10(one / two)) : 10.0;
            }
            if (bleed.spread_db > kUnsureDb || bleed.level_db < kFaintDb) {
                bleed.upper_bound = true;
                bleed.level_db = std::max(bleed.level_db, 10.0 * std::log10(most + 1e-20));
            }
        }
        out.push_back(bleed);
    }
    // Without a mic of its own a drum is measured against the mic that has most of it.
    const auto loudest = std::max_element(out.begin(), out.end(), [](const Bleed& x, const Bleed& y) {
                             return x.level_db < y.level_db;
                         })->level_db;
    if (!own_mic(take.mics, drum))
        for (auto& b : out) b.level_db -= loudest;
    return out;
}

} // namespace

std::vector<Bleed> bleed_table(const Take& take, std::span<const Hit> hits) {
    std::vector<Bleed> table;
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        auto rows = of_drum(take, hits, static_cast<Drum>(d));
        table.insert(table.end(), rows.begin(), rows.end());
    }
    return table;
}

} // namespace kitfold::dsp
