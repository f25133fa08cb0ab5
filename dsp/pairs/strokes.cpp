#include "pairs/strokes.h"
#include "core/median.h"
#include "core/units.h"
#include "core/windows.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numbers>

namespace kitfold::dsp {

namespace {

// More strokes than 48 gain a figure little (its error falls with the root), and cost time; half of those
// that are tried may look otherwise.
constexpr std::size_t kMostTried = 100, kMostStrokes = 48, kFewest = 4;
constexpr double kHighPassHz = 60.0; // rumble and wind, which would lie under the first wave
constexpr double kSettleMs = 12.0;   // 4.5 time constants of it: 1 % is left
constexpr double kPeakMs = 10.0;     // in which a stroke peaks
constexpr double kSofterDb = 9.0;    // softer strokes are struck otherwise, and lie lower in the noise
constexpr double kAlike = 0.8;       // correlation of an attack with the median of its drum's
// Of an attack: from before the stick is heard through shell and stands, to where the heads' own modes take
// over.
constexpr double kAttackBeforeMs = 2.0, kAttackAfterMs = 4.0;
constexpr double kSettled = 0.01; // samples: less shows in no figure
// A top that was cut off is flat for a while and steep at either end: it is hardly wider four times as far
// down. A round one is twice as wide there, and a low drum's is as flat as that for as long (50 Hz: 0.6 ms).
constexpr double kFlatMs = 0.3, kFlat = 0.995, kUnderFlat = 0.98, kWidens = 1.5;
constexpr double kFlatLookMs = 30.0; // a period and a half at 50 Hz: the loudest top is in it
constexpr double kNoiseMs = 12.0;    // before an arrival: what is there is not the stroke
constexpr std::size_t kGroups = 8;   // of the jackknife

std::size_t samples(double ms, double rate_hz) { return static_cast<std::size_t>(ms * rate_hz / 1000.0); }

double largest(std::span<const float> x) {
    float most = 0.0f;
    for (const float v : x) most = std::max(most, std::abs(v));
    return static_cast<double>(most);
}

/// x[start - ..] of a mic, high-passed; it is let in before `start`.
std::vector<float> high_passed(const Take& take, std::size_t mic, std::int64_t start, std::size_t length) {
    const auto settle = samples(kSettleMs, take.rate_hz);
    std::vector<float> x(length + settle);
    take.read(mic, start - static_cast<std::int64_t>(settle), x);
    const auto p = static_cast<float>(std::exp(-2.0 * std::numbers::pi * kHighPassHz / take.rate_hz));
    float before = x[0], y = 0.0f;
    for (float& v : x) {
        y = v - before + p * y;
        before = v, v = y;
    }
    x.erase(x.begin(), x.begin() + static_cast<std::ptrdiff_t>(settle));
    return x;
}

/// `count` samples of x from `at` on, between its samples: a sinc of 24 taps under a cosine-square window.
/// @pre 12 more samples on either side
std::vector<float> cut(std::span<const float> x, double at, std::size_t count) {
    constexpr std::ptrdiff_t kReach = 12;
    const auto first = static_cast<std::ptrdiff_t>(std::floor(at));
    const double fraction = at - static_cast<double>(first);
    std::array<float, 2 * kReach> taps{};
    for (std::ptrdiff_t k = 0; k < 2 * kReach; ++k) {
        taps[k] = static_cast<float>(windowed_sinc(static_cast<double>(k - kReach + 1) - fraction, kReach));
    }
    std::vector<float> out(count);
    for (std::ptrdiff_t k = 0; k < 2 * kReach; ++k) {
        const float* from = &x[first + k - kReach + 1];
        for (std::size_t n = 0; n < count; ++n) out[n] += taps[k] * from[n];
    }
    return out;
}

/// The recording is cut off at a top.
bool flat_top(std::span<const float> x, double rate_hz) {
    const double peak = largest(x);
    const auto flat = static_cast<float>(kFlat * peak), under = static_cast<float>(kUnderFlat * peak);
    const auto least = std::max<std::size_t>(3, samples(kFlatMs, rate_hz));
    std::size_t wide = 0, run = 0, longest = 0; // samples of this top: above `under`, and `flat`
    const auto cut_off = [&] {
        return longest >= least && static_cast<double>(wide) < kWidens * static_cast<double>(longest);
    };
    for (const float v : x) {
        run = std::abs(v) > flat ? run + 1 : 0;
        longest = std::max(longest, run);
        if (std::abs(v) > under) {
            ++wide;
            continue;
        }
        if (cut_off()) return true;
        wide = longest = 0;
    }
    return cut_off();
}

/// Candidates: those struck alone first, then the stronger ones; in the order of time. In a mic that isn't
/// the drum's own, only those struck alone stand for it.
std::vector<Hit> candidates(std::span<const Hit> hits, Drum drum, bool own_mic) {
    std::vector<Hit> own;
    std::copy_if(hits.begin(), hits.end(), std::back_inserter(own),
                 [=](const Hit& h) { return h.drum == drum && (own_mic || h.alone); });
    std::stable_sort(own.begin(), own.end(), [](const Hit& a, const Hit& b) {
        return a.alone != b.alone ? a.alone : a.strength_db > b.strength_db;
    });
    own.resize(std::min(own.size(), kMostTried));
    std::sort(own.begin(), own.end(), [](const Hit& a, const Hit& b) { return a.time_s < b.time_s; });
    return own;
}

/// Attacks of the candidates in the mic that speaks for the drum, laid over one another.
class LineUp {
public:
    LineUp(const Take& take, std::span<const Hit> hits, std::size_t on)
        : ms_(take.rate_hz / 1000.0), middle_(std::floor(24.0 * ms_)) {
        for (const auto& h : hits) {
            const auto at = std::llround(h.time_s * take.rate_hz);
            const auto start = at - static_cast<std::int64_t>(middle_);
            x_.push_back(high_passed(take, on, start, static_cast<std::size_t>(2.0 * middle_)));
            start_.push_back(static_cast<double>(start));
            at_.push_back(rough(x_.back()));
        }
        keep_.assign(x_.size(), true);
        drop_soft();
        for (int round = 0; round < 20 && refine(round < 2 ? 3.0 - round : 1.0); ++round) {
        }
    }
    /// Kept strokes, in samples of the take.
    [[nodiscard]] std::vector<double> times() const {
        std::vector<double> out;
        for (std::size_t n = 0; n < x_.size(); ++n)
            if (const auto t = start_[n] + at_[n]; keep_[n] && (out.empty() || t - out.back() > 30.0 * ms_))
                out.push_back(t);
        return out;
    }

private:
    /// A hit may be named some ms off: where the sound around it first passes a tenth of its peak.
    [[nodiscard]] double rough(std::span<const float> x) const {
        const auto back = static_cast<std::ptrdiff_t>(4.0 * ms_),
                   middle = static_cast<std::ptrdiff_t>(middle_);
        auto at = middle;
        for (int round = 0; round < 4; ++round) {
            const auto part =
                x.subspan(static_cast<std::size_t>(at - back), static_cast<std::size_t>(12.0 * ms_));
            const double level = 0.1 * largest(part);
            auto i = at - back;
            while (i < at + 2 * back - 1 && std::abs(static_cast<double>(x[i])) < level) ++i;
            at = std::clamp(i, middle - back, middle + back);
        }
        return static_cast<double>(at);
    }
    void drop_soft() {
        std::vector<double> levels;
        for (std::size_t n = 0; n < x_.size(); ++n)
            levels.push_back(db_from_gain(largest(around(n, 2.0, kPeakMs)) + 1e-12));
        auto sorted = levels;
        std::sort(sorted.begin(), sorted.end());
        if (sorted.empty()) return;
        const double least = sorted[(sorted.size() - 1) * 9 / 10] - kSofterDb;
        for (std::size_t n = 0; n < x_.size(); ++n) keep_[n] = levels[n] >= least;
    }
    [[nodiscard]] std::vector<float> around(std::size_t n, double before_ms, double after_ms) const {
        return cut(x_[n], at_[n] - before_ms * ms_, static_cast<std::size_t>((before_ms + after_ms) * ms_));
    }

    [[nodiscard]] std::vector<float> typical() const {
        std::vector<std::vector<float>> kept;
        for (std::size_t n = 0; n < x_.size(); ++n) {
            if (!keep_[n]) continue;
            kept.push_back(around(n, kAttackBeforeMs, kAttackAfterMs));
            const auto scale = static_cast<float>(1.0 / (largest(kept.back()) + 1e-12));
            for (float& v : kept.back()) v *= scale;
        }
        std::vector<float> out(kept.empty() ? 0 : kept.front().size());
        std::vector<double> values(kept.size());
        for (std::size_t i = 0; i < out.size(); ++i) {
            for (std::size_t k = 0; k < kept.size(); ++k) values[k] = static_cast<double>(kept[k][i]);
            out[i] = static_cast<float>(median(values));
        }
        return out;
    }
    struct Match {
        double lag = 0.0, alike = 0.0; ///< samples; coefficient
    };
    /// Where stroke n looks most like the typical one.
    [[nodiscard]] Match match(std::size_t n, std::span<const float> like, std::ptrdiff_t reach) const {
        const auto x = cut(x_[n], at_[n] - kAttackBeforeMs * ms_ - static_cast<double>(reach),
                           like.size() + static_cast<std::size_t>(2 * reach));
        std::vector<double> c(static_cast<std::size_t>(2 * reach + 1));
        for (std::size_t lag = 0; lag < c.size(); ++lag) {
            float sum = 0.0f;
            for (std::size_t i = 0; i < like.size(); ++i) sum += like[i] * x[lag + i];
            c[lag] = static_cast<double>(sum);
        }
        const auto best =
            std::clamp<std::ptrdiff_t>(std::max_element(c.begin(), c.end()) - c.begin(), 1, 2 * reach - 1);
        const double l = c[best - 1], m = c[best], r = c[best + 1], bend = l - 2.0 * m + r;
        double own = 1e-20, other = 1e-20;
        for (std::size_t i = 0; i < like.size(); ++i) {
            own += static_cast<double>(x[best + i]) * x[best + i];
            other += static_cast<double>(like[i]) * like[i];
        }
        return {static_cast<double>(best - reach) +
                    (bend < 0.0 ? std::clamp(0.5 * (l - r) / bend, -1.0, 1.0) : 0.0),
                m / std::sqrt(own * other)};
    }
    /// Moves every stroke there; says whether anything moved. Strokes move against each other, not all
    /// together.
    bool refine(double reach_ms) {
        const auto like = typical();
        if (like.empty()) return false;
        std::vector<Match> matches;
        std::vector<double> moves;
        for (std::size_t n = 0; n < x_.size(); ++n) {
            matches.push_back(match(n, like, std::max<std::ptrdiff_t>(2, std::lround(reach_ms * ms_))));
            if (keep_[n]) moves.push_back(matches[n].lag);
        }
        const double common = median(moves), room = 8.0 * ms_;
        bool moved = false;
        for (std::size_t n = 0; n < x_.size(); ++n) {
            at_[n] = std::clamp(at_[n] + matches[n].lag - common, middle_ - room, middle_ + room);
            moved = moved || (keep_[n] && std::abs(matches[n].lag - common) > kSettled);
        }
        return drop_unlike(matches) || moved;
    }
    bool drop_unlike(std::span<const Match> matches) {
        std::vector<bool> like(x_.size());
        std::size_t count = 0;
        for (std::size_t n = 0; n < x_.size(); ++n)
            like[n] = keep_[n] && matches[n].alike > kAlike, count += like[n] ? 1 : 0;
        if (count < kFewest || like == keep_) return false;
        keep_ = like;
        return true;
    }

    double ms_, middle_;
    std::vector<std::vector<float>> x_;
    std::vector<double> start_, at_; ///< of x_ in the take; of the stroke in x_
    std::vector<bool> keep_;
};

/// Every n-th, so that they lie all over the take.
void thin_out(std::vector<double>& times) {
    if (times.size() <= kMostStrokes) return;
    std::vector<double> out;
    for (std::size_t n = 0; n < kMostStrokes; ++n) out.push_back(times[n * times.size() / kMostStrokes]);
    times = std::move(out);
}

} // namespace

DrumStrokes::DrumStrokes(const Take& take, std::span<const Hit> hits, Drum drum, std::size_t on,
                         std::span<const std::size_t> mics)
    : drum_(drum), rate_hz_(take.rate_hz), on_(on), origin_(samples(kStrokeBeforeMs, take.rate_hz)),
      length_(origin_ + samples(kStrokeAfterMs, take.rate_hz)), row_(take.mics.size()) {
    at_ = LineUp(take, candidates(hits, drum, own_drum(take.mics[on].role) == drum), on).times();
    thin_out(at_);
    read(take, std::span(&on, 1));
    if (at_.empty()) return;
    const auto own = hear(on, kLinedUp, weights(noise(on, kLinedUp)));
    for (auto& t : at_) t += own.wave.at;
    read(take, mics);
}

void DrumStrokes::read(const Take& take, std::span<const std::size_t> mics) {
    samples_.resize(mics.size() * size() * length_);
    clipped_.resize(mics.size() * size());
    const auto look = samples(kFlatLookMs, rate_hz_), just_before = samples(kFlatMs, rate_hz_);
    std::vector<float> raw(look);
    for (std::size_t row = 0; row < mics.size(); ++row) row_[mics[row]] = row;
    for (std::size_t n = 0; n < size(); ++n) {
        constexpr double kRoom = 16.0; // samples to read between: cut() takes 12
        const double start = at_[n] - static_cast<double>(origin_), whole = std::floor(start);
        const auto sound = [&](std::size_t m) {
            const auto from = static_cast<std::int64_t>(whole - kRoom);
            return cut(high_passed(take, m, from, length_ + static_cast<std::size_t>(2.0 * kRoom)),
                       start - whole + kRoom, length_);
        };
        const auto own = sound(on_);
        const double peak = largest(std::span(own).subspan(origin_, samples(kPeakMs, rate_hz_)));
        const auto scale = static_cast<float>(peak > 0.0 ? 1.0 / peak : 0.0);
        for (const auto m : mics) {
            const auto place = row_[m] * size() + n;
            const auto x = m == on_ ? own : sound(m);
            std::transform(x.begin(), x.end(),
                           samples_.begin() + static_cast<std::ptrdiff_t>(place * length_),
                           [=](float v) { return scale * v; });
            take.read(m, std::llround(at_[n]) - static_cast<std::int64_t>(just_before), raw);
            clipped_[place] = flat_top(raw, rate_hz_);
        }
    }
}

DrumStrokes DrumStrokes::filtered(double hz, bool above) const {
    const double w = std::tan(std::numbers::pi * std::min(hz / rate_hz_, 0.45)), q = std::numbers::sqrt2;
    const double norm = 1.0 / (1.0 + q * w + w * w),
                 b = (above ? 1.0 : w * w) * norm; // Butterworth
    const double a1 = 2.0 * (w * w - 1.0) * norm, a2 = (1.0 - q * w + w * w) * norm;
    auto out = *this;
    for (std::size_t row = 0; row * length_ < samples_.size(); ++row) {
        double s1 = 0.0, s2 = 0.0;
        for (float& v : std::span(out.samples_).subspan(row * length_, length_)) {
            const double in = b * static_cast<double>(v), y = in + s1;
            s1 = (above ? -2.0 : 2.0) * in - a1 * y + s2, s2 = in - a2 * y;
            v = static_cast<float>(y);
        }
    }
    return out;
}

std::size_t DrumStrokes::unclipped(std::size_t mic) const noexcept {
    std::size_t count = 0;
    for (std::size_t n = 0; n < size(); ++n) count += clipped_[row_[mic] * size() + n] ? 0 : 1;
    return count;
}

std::vector<float> DrumStrokes::stack(std::size_t mic, std::span<const float> weights) const {
    std::vector<float> out(length_);
    for (std::size_t n = 0; n < size(); ++n) {
        const float w = weights[n];
        const auto x = of(mic, n);
        for (std::size_t i = 0; i < length_; ++i) out[i] += w * x[i];
    }
    return out;
}

FirstWave DrumStrokes::wave(std::span<const float> stack, Bounds bounds) const {
    const double ms = rate_hz_ / 1000.0, zero = static_cast<double>(origin_);
    auto w = first_wave(stack, rate_hz_, zero + bounds.from_ms * ms, zero + bounds.to_ms * ms);
    w.at -= zero, w.at_3 -= zero, w.at_10 -= zero;
    return w;
}

std::vector<float> DrumStrokes::weights(std::span<const double> noise) {
    std::vector<double> finite;
    std::copy_if(noise.begin(), noise.end(), std::back_inserter(finite),
                 [](double v) { return std::isfinite(v); });
    std::sort(finite.begin(), finite.end());
    const double floor = finite.empty() ? 1.0 : finite[finite.size() / 5] + 1e-12;
    std::vector<float> w(noise.size());
    double sum = 0.0;
    for (const double v : finite) sum += 1.0 / (v + floor);
    for (std::size_t n = 0; n < w.size(); ++n)
        w[n] = std::isfinite(noise[n]) ? static_cast<float>(1.0 / (noise[n] + floor) / sum) : 0.0f;
    return w;
}

std::vector<double> DrumStrokes::noise(std::size_t mic, Bounds bounds) const {
    std::vector<double> r(size(), std::numeric_limits<double>::infinity());
    std::vector<std::size_t> usable;
    for (std::size_t n = 0; n < size(); ++n)
        if (!clipped_[row_[mic] * size() + n]) usable.push_back(n), r[n] = 0.0;
    if (usable.empty()) return r;
    const double ms = rate_hz_ / 1000.0, zero = static_cast<double>(origin_);
    const auto from = static_cast<std::size_t>(std::max(0.0, zero + (bounds.from_ms - kNoiseMs - 2.0) * ms)),
               to = std::min(length_, static_cast<std::size_t>(zero + (bounds.to_ms + kNoiseMs) * ms));
    std::vector<float> typical(length_);
    std::vector<double> values(usable.size());
    for (std::size_t i = from; i < to; ++i) {
        for (std::size_t k = 0; k < usable.size(); ++k)
            values[k] = static_cast<double>(of(mic, usable[k])[i]);
        typical[i] = static_cast<float>(median(values));
    }
    const auto look = static_cast<std::ptrdiff_t>(samples(kNoiseMs, rate_hz_));
    for (int round = 0; round < 4; ++round) {
        const auto w = wave(typical, bounds);
        const auto end = static_cast<std::ptrdiff_t>(static_cast<double>(origin_) + w.at - 0.0002 * rate_hz_);
        for (const auto n : usable) {
            const auto x = of(mic, n);
            double sum = 0.0;
            for (auto i = std::max<std::ptrdiff_t>(0, end - look); i < end; ++i) {
                const double d = static_cast<double>(x[i]) - static_cast<double>(typical[i]);
                sum += d * d;
            }
            r[n] = sum / static_cast<double>(look) / (w.peak * w.peak + 1e-20);
        }
        typical = stack(mic, weights(r));
    }
    return r;
}

Heard DrumStrokes::hear(std::size_t mic, Bounds bounds, std::span<const float> weights) const {
    Heard h;
    h.stack = stack(mic, weights);
    h.wave = wave(h.stack, bounds);
    // What is left of noise and of other drums: in the stack itself, and as the standard error of a mean.
    const auto end =
        static_cast<std::ptrdiff_t>(static_cast<double>(origin_) + h.wave.at_3 - 0.0005 * rate_hz_);
    const auto begin = std::max<std::ptrdiff_t>(0, end - static_cast<std::ptrdiff_t>(0.0055 * rate_hz_));
    double rest = 0.0, error = 0.0;
    for (auto i = begin; i < end; ++i) {
        const double s = static_cast<double>(h.stack[i]);
        rest += s * s;
        for (std::size_t n = 0; n < size(); ++n) {
            const double d = static_cast<double>(weights[n]) * (static_cast<double>(of(mic, n)[i]) - s);
            error += d * d;
        }
    }
    const double count = std::max(1.0, static_cast<double>(end - begin));
    h.noise = h.wave.peak > 0.0 ? std::sqrt(std::max(rest, error) / count) / h.wave.peak : 1.0;
    std::vector<std::size_t> used;
    for (std::size_t n = 0; n < size(); ++n)
        if (weights[n] > 0.0f) used.push_back(n);
    const auto groups = std::min(kGroups, used.size());
    for (std::size_t g = 0; g < groups && groups > 1; ++g) {
        std::vector<float> part = h.stack;
        float left = 1.0f;
        for (std::size_t k = g; k < used.size(); k += groups) {
            const auto x = of(mic, used[k]);
            const float w = weights[used[k]];
            left -= w;
            for (std::size_t i = 0; i < length_; ++i) part[i] -= w * x[i];
        }
        h.at.push_back(left > 0.0f ? wave(part, bounds).at : h.wave.at);
    }
    return h;
}

} // namespace kitfold::dsp
