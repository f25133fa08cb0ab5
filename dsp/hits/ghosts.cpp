#include "hits/ghosts.h"
#include "core/dot.h"
#include "core/linear.h"
#include "core/median.h"
#include "core/windows.h"
#include "filters/filtered.h"
#include "hits/hit_math.h"
#include "hits/hit_model.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <numeric>
#include <optional>
#include <utility>

namespace kitfold::dsp {

namespace {

constexpr double kLowRateHz = 3'000.0; // at least: twice 1.5 kHz, below which cymbals are hardly heard
constexpr double kLowestHz = 300.0; // power over 2 ms swings with what is below 250 Hz: a low ring would step
constexpr std::ptrdiff_t kOrder = 32; // twice the modes that a drum has below 1.5 kHz, or so
// Of a ring: behind the attack, and past 105 ms, where half of what used to be missed lay.
constexpr double kLearnFrom_s = 0.010, kLearnTo_s = 0.130;
constexpr double kBeside_s = 0.028; // the drum's other strokes: kPast_ms lies behind their kOver_s
constexpr double kRing_s = 0.330;   // a real snare fell by 60 dB in 264 to 291 ms
// Strokes that may be what is heard: sound crosses a kit in 9 ms.
constexpr double kOthersBefore_s = 0.014, kOthersAfter_s = 0.006;
constexpr float kHardDb = 10.0f;            // under the median; softer rings teach nothing
constexpr float kLeastStepDb = 9.0f;        // in ten minutes white noise steps by 6 dB twice, by 9 never
constexpr float kLeastOverOthersDb = 10.0f; // far more than nine of ten of their strokes add
// Three rings are a thousand samples for kOrder coefficients; half of the strokes may be soft or disturbed.
constexpr std::size_t kFewestRings = 3, kFewestStrokes = 2 * kFewestRings;
constexpr std::size_t kFewestLone = 3; // of which the one that adds most counts

/// A mic below 1.5 kHz; and of that, what can't be foretold.
struct LowMic {
    double rate_hz = 0.0;
    std::vector<float> x;
    std::vector<float> added; ///< mean power over the next 2 ms
    [[nodiscard]] std::ptrdiff_t at(double time_s) const { return std::llround(time_s * rate_hz); }
    [[nodiscard]] std::ptrdiff_t ms(double ms) const { return std::llround(ms * rate_hz / 1000.0); }
    [[nodiscard]] float most(std::ptrdiff_t first, std::ptrdiff_t last) const {
        first = std::max<std::ptrdiff_t>(first, 0), last = std::min(last, std::ssize(added));
        return first < last ? *std::max_element(added.begin() + first, added.begin() + last) : 0.0f;
    }
};

/// Every thin-th sample behind a windowed sinc.
LowMic low_mic(const Take& take, std::size_t mic) {
    const auto thin = std::max<std::int64_t>(static_cast<std::int64_t>(take.rate_hz / kLowRateHz), 1);
    const std::int64_t half = 4 * thin;
    std::vector<float> taps;
    float sum = 0.0f;
    for (auto i = -half; i <= half; ++i) {
        const double turn = std::numbers::pi * static_cast<double>(i);
        const double u = 0.9 * turn / static_cast<double>(thin);
        const double window =
            raised_cosine(1.0 - std::abs(static_cast<double>(i)) / static_cast<double>(half + 1));
        taps.push_back(static_cast<float>(i == 0 ? 1.0 : window * std::sin(u) / u));
        sum += taps.back();
    }
    for (auto& t : taps) t /= sum;
    LowMic low{take.rate_hz / static_cast<double>(thin), {}, {}};
    constexpr std::int64_t kBlock = 4096; // of low-rate samples: one call of read() for many
    std::vector<float> in(static_cast<std::size_t>(kBlock * thin + 2 * half));
    for (std::int64_t n = 0; n < take.length; n += kBlock * thin) {
        take.read(mic, n - half, in);
        for (std::int64_t k = 0; k < kBlock && n + k * thin < take.length; ++k) {
            const float* from = in.data() + k * thin;
            float y = 0.0f;
            for (std::size_t i = 0; i < taps.size(); ++i) y += taps[i] * from[i];
            low.x.push_back(y);
        }
    }
    return low;
}

/// The snare, its mic and who else is struck, all on that mic's clock.
class Rings {
public:
    Rings(const Take& take, std::size_t mic, std::span<const ClockedHit> hits, double late_s) {
        std::vector<float> strengths;
        for (const auto& h : hits) {
            auto& to = h.hit.drum == Drum::snare ? own_ : others_;
            to.push_back(h.hit), to.back().time_s = h.clock_s + late_s;
            if (h.hit.drum == Drum::snare) strengths.push_back(static_cast<float>(h.hit.strength_db));
        }
        for (auto* all : {&own_, &others_})
            std::stable_sort(all->begin(), all->end(),
                             [](const Hit& a, const Hit& b) { return a.time_s < b.time_s; });
        if (own_.size() < kFewestStrokes) return;
        median_db_ = quantile(strengths, 0.5);
        low_ = low_mic(take, mic);
    }
    std::vector<Hit> covered();

private:
    using Stretch = std::pair<std::ptrdiff_t, std::ptrdiff_t>;
    [[nodiscard]] std::vector<Stretch> undisturbed() const;
    [[nodiscard]] std::vector<double> foretell(std::span<const Stretch> rings) const;
    void take_off(std::span<const double> from_past);
    [[nodiscard]] float usual() const;
    [[nodiscard]] bool lone(const Hit& hit) const;
    void learn_others();
    [[nodiscard]] float others_add(double time_s) const;
    [[nodiscard]] std::optional<Hit> stroke(std::ptrdiff_t at, float usual) const;

    std::vector<Hit> own_, others_;
    float median_db_ = 0.0f;
    LowMic low_;
    std::array<float, kDrumCount> others_add_db_{}; ///< re their strength; cymbals: whatever that is
};

/// Parts of hard rings in which no other drum begins.
std::vector<Rings::Stretch> Rings::undisturbed() const {
    constexpr double kBegins_s = 0.002, kOver_s = 0.008; // re when another drum is struck: its attack
    std::vector<Stretch> out;
    for (std::size_t i = 0; i < own_.size(); ++i) {
        if (own_[i].strength_db < median_db_ - kHardDb) continue;
        double first = own_[i].time_s + kLearnFrom_s, last = own_[i].time_s + kLearnTo_s;
        if (i + 1 < own_.size()) last = std::min(last, own_[i + 1].time_s - kBegins_s);
        for (const auto& o : others_) {
            if (is_plate(o.drum) || o.time_s < first - kOver_s || o.time_s > last + kBegins_s) continue;
            if (o.time_s < first + kOver_s)
                first = o.time_s + kOver_s;
            else
                last = o.time_s - kBegins_s;
        }
        const Stretch s{std::max(low_.at(first), std::ptrdiff_t{0}),
                        std::min(low_.at(last), std::ssize(low_.x))};
        if (s.second - s.first > 2 * kOrder) out.push_back(s);
    }
    return out;
}

/// Coefficients on the last samples, newest first, that foretell the next best, all rings counting alike: the
/// covariance method.
std::vector<double> Rings::foretell(std::span<const Stretch> rings) const {
    constexpr double kLeastNoise = 1e-7; // re the power: pure tones alone would leave `a` singular
    constexpr auto order = static_cast<std::size_t>(kOrder);
    Matrix<double> a(order, order);
    std::vector<double> b(order);
    for (const auto& [first, last] : rings) {
        const std::vector<double> x(low_.x.begin() + first, low_.x.begin() + last);
        const double power = std::inner_product(x.begin(), x.end(), x.begin(), 0.0);
        const double weight = 1.0 / (power / static_cast<double>(x.size()) + 1e-14);
        for (std::size_t n = order; n < x.size(); ++n)
            for (std::size_t i = 0; i < order; ++i) {
                const double past = weight * x[n - 1 - i];
                b[i] += past * x[n];
                for (std::size_t k = i; k < order; ++k) a(k, i) += past * x[n - 1 - k];
            }
    }
    a.add_to_diagonal(kLeastNoise * a.trace() / kOrder + 1e-30);
    return solve_symmetric(std::move(a), std::move(b));
}

void Rings::take_off(std::span<const double> from_past) {
    const std::vector<float> c(from_past.rbegin(), from_past.rend());
    std::vector<float> left(low_.x.size());
    for (auto n = kOrder; n < std::ssize(low_.x); ++n)
        left[static_cast<std::size_t>(n)] =
            low_.x[static_cast<std::size_t>(n)] - dot(c.data(), low_.x.data() + n - kOrder, c.size());
    // Behind the prediction, which would raise again what is cut before it.
    auto power = filtered(left, Butterworth::high_pass(low_.rate_hz, kLowestHz, Slope::db_24));
    for (float& v : power) v *= v;
    const auto width = low_.ms(2.0);
    low_.added.assign(power.size(), 0.0f);
    double sum = 0.0;
    for (auto n = std::ssize(power); n-- > 0;) {
        sum += power[static_cast<std::size_t>(n)];
        if (n + width < std::ssize(power)) sum -= power[static_cast<std::size_t>(n + width)];
        low_.added[static_cast<std::size_t>(n)] =
            static_cast<float>(std::max(sum, 0.0) / static_cast<double>(width)) + 1e-14f;
    }
}

/// What a stroke of median strength adds.
float Rings::usual() const {
    constexpr double kAlikeDb = 3.0; // half as strong to twice
    std::vector<float> all;
    for (const auto& h : own_)
        if (const auto n = low_.at(h.time_s); std::abs(h.strength_db - median_db_) < kAlikeDb)
            all.push_back(low_.most(n - low_.ms(3.0), n + low_.ms(3.0)));
    return quantile(all, 0.5);
}

bool Rings::lone(const Hit& hit) const {
    constexpr double kFromOwn_s = 0.035, kFromOthers_s = 0.015; // kBeside_s, kOthersBefore_s and a little
    return std::none_of(own_.begin(), own_.end(),
                        [&](auto& o) { return std::abs(o.time_s - hit.time_s) < kFromOwn_s; }) &&
           std::none_of(others_.begin(), others_.end(), [&](auto& o) {
               return o.drum != hit.drum && std::abs(o.time_s - hit.time_s) < kFromOthers_s;
           });
}

/// What other drums add to this mic, at most. One that is never struck alone may add anything.
void Rings::learn_others() {
    constexpr float kAnything = 1000.0f; // dB: nothing is louder
    std::array<std::vector<float>, kDrumCount> all;
    for (const auto& h : others_)
        if (lone(h)) {
            const auto n = low_.at(h.time_s);
            all[static_cast<std::size_t>(h.drum)].push_back(
                decibels(low_.most(n - low_.ms(4.0), n + low_.ms(6.0))) -
                (is_plate(h.drum) ? 0.0f : static_cast<float>(h.strength_db)));
        }
    for (std::size_t d = 0; d < kDrumCount; ++d)
        others_add_db_[d] = all[d].size() < kFewestLone ? kAnything : quantile(all[d], 0.9);
}

float Rings::others_add(double time_s) const {
    float sum = 1e-14f;
    const auto first = std::lower_bound(others_.begin(), others_.end(), time_s - kOthersBefore_s,
                                        [](const Hit& h, double t) { return h.time_s < t; });
    for (auto o = first; o != others_.end() && o->time_s < time_s + kOthersAfter_s; ++o)
        sum += from_db(others_add_db_[static_cast<std::size_t>(o->drum)] +
                       (is_plate(o->drum) ? 0.0f : static_cast<float>(o->strength_db)));
    return sum;
}

/// The stroke that adds most at low-rate sample `at`, if it is one.
std::optional<Hit> Rings::stroke(std::ptrdiff_t at, float usual) const {
    constexpr double kAround_ms = 8.0, kBefore_ms = 5.0, kPast_ms = 20.0; // its peak, its rise, the ring
    constexpr float kBegun = 0.3f; // of the power: twice what the ring's rest may be (kLeastStepDb), and more
    const float now = low_.added[static_cast<std::size_t>(at)];
    if (now < from_db(-kSoftestDb) * usual ||
        now < low_.most(at - low_.ms(kAround_ms), at + low_.ms(kAround_ms)))
        return std::nullopt;
    if (now < from_db(kLeastStepDb) * low_.most(at - low_.ms(kPast_ms), at - low_.ms(kBefore_ms)))
        return std::nullopt;
    auto begins = std::max<std::ptrdiff_t>(at - low_.ms(kBefore_ms), 0);
    while (low_.added[static_cast<std::size_t>(begins)] < kBegun * now) ++begins;
    const double time_s = static_cast<double>(begins + low_.ms(2.0) - 1) / low_.rate_hz;
    if (now < from_db(kLeastOverOthersDb) * others_add(time_s)) return std::nullopt;
    return Hit{time_s, Drum::snare, median_db_ + decibels(now / usual), false};
}

std::vector<Hit> Rings::covered() {
    std::vector<Hit> out;
    if (own_.size() < kFewestStrokes) return out;
    const auto rings = undisturbed();
    if (rings.size() < kFewestRings) return out;
    take_off(foretell(rings));
    learn_others();
    const float most = usual();
    for (std::size_t i = 0; most > 0.0f && i < own_.size(); ++i) {
        double end_s = own_[i].time_s + kRing_s;
        if (i + 1 < own_.size()) end_s = std::min(end_s, own_[i + 1].time_s - kBeside_s);
        const auto last = std::min(low_.at(end_s), std::ssize(low_.added));
        for (auto n = std::max<std::ptrdiff_t>(low_.at(own_[i].time_s + kBeside_s), 0); n < last; ++n)
            if (const auto hit = stroke(n, most)) out.push_back(*hit);
    }
    return out;
}

} // namespace

std::vector<Hit> ghosts_under_ring(const Take& take, std::span<const ClockedHit> hits,
                                   std::span<const double> late_s) {
    const auto mic = own_mic(take.mics, Drum::snare);
    if (!mic) return {};
    return Rings(take, *mic, hits, late_s[*mic]).covered();
}

} // namespace kitfold::dsp
