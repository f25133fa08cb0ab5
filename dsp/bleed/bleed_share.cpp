#include "bleed/bleed_share.h"
#include "core/median.h"
#include "core/units.h"
#include "core/windows.h"
#include <algorithm>
#include <bit>
#include <cmath>
#include <numbers>
#include <numeric>
#include <utility>

namespace kitfold::dsp {

namespace {

using Complex = std::complex<float>;
using Weighted = std::vector<std::pair<double, double>>; // value, weight

constexpr double kFadeInMs = 2.0, kFadeOutMs = 20.0; // ahead of the arrival; a period of 50 Hz
constexpr double kOverRing = 4.0;    // power by which the drum has to stand out of what rings on
constexpr double kLeastShare = 0.01; // of all that is heard: a figure from less would be made of nothing
constexpr std::size_t kGroups = 8;   // of strokes, to see what other strokes would have shown
constexpr double kRingUnsure = 0.25; // what rings on from before is known that well
constexpr double kTailMost = 0.9;    // a band that falls more slowly is not drawn on further than that
// The tail of a drum in another mic is that in its own within a tenth of the decay time, unless seen to
// differ; where it differs, a quarter of what that makes is doubtful (a room does not fall by one slope).
constexpr double kTailAlike = 0.1, kTailDoubt = 0.25;

/// Some of the groups of strokes: stroke n is in group n % kGroups.
using Some = unsigned;
constexpr Some kAll = (1u << kGroups) - 1;
bool has(Some some, std::size_t stroke) { return (some >> (stroke % kGroups) & 1u) != 0; }

/// Halves of the strokes, balanced (rows of a Hadamard matrix of order 8), with their complements. Of fewer
/// strokes than groups, all but one each.
std::vector<Some> subsets(std::size_t strokes) {
    std::vector<Some> out;
    if (strokes < kGroups) {
        for (std::size_t n = 0; n < strokes; ++n) out.push_back(kAll & ~(1u << n));
        return out;
    }
    for (unsigned row = 1; row < kGroups; ++row) {
        Some half = 0;
        for (unsigned g = 0; g < kGroups; ++g)
            if (std::popcount(row & g) % 2 == 0) half |= 1u << g;
        out.push_back(half), out.push_back(kAll & ~half);
    }
    return out;
}

/// Standard error of what all strokes show, from what subsets() of them show: a half is as far from the whole
/// as the whole is from the truth (McCarthy 1969, balanced half-samples); of all but one, the jackknife.
double error_of(double all, std::span<const double> some, std::size_t strokes) {
    const double n = static_cast<double>(some.size());
    double sum = 0.0;
    for (const double x : some) sum += (x - all) * (x - all);
    return std::sqrt(strokes < kGroups ? sum * (n - 1.0) / n : sum / n);
}

/// Sums over strokes of cross and power spectra, by groups.
class GroupedSpectrum {
public:
    struct Bin {
        std::complex<double> ab;
        double aa = 0.0, bb = 0.0;
    };
    GroupedSpectrum(const StrokeSpectra& a, const StrokeSpectra& b, std::span<const double> weights)
        : bins_(a.bins() * kGroups) {
        for (std::size_t n = 0; n < weights.size(); ++n) {
            const auto x = a.of(n), y = b.of(n);
            const double w = weights[n];
            for (std::size_t k = 0; k < x.size(); ++k) {
                auto& bin = bins_[k * kGroups + n % kGroups];
                bin.ab += w * std::complex<double>(std::conj(x[k]) * y[k]);
                bin.aa += w * static_cast<double>(std::norm(x[k]));
                bin.bb += w * static_cast<double>(std::norm(y[k]));
            }
        }
    }
    [[nodiscard]] Bin sum(std::size_t k, Some some) const {
        Bin out;
        for (std::size_t g = 0; g < kGroups; ++g) {
            if (!has(some, g)) continue;
            const auto& bin = bins_[k * kGroups + g];
            out.ab += bin.ab, out.aa += bin.aa, out.bb += bin.bb;
        }
        return out;
    }

private:
    std::vector<Bin> bins_;
};

/// |S_ab|^2 / S_aa less what unrelated sound would give with so many strokes, in the bins in which a rises;
/// what rings on is taken off.
class Coherent {
public:
    Coherent(const OwnStrokes& a, const StrokesInMic& b)
        : at_(a.in_mic.at, b.at, a.weights), before_(a.in_mic.before, b.before, a.weights),
          strokes_(a.weights.size()) {}
    /// Level re a; `error` is what rings on.
    [[nodiscard]] Estimate in(const FrequencyBand& band, Some some) const {
        double count = 0.0, total = 0.0, coherent = 0.0, ringing = 0.0;
        for (std::size_t n = 0; n < strokes_; ++n) count += has(some, n) ? 1.0 : 0.0;
        for (auto k = band.from; k < band.to; ++k) {
            const auto at = at_.sum(k, some), before = before_.sum(k, some);
            if (!(at.aa > kOverRing * before.aa)) continue;
            const double own = at.aa - before.aa, raw = std::norm(at.ab - before.ab) / own;
            coherent += raw - (std::max(0.0, at.bb - raw) + before.bb * before.aa / own) / count;
            ringing += std::norm(before.ab) / own;
            total += own;
        }
        return total > 0.0 ? Estimate{coherent / total, ringing / total} : Estimate{};
    }

private:
    GroupedSpectrum at_, before_;
    std::size_t strokes_;
};

/// How much more there is in b than before the stroke, re the same of a, in one band: the middle of the
/// strokes, those that begin in silence first. A few strokes with something else in them don't move it.
class Risen {
public:
    Risen(const OwnStrokes& a, const StrokeEnergies& b, std::size_t band) {
        for (std::size_t n = 0; n < a.weights.size(); ++n) {
            if (!a.energies.clear(n, band)) continue;
            const double own = a.energies.risen(n, band);
            strokes_.push_back({n, b.risen(n, band) / own, b.before[n * b.bands + band] / own, own});
        }
        const double first = std::abs(level(kAll));
        for (auto& s : strokes_) s.weight = 1.0 / (0.5 * s.rings + 0.3 * first + 1e-12);
    }
    [[nodiscard]] bool known() const { return strokes_.size() >= kFewestStrokes; }
    [[nodiscard]] double level(Some some) const { return middle(&Stroke::level, some); }
    [[nodiscard]] double rings() const { return middle(&Stroke::rings, kAll); }

private:
    struct Stroke {
        std::size_t index;
        double level, rings, weight;
    };
    [[nodiscard]] double middle(double Stroke::*what, Some some) const {
        Weighted values;
        values.reserve(strokes_.size());
        for (const auto& s : strokes_)
            if (has(some, s.index)) values.emplace_back(s.*what, s.weight);
        return weighted_quantile(std::move(values), 0.5);
    }
    std::vector<Stroke> strokes_;
};

/// Share of a band's energy that the window after that of the stroke still has.
Estimate tail_of(const OwnStrokes& own, const StrokeEnergies& b, const StrokeEnergies& after,
                 std::size_t band) {
    Weighted shares;
    for (std::size_t n = 0; n < own.clean.size(); ++n) {
        if (!own.clean[n] || !own.energies.clear(n, band) || !b.clear(n, band)) continue;
        const double risen = b.risen(n, band);
        shares.emplace_back(std::max(0.0, after.risen(n, band)) / risen,
                            1.0 / (0.1 + b.before[n * b.bands + band] / risen));
    }
    if (shares.size() < kFewestStrokes) return {0.0, 1.0};
    const double middle = weighted_quantile(shares, 0.5);
    Weighted off;
    for (const auto& [share, weight] : shares) off.emplace_back(std::abs(share - middle), weight);
    const double spread = weighted_quantile(std::move(off), 0.5); // 1.5 of it is a standard deviation
    return {std::min(middle, kTailMost), 1.5 * spread / std::sqrt(static_cast<double>(shares.size())) + 0.02};
}

/// Of one band: what is in the window, and what becomes of it until it has died away.
class BandShare {
public:
    BandShare(const OwnStrokes& own, const Coherent& coherent, const Risen& risen, std::size_t band,
              std::span<const Some> some) {
        const auto strokes = own.weights.size();
        const auto c = coherent.in(own.bands[band], kAll);
        const double r = risen.level(kAll);
        std::vector<double> cs, rs;
        for (const auto s : some) {
            cs.push_back(coherent.in(own.bands[band], s).value);
            rs.push_back(risen.level(s));
        }
        const double r_error = std::hypot(error_of(r, rs, strokes), kRingUnsure * risen.rings());
        // What follows stroke for stroke is the whole only as far as the two agree.
        const double apart = std::max(0.0, (c.value - r) * (c.value - r) - r_error * r_error);
        const double c_error =
            std::sqrt(std::pow(error_of(c.value, cs, strokes), 2.0) + c.error * c.error + apart);
        const double both = c_error * c_error + r_error * r_error + 1e-30, of_c = r_error * r_error / both;
        const auto mixed = [&](double x, double y) { return of_c * x + (1.0 - of_c) * y; };
        coherent_ = c.value, risen_ = r;
        level = {mixed(c.value, r), c_error * r_error / std::sqrt(both)};
        for (std::size_t s = 0; s < some.size(); ++s) levels.push_back(mixed(cs[s], rs[s]));
    }
    [[nodiscard]] double coherent() const { return coherent_; }
    [[nodiscard]] double risen() const { return risen_; }

    Estimate level;
    std::vector<double> levels; ///< of subsets

private:
    double coherent_, risen_;
};

/// The tail in b, given that it is much like that in the own mic.
Estimate likely_tail(double own, const Estimate& seen) {
    const double alike = -kTailAlike * own * std::log(own + 1e-9) + 0.01;
    const double prior = alike * alike, here = seen.error * seen.error;
    return {std::min(kTailMost, (own * here + seen.value * prior) / (here + prior)),
            std::sqrt(here * prior / (here + prior))};
}

} // namespace

StrokeSpectra::StrokeSpectra(const DrumExcerpts& hits, std::size_t mic, double at_ms, const RealFft& fft)
    : bins_(fft.bins()), spectra_(hits.hits() * fft.bins()) {
    const double ms = hits.rate_hz() / 1000.0;
    const auto start = std::llround(static_cast<double>(hits.origin()) + (at_ms - kShareLeadMs) * ms);
    std::vector<float> window(std::min(fft.size(), static_cast<std::size_t>(std::ceil(kShareWindowMs * ms)))),
        x(fft.size());
    for (std::size_t i = 0; i < window.size(); ++i) {
        const double t = static_cast<double>(i) / ms;
        window[i] = static_cast<float>(raised_cosine(t / kFadeInMs) *
                                       raised_cosine((kShareWindowMs - t) / kFadeOutMs));
    }
    for (std::size_t n = 0; n < hits.hits(); ++n) {
        const auto in = hits.of(mic, n);
        for (std::size_t i = 0; i < window.size(); ++i) {
            const auto from = start + static_cast<std::int64_t>(i);
            x[i] = from >= 0 && from < std::ssize(in) ? window[i] * in[static_cast<std::size_t>(from)] : 0.0f;
        }
        const auto out = std::span(spectra_).subspan(n * bins_, bins_);
        fft.forward(x, out);
        out.front() *= static_cast<float>(std::numbers::sqrt2 / 2.0);
    }
}

double StrokeSpectra::energy(std::size_t stroke, std::size_t from, std::size_t to) const noexcept {
    double e = 0.0;
    for (const auto& x : of(stroke).subspan(from, to - from)) e += static_cast<double>(std::norm(x));
    return e;
}

StrokeEnergies::StrokeEnergies(const StrokeSpectra& at_stroke, const StrokeSpectra& earlier,
                               std::span<const FrequencyBand> in, std::span<const double> weights)
    : bands(in.size()) {
    for (std::size_t n = 0; n < weights.size(); ++n)
        for (const auto& band : in) {
            at.push_back(weights[n] * at_stroke.energy(n, band.from, band.to));
            before.push_back(weights[n] * earlier.energy(n, band.from, band.to));
        }
}

bool StrokeEnergies::clear(std::size_t stroke, std::size_t band) const noexcept {
    return at[stroke * bands + band] > kOverRing * before[stroke * bands + band];
}

StrokesInMic::StrokesInMic(const DrumExcerpts& hits, std::size_t mic, double lag_ms, const RealFft& fft)
    : at(hits, mic, lag_ms, fft), before(hits, mic, lag_ms - kShareWindowMs, fft),
      after(hits, mic, lag_ms + kShareTailMs, fft) {}

namespace {

std::vector<double> equal_weights(const StrokeSpectra& strokes) {
    std::vector<double> out;
    for (std::size_t n = 0; n < strokes.strokes(); ++n)
        out.push_back(1.0 / (strokes.energy(n, 0, strokes.bins()) + 1e-20));
    return out;
}

/// A third of an octave wide or so, at least 50 Hz.
std::vector<FrequencyBand> bands_from(std::size_t lowest, std::size_t bins) {
    std::vector<FrequencyBand> out;
    for (std::size_t from = lowest; from < bins; from = out.back().to)
        out.push_back({from, std::min(bins, std::max(from + 3, from * 5 / 4))});
    return out;
}

} // namespace

OwnStrokes::OwnStrokes(const DrumExcerpts& hits, std::size_t mic, std::size_t lowest,
                       std::vector<bool> clean_strokes, const RealFft& fft)
    : in_mic(hits, mic, 0.0, fft), weights(equal_weights(in_mic.at)), bands(bands_from(lowest, fft.bins())),
      energies(in_mic.at, in_mic.before, bands, weights), clean(std::move(clean_strokes)) {
    const StrokeEnergies after(in_mic.after, in_mic.before, bands, weights);
    double everything = 0.0;
    for (std::size_t j = 0; j < bands.size(); ++j) {
        double sum = 0.0;
        for (std::size_t n = 0; n < weights.size(); ++n) {
            everything += energies.at[n * bands.size() + j];
            if (energies.clear(n, j)) sum += energies.risen(n, j);
        }
        energy.push_back(sum);
        tail.push_back(tail_of(*this, energies, after, j).value);
    }
    known_ = std::accumulate(energy.begin(), energy.end(), 0.0) > kLeastShare * everything;
}

BleedShare bleed_share(const OwnStrokes& own, const StrokesInMic& b) {
    const Coherent coherent(own, b);
    const StrokeEnergies energies(b.at, b.before, own.bands, own.weights),
        after(b.after, b.before, own.bands, own.weights);
    const auto some = subsets(own.weights.size());
    std::vector<double> levels(some.size());
    double total = 0.0, level = 0.0, c_level = 0.0, r_level = 0.0;
    double band_error = 0.0, tail_error = 0.0, tail_doubt = 0.0;
    for (std::size_t j = 0; j < own.bands.size(); ++j) {
        const Risen risen(own, energies, j);
        if (!(own.energy[j] > 0.0) || !risen.known()) continue;
        const BandShare share(own, coherent, risen, j, some);
        const auto tail = likely_tail(own.tail[j], tail_of(own, energies, after, j));
        const double here = own.energy[j] / (1.0 - tail.value), there = own.energy[j] / (1.0 - own.tail[j]);
        total += there;
        level += here * share.level.value;
        c_level += here * share.coherent(), r_level += here * share.risen();
        for (std::size_t s = 0; s < some.size(); ++s) levels[s] += here * share.levels[s];
        const double size = std::abs(share.level.value);
        band_error += here * share.level.error;
        tail_error += std::pow(size * here * tail.error / (1.0 - tail.value), 2.0);
        tail_doubt += kTailDoubt * size * std::abs(here - there);
    }
    if (!(total > 0.0)) return {{0.0, 1.0}, 0.0};
    const double strokes_error = error_of(level, levels, own.weights.size());
    const double error =
        std::hypot(std::hypot(strokes_error, band_error), std::hypot(std::sqrt(tail_error), tail_doubt));
    const double apart = c_level > 0.0 && r_level > 0.0 ? db_from_power(c_level / r_level) : 99.0;
    return {{level / total, error / total}, std::abs(apart)};
}

double stroke_lag(const StrokeSpectra& a, const StrokeSpectra& b, std::span<const double> weights,
                  const RealFft& fft, double reach) {
    const GroupedSpectrum spectrum(a, b, weights);
    std::vector<Complex> h(fft.bins());
    const double chance = 1.0 / static_cast<double>(weights.size());
    for (std::size_t k = 1; k < fft.bins(); ++k) {
        const auto s = spectrum.sum(k, kAll);
        const double size = std::abs(s.ab), both = s.aa * s.bb;
        if (both > 0.0 && size > 0.0)
            h[k] = Complex(s.ab / size * std::max(0.0, size * size / both - chance));
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

} // namespace kitfold::dsp
