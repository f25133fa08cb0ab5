#include "pairs/arrival.h"
#include "core/median.h"
#include "take/prediction.h"
#include "take/spectrum_sums.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

namespace {

using Complex = std::complex<float>;

constexpr double kFineHz = 190'000.0;     // grid of the correlation; a parabola does the rest
constexpr double kBandwidthHz = 16'000.0; // bell under which it is taken
constexpr double kLowestHz = 60.0;
constexpr std::size_t kFewestHits = 3; // fewer can't show that they agree
constexpr double kOfLargest = 0.3;     // a nominee may be this much smaller than a later reflection
constexpr std::size_t kMostNominees = 12;
constexpr double kSameMs = 0.1;        // arrivals this near are one
constexpr double kClearOnsetDb = 12.0; // level after an arrival re before it, beyond doubt
constexpr double kLeastOnsetDb = 4.0;  // and when it says nothing
constexpr double kNearlyAsGood = 0.6, kReflectedMs = 3.0, kClearerDb = 3.0;
constexpr std::size_t kEstimators = 3;
constexpr std::array kTrust{0.8, 0.9, 1.0};

double raised_cosine(double x) { // 0 at 0, 1 from 1 on
    return x <= 0.0 ? 0.0 : x >= 1.0 ? 1.0 : 0.5 - 0.5 * std::cos(std::numbers::pi * x);
}

std::size_t samples_of(double ms, double rate_hz) {
    return static_cast<std::size_t>(std::lround(ms * rate_hz / 1000.0));
}

struct Window {
    double from, to, fade_in, fade_out; // samples

    [[nodiscard]] Window times(double k) const { return {from * k, to * k, fade_in * k, fade_out * k}; }
    void apply(std::span<const float> x, std::span<float> out) const {
        for (std::size_t n = 0; n < out.size(); ++n) {
            const double t = static_cast<double>(n);
            const double w =
                n < x.size() ? raised_cosine((t - from) / fade_in) * raised_cosine((to - t) / fade_out) : 0.0;
            out[n] = w > 0.0 ? static_cast<float>(w) * x[n] : 0.0f;
        }
    }
};

double energy(std::span<const float> x) {
    double e = 0.0;
    for (const float v : x) e += static_cast<double>(v) * v;
    return e;
}

/// How well hits repeat in a bin, 0..1 beyond chance: |sum|^2 re what equal hits would give.
double repeats(Complex sum, float power, std::size_t hits) {
    const double others = static_cast<double>(hits) - 1.0;
    return power > 0.0f
               ? std::clamp((std::norm(sum) - static_cast<double>(power)) / (others * power), 0.0, 1.0)
               : 0.0;
}

} // namespace

/// Spectra of all hits in a and, as those are scaled and laid over one another, in b.
struct ArrivalFinder::HitSpectra {
    const Source& a;
    std::size_t hits = 0, bins = 0;
    std::vector<Complex> b;
};

struct ArrivalFinder::Sums {
    explicit Sums(std::size_t bins)
        : a(bins), attack(bins), b(bins), ab(bins), attack_b(bins), aa(bins), bb(bins) {}
    std::vector<Complex> a, attack, b; ///< of the spectra
    std::vector<Complex> ab, attack_b; ///< of conj(A) B, each hit with itself
    std::vector<float> aa, bb;         ///< of the powers
    std::size_t hits = 0;
};

struct ArrivalFinder::Nominee {
    std::size_t estimator = 0;
    double delay_ms = 0.0;
    double height = 0.0;   ///< signed, re the largest of its estimator
    double onset_db = 0.0; ///< level of b right after re right before
    double clear = 0.0;    ///< size re the RMS of the correlation
    [[nodiscard]] double score() const {
        return kTrust[estimator] * std::abs(height) * std::max(onset_db, 0.0) * clear / (clear + 30.0);
    }
    /// Looks like a reflection of `first`: soon after it, with an onset that is not as clear.
    [[nodiscard]] bool follows(const Nominee& first) const {
        return delay_ms > first.delay_ms && delay_ms < first.delay_ms + kReflectedMs &&
               onset_db < first.onset_db - kClearerDb;
    }
    [[nodiscard]] bool same_as(const Nominee& o) const {
        return std::abs(delay_ms - o.delay_ms) < kSameMs && (height > 0.0) == (o.height > 0.0);
    }
};

struct ArrivalFinder::Choice {
    Nominee best;
    double agreeing = 0.0; ///< share of the estimators that nominate it as one of their larger peaks
    double rival = 0.0;    ///< score of the best other nominee re the best
};

ArrivalFinder::ArrivalFinder(double rate_hz)
    : rate_hz_(rate_hz), length_(samples_of(kArrivalBeforeMs + kArrivalAfterMs, rate_hz)),
      fft_(fast_fft_size(length_)),
      finer_(std::max<std::size_t>(1, static_cast<std::size_t>(std::ceil(kFineHz / rate_hz)))),
      fine_(fft_.size() * finer_), bell_(fft_.bins()) {
    for (std::size_t k = 1; k < fft_.bins(); ++k) {
        const double hz = static_cast<double>(k) * rate_hz_ / static_cast<double>(fft_.size());
        bell_[k] = static_cast<float>(std::exp(-(hz / kBandwidthHz) * (hz / kBandwidthHz)) *
                                      raised_cosine(hz / kLowestHz));
    }
}

ArrivalFinder::Source ArrivalFinder::source(const DrumExcerpts& hits, std::size_t a,
                                            double a_offset_ms) const {
    Source out;
    out.hits = &hits, out.offset_ms = a_offset_ms, out.bins = fft_.bins();
    for (auto* x : {&out.whole, &out.attack, &out.back}) x->resize(hits.hits() * out.bins);
    const double ms = rate_hz_ / 1000.0, at = static_cast<double>(hits.origin()) / ms + a_offset_ms;
    std::vector<float> x(fft_.size());
    for (std::size_t n = 0; n < hits.hits(); ++n) {
        const std::size_t row = n * out.bins;
        const double begins = at + hits.late(n) / ms;
        const Window whole = Window{begins - 5.0, begins + 45.0, 3.0, 25.0}.times(ms);
        const Window attack = Window{begins - 0.5, begins + 5.0, 0.3, 3.0}.times(ms);
        whole.apply(hits.of(a, n), x);
        const double e = energy(x);
        const double scale = e > 0.0 ? 1.0 / std::sqrt(e) : 0.0;
        fft_.forward(x, std::span(out.whole).subspan(row, out.bins));
        attack.apply(hits.of(a, n), x);
        fft_.forward(x, std::span(out.attack).subspan(row, out.bins));
        const double step = 2.0 * std::numbers::pi * hits.late(n) / static_cast<double>(fft_.size());
        for (std::size_t k = 0; k < out.bins; ++k)
            out.back[row + k] = Complex(std::polar(scale, step * static_cast<double>(k)));
        const auto back = std::span(out.back).subspan(row, out.bins);
        multiply(std::span(out.whole).subspan(row, out.bins), back);
        multiply(std::span(out.attack).subspan(row, out.bins), back);
    }
    return out;
}

ArrivalFinder::HitSpectra ArrivalFinder::transform(const Source& a, std::size_t b) const {
    HitSpectra out{a, a.hits->hits(), a.bins, std::vector<Complex>(a.hits->hits() * a.bins)};
    const Window all = Window{0.0, kArrivalBeforeMs + kArrivalAfterMs, 3.0, 25.0}.times(rate_hz_ / 1000.0);
    std::vector<float> weights(length_), x(fft_.size());
    all.apply(std::vector(length_, 1.0f), weights);
    for (std::size_t n = 0; n < out.hits; ++n) {
        const auto in = a.hits->of(b, n);
        for (std::size_t i = 0; i < length_; ++i) x[i] = weights[i] > 0.0f ? weights[i] * in[i] : 0.0f;
        const auto row = std::span(out.b).subspan(n * out.bins, out.bins);
        fft_.forward(x, row);
        multiply(row, std::span(a.back).subspan(n * out.bins, out.bins));
    }
    return out;
}

ArrivalFinder::Sums ArrivalFinder::add_up(const HitSpectra& s, std::size_t group, std::size_t groups) const {
    Sums sum(s.bins);
    for (std::size_t n = group; n < s.hits; n += groups, ++sum.hits) {
        const auto row = [&](const std::vector<Complex>& x) {
            return std::span(x).subspan(n * s.bins, s.bins);
        };
        const auto whole = row(s.a.whole), attack = row(s.a.attack), b = row(s.b);
        add(whole, sum.a), add(attack, sum.attack), add(b, sum.b);
        add_cross(whole, b, sum.ab), add_cross(attack, b, sum.attack_b);
        add_power(whole, sum.aa), add_power(b, sum.bb);
    }
    return sum;
}

void ArrivalFinder::nominate(std::vector<Nominee>& to, std::size_t estimator,
                             std::span<const Complex> cross) const {
    std::vector<Complex> h(fine_.bins());
    for (std::size_t k = 1; k < fft_.bins(); ++k) h[k] = cross[k] * bell_[k];
    std::vector<float> r(fine_.size());
    fine_.inverse(h, r);
    const auto range = static_cast<std::ptrdiff_t>(samples_of(kArrivalRangeMs, rate_hz_) * finer_);
    std::rotate(r.begin(), r.end() - (range + 1), r.end()); // lag 0 in the middle
    const auto at = [&](std::ptrdiff_t lag) {
        return static_cast<double>(r[static_cast<std::size_t>(lag + range + 1)]);
    };
    double largest = 0.0, power = 0.0;
    for (auto lag = -range; lag <= range; ++lag) {
        largest = std::max(largest, std::abs(at(lag)));
        power += at(lag) * at(lag) / static_cast<double>(2 * range + 1);
    }
    std::vector<Nominee> peaks;
    for (auto lag = -range; lag <= range; ++lag) {
        const double l = std::abs(at(lag - 1)), m = std::abs(at(lag)), n = std::abs(at(lag + 1));
        if (!(m > kOfLargest * largest) || m < l || m <= n) continue;
        const double bend = l - 2.0 * m + n, shift = bend < 0.0 ? 0.5 * (l - n) / bend : 0.0;
        peaks.push_back(
            {estimator,
             (static_cast<double>(lag) + shift) * 1000.0 / (rate_hz_ * static_cast<double>(finer_)),
             at(lag) / largest, 0.0, m / std::sqrt(power)});
    }
    std::sort(peaks.begin(), peaks.end(),
              [](const Nominee& x, const Nominee& y) { return std::abs(x.height) > std::abs(y.height); });
    peaks.resize(std::min(peaks.size(), kMostNominees));
    to.insert(to.end(), peaks.begin(), peaks.end());
}

/// Power of b, whitened by `filter`, sample by sample: geometric mean over hits, so that what leaks into a
/// few of them doesn't count. Shows the random part of an attack too, which the mean of the hits loses.
std::vector<float> ArrivalFinder::typical_power(const HitSpectra& s, std::size_t group, std::size_t groups,
                                                std::span<const Complex> filter) const {
    std::vector<float> logs(fft_.size()), x(fft_.size());
    std::vector<Complex> y(s.bins);
    float count = 0.0f;
    for (std::size_t n = group; n < s.hits; n += groups, count += 1.0f) {
        std::copy_n(&s.b[n * s.bins], s.bins, y.begin());
        multiply(y, filter);
        fft_.inverse(y, x);
        for (std::size_t i = 0; i < x.size(); ++i) logs[i] += std::log2(x[i] * x[i] + 1e-30f);
    }
    for (float& v : logs) v = std::exp2(v / count);
    return logs;
}

ArrivalFinder::Choice ArrivalFinder::pick(std::span<const Nominee> nominees) {
    Choice choice;
    // An arrival that several estimators see outweighs one that a single one sees better.
    const auto together = [&](const Nominee& at) {
        std::array<double, kEstimators> best{};
        for (const auto& n : nominees)
            if (n.same_as(at)) best[n.estimator] = std::max(best[n.estimator], n.score());
        return best[0] + best[1] + best[2];
    };
    // The surest of those that agree with `at` gives the figure.
    const auto surest = [&](const Nominee& at) {
        Nominee best = at;
        for (const auto& n : nominees)
            if (n.same_as(at) && n.score() > best.score()) best = n;
        return best;
    };
    double most = 0.0;
    for (const auto& n : nominees)
        if (const double score = together(n); score > most) most = score, choice.best = surest(n);
    // A reflection may be louder than what came before it, but its onset is not as clear.
    const Nominee later = choice.best;
    double earlier = kNearlyAsGood * most;
    for (const auto& n : nominees)
        if (later.follows(n) && together(n) > earlier) earlier = together(n), choice.best = surest(n);
    std::array<double, kEstimators> support{};
    for (const auto& n : nominees) {
        if (n.same_as(choice.best))
            support[n.estimator] = std::max(support[n.estimator], std::min(1.0, 1.5 * std::abs(n.height)));
        else if (most > 0.0 && !n.follows(choice.best) && std::abs(n.delay_ms - choice.best.delay_ms) > 0.25)
            choice.rival = std::max(choice.rival, together(n) / most);
    }
    choice.agreeing = (support[0] + support[1] + support[2]) / static_cast<double>(kEstimators);
    return choice;
}

ArrivalFinder::Choice ArrivalFinder::choose(const HitSpectra& spectra, std::size_t group, std::size_t groups,
                                            double a_at_ms) const {
    const auto sums = add_up(spectra, group, groups);
    const double ms = rate_hz_ / 1000.0;
    const auto order = static_cast<std::size_t>(std::clamp(rate_hz_ / 2000.0, 16.0, 48.0));
    std::vector<float> a(fft_.size()), b(fft_.size());
    fft_.inverse(sums.a, a);
    fft_.inverse(sums.b, b);
    const auto of_a = autocorrelation(a, order), of_b = autocorrelation(b, order);
    std::vector<double> of_both(of_a.size());
    const auto own = error_filter_spectrum(of_b, fft_);
    for (std::size_t i = 0; i < of_a.size(); ++i) of_both[i] = of_a[i] * of_b[0] + of_b[i] * of_a[0];
    const auto common = error_filter_spectrum(of_both, fft_);

    std::vector<Complex> shared(fft_.bins()), repeated(fft_.bins()), attack(fft_.bins()),
        whitened(fft_.bins());
    const double chance = 1.0 / static_cast<double>(sums.hits);
    for (std::size_t k = 1; k < fft_.bins(); ++k) {
        const double both = static_cast<double>(sums.aa[k]) * sums.bb[k];
        const double size = std::abs(sums.ab[k]);
        if (!(both > 0.0) || !(size > 0.0)) continue;
        const double coherence = std::max(0.0, (size * size / both - chance) / (1.0 - chance));
        shared[k] = sums.ab[k] * static_cast<float>(coherence / size);
        const Complex apart = std::conj(sums.a[k]) * sums.b[k] - sums.ab[k]; // every hit with all others
        const double weight =
            repeats(sums.a[k], sums.aa[k], sums.hits) * repeats(sums.b[k], sums.bb[k], sums.hits);
        repeated[k] = apart * static_cast<float>(weight / std::max(1e-30f, std::abs(apart)));
        attack[k] = (std::conj(sums.attack[k]) * sums.b[k] - sums.attack_b[k]) * std::norm(common[k]);
        whitened[k] = sums.b[k] * own[k];
    }
    fft_.inverse(whitened, b);
    for (float& x : b) x *= x;
    const auto typical = typical_power(spectra, group, groups, own);

    std::vector<Nominee> nominees;
    nominate(nominees, 0, shared);
    nominate(nominees, 1, repeated);
    nominate(nominees, 2, attack);
    for (auto& n : nominees) {
        const double at = (a_at_ms + n.delay_ms) * ms;
        n.onset_db = std::max(onset_db(b, at, ms), onset_db(typical, at, ms));
    }
    return pick(nominees);
}

FirstArrival ArrivalFinder::find(const DrumExcerpts& hits, std::size_t a, std::size_t b,
                                 double a_offset_ms) const {
    return hits.hits() < kFewestHits ? FirstArrival{} : find(source(hits, a, a_offset_ms), b);
}

FirstArrival ArrivalFinder::find(const Source& a, std::size_t b) const {
    FirstArrival found;
    const auto& hits = *a.hits;
    if (hits.hits() < kFewestHits) return found;
    const auto spectra = transform(a, b);
    const double a_at_ms = kArrivalBeforeMs + a.offset_ms;
    const auto all = choose(spectra, 0, 1, a_at_ms);
    if (!(all.best.score() > 0.0)) return found;
    found.delay_ms = all.best.delay_ms;
    found.opposite = all.best.height < 0.0;

    const std::size_t groups = std::min<std::size_t>(2, hits.hits() / kFewestHits);
    std::vector<double> off;
    double together = 0.0;
    for (std::size_t g = 0; g < groups && groups > 1; ++g) {
        const auto part = choose(spectra, g, groups, a_at_ms);
        off.push_back(std::abs(part.best.delay_ms - found.delay_ms));
        if (part.best.same_as(all.best)) together += 1.0 / static_cast<double>(groups);
    }
    found.spread_ms = upper_median(off);
    const double onset =
        std::clamp((all.best.onset_db - kLeastOnsetDb) / (kClearOnsetDb - kLeastOnsetDb), 0.0, 1.0);
    found.confidence = 0.35 * onset + 0.35 * together + 0.3 * all.agreeing;
    // Halves that contradict each other are doubt, however clear the whole looks.
    if (together < 1.0 && !(onset >= 1.0 && all.agreeing > 0.9))
        found.confidence = std::min(found.confidence, 0.45);
    if (all.rival > 0.6) found.confidence *= 1.0 - 0.5 * (all.rival - 0.6) / 0.4;
    return found;
}

} // namespace kitfold::dsp
