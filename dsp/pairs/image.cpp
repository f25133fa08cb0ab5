#include "pairs/image.h"
#include "core/fft.h"
#include "core/median.h"
#include "core/units.h"
#include "core/windows.h"
#include "pairs/drum_judge.h"
#include "take/excerpts.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>

namespace kitfold::dsp {

namespace {

using Complex = std::complex<float>;

// Of twelve hits a kick under others was 5 dB off; six that are alone need no others beside them; three are
// the fewest that have a middle.
constexpr std::size_t kMostHits = 80, kEnough = 6, kFewestHits = 3;
constexpr double kDirectMs = 2.0;   // of the attack, before walls and floor answer
constexpr double kCymbalMs = 8.0;   // a cymbal rises slowly, and to both alike
constexpr double kCymbalHz = 600.0; // below it a cymbal says little, and drums ring

/// One stretch of every hit in one mic, `at_ms` after the hit on.
class Stretch {
public:
    Stretch(const DrumExcerpts& hits, std::size_t mic, double at_ms, double length_ms, const RealFft& fft)
        : bins_(fft.bins()), spectra_(hits.hits() * fft.bins()) {
        const double ms = hits.rate_hz() / 1000.0;
        std::vector<float> x(fft.size());
        for (std::size_t n = 0; n < hits.hits(); ++n) {
            const double start = static_cast<double>(hits.origin()) + (at_ms - 0.5) * ms + hits.late(n);
            const double end = start + (length_ms + 0.5) * ms, soft = 0.3 * (end - start);
            const auto first = static_cast<std::ptrdiff_t>(start) - 2;
            const auto in = hits.of(mic, n);
            for (std::ptrdiff_t i = 0; i < std::ssize(x); ++i) {
                const auto from = first + i;
                const double w = raised_cosine((static_cast<double>(from) - start) / (0.3 * ms)) *
                                 raised_cosine((end - static_cast<double>(from)) / soft);
                x[i] = from >= 0 && from < std::ssize(in) ? static_cast<float>(w) * in[from] : 0.0f;
            }
            fft.forward(x, std::span(spectra_).subspan(n * bins_, bins_));
        }
    }
    [[nodiscard]] std::span<const Complex> of(std::size_t hit) const {
        return std::span(spectra_).subspan(hit * bins_, bins_);
    }

private:
    std::size_t bins_;
    std::vector<Complex> spectra_;
};

/// Sum over the bins from `lowest` on of the power of hit n.
double power(const Stretch& x, std::size_t n, std::size_t lowest) {
    double sum = 0.0;
    for (const auto& v : x.of(n).subspan(lowest)) sum += static_cast<double>(std::norm(v));
    return sum;
}

/// Level of two mics' direct sound, left re right in dB: what each has in common with the drum's own mic,
/// which keeps other drums out; for a cymbal, which rings between its strokes, what the two rise by.
class DirectLevels {
public:
    DirectLevels(const DrumExcerpts& hits, double rate_hz, double length_ms)
        : hits_(hits), length_ms_(length_ms),
          fft_(fast_fft_size(static_cast<std::size_t>((length_ms + 2.0) * rate_hz / 1000.0) + 8)),
          bin_hz_(rate_hz / static_cast<double>(fft_.size())) {}

    [[nodiscard]] double by_own_mic(std::size_t own, std::size_t left, double left_ms, std::size_t right,
                                    double right_ms) const {
        return upper_median(each_by_own_mic(own, left, left_ms, right, right_ms));
    }

    [[nodiscard]] std::vector<double> each_by_own_mic(std::size_t own, std::size_t left, double left_ms,
                                                      std::size_t right, double right_ms) const {
        const Stretch o(hits_, own, 0.0, length_ms_, fft_), l(hits_, left, left_ms, length_ms_, fft_),
            r(hits_, right, right_ms, length_ms_, fft_);
        std::vector<double> differences;
        for (std::size_t n = 0; n < hits_.hits(); ++n) {
            double a = 1e-30, b = 1e-30;
            for (std::size_t k = 1; k < fft_.bins(); ++k) {
                const double own_power = static_cast<double>(std::norm(o.of(n)[k]));
                a += own_power * static_cast<double>(std::norm(l.of(n)[k]));
                b += own_power * static_cast<double>(std::norm(r.of(n)[k]));
            }
            differences.push_back(db_from_power(a / b));
        }
        return differences;
    }

    [[nodiscard]] double by_rise(std::size_t left, double left_ms, std::size_t right, double right_ms) const {
        const auto lowest = static_cast<std::size_t>(kCymbalHz / bin_hz_) + 1;
        const double earlier = length_ms_ + 1.0;
        const Stretch l(hits_, left, left_ms, length_ms_, fft_),
            l0(hits_, left, left_ms - earlier, length_ms_, fft_);
        const Stretch r(hits_, right, right_ms, length_ms_, fft_),
            r0(hits_, right, right_ms - earlier, length_ms_, fft_);
        std::vector<double> differences;
        for (std::size_t n = 0; n < hits_.hits(); ++n) {
            const double a = power(l, n, lowest) - power(l0, n, lowest),
                         b = power(r, n, lowest) - power(r0, n, lowest);
            if (a > 0.0 && b > 0.0) differences.push_back(db_from_power(a / b));
        }
        return upper_median(std::move(differences));
    }

private:
    const DrumExcerpts& hits_;
    double length_ms_;
    RealFft fft_;
    double bin_hz_;
};

/// Where in the excerpts a mic first steps up, in ms re the hit: for cymbals, whose hits are timed by the
/// first mic.
double onset_ms(const DrumExcerpts& hits, std::size_t mic) {
    const double ms = hits.rate_hz() / 1000.0, step = 0.25;
    std::vector<double> levels;
    for (double t = -3.0; t < 15.0; t += step) {
        const auto first = static_cast<std::ptrdiff_t>(static_cast<double>(hits.origin()) + t * ms);
        double sum = 0.0;
        for (std::size_t n = 0; n < hits.hits(); ++n) {
            const auto x = hits.of(mic, n);
            double e = 1e-12;
            for (auto i = std::max<std::ptrdiff_t>(first, 1);
                 i < first + static_cast<std::ptrdiff_t>(step * ms); ++i) {
                const double d = static_cast<double>(x[i]) - static_cast<double>(x[i - 1]);
                e += d * d;
            }
            sum += std::log10(e);
        }
        levels.push_back(sum);
    }
    std::size_t best = 4;
    double most = 0.0;
    for (std::size_t i = 4; i + 2 < levels.size(); ++i) {
        const double up =
            levels[i] + levels[i + 1] - 0.5 * (levels[i - 1] + levels[i - 2] + levels[i - 3] + levels[i - 4]);
        if (up > most) most = up, best = i;
    }
    return -3.0 + static_cast<double>(best) * step;
}

/// align() counts from an onset that it looks for near the hit only.
double mean_late_ms(const DrumExcerpts& hits) {
    double sum = 0.0;
    for (std::size_t n = 0; n < hits.hits(); ++n) sum += hits.late(n);
    return sum / static_cast<double>(hits.hits()) * 1000.0 / hits.rate_hz();
}

struct Totals {
    double left = 0.0, right = 0.0, both = 0.0;
    void operator+=(const Totals& o) { left += o.left, right += o.right, both += o.both; }
    [[nodiscard]] double mono_loss_db() const {
        const double apart = left + right;
        return apart > 0.0 ? db_from_power(2.0 * apart / std::max(1e-12 * apart, apart + 2.0 * both)) : 0.0;
    }
    [[nodiscard]] double correlation() const {
        return left * right > 0.0 ? both / std::sqrt(left * right) : 0.0;
    }
};

class ImageJudge {
public:
    ImageJudge(const Take& take, std::size_t left, std::size_t right)
        : take_(take), left_(left), right_(right) {}

    [[nodiscard]] std::optional<ImageRow> judge(std::span<const Hit> all, Drum drum) {
        constexpr double kBeforeMs = 50.0, kAfterMs = 200.0; // what rang; what is summed of a drum in mono
        const auto own = own_mic(take_.mics, drum);
        // A drum with a mic of its own stands out from what is hit with it if there are many hits; plates are
        // struck alone often enough, and without a mic of their own only such hits show them.
        const bool plate = is_plate(drum);
        const auto enough = !own ? kEnough : plate ? 2 * kEnough : kMostHits;
        const std::array mics{left_, right_, own.value_or(left_)};
        DrumExcerpts hits(take_, all, drum, kBeforeMs, kAfterMs, kMostHits, enough,
                          std::span(mics).first(own ? 3 : 2));
        if (hits.hits() < kFewestHits) return std::nullopt;
        hits.align(own.value_or(left_));
        ImageRow row;
        row.drum = drum, row.hits = hits.hits();
        const DirectLevels direct(hits, take_.rate_hz, plate ? kCymbalMs : kDirectMs);
        DrumJudge arrivals(take_, all, drum, own.value_or(left_), std::span(mics).first(own ? 3 : 2));
        arrivals.set_late(std::vector(take_.mics.size(), 0.0));
        const auto pair = arrivals.judge(left_, right_);
        row.confidence = pair.confidence;
        row.time_difference_ms = pair.delay_ms;
        const double recorded_ms = pair.delay_ms - take_.mics[right_].delay_ms + take_.mics[left_].delay_ms;
        const double left_ms = !own            ? onset_ms(hits, left_) - mean_late_ms(hits)
                               : pair.judged() ? arrivals.heard_ms(left_)
                                               : 0.0;
        const double right_ms = left_ms + recorded_ms;
        row.level_difference_db = own && !plate ? direct.by_own_mic(*own, left_, left_ms, right_, right_ms)
                                                : direct.by_rise(left_, left_ms, right_, right_ms);
        settle(hits, row);
        if (own && !pair.judged()) row.side_db = side_db(hits, *own);
        return row;
    }
    [[nodiscard]] const Totals& kit() const { return kit_; }

private:
    /// Which side a drum is on when neither overhead shows its arrival: from the own mic's onset as long as
    /// the attack can come. Walls have a part in it, so it is no level to place the drum by; none where the
    /// strokes don't agree on it to 0.5 dB, three sigma of their mean.
    [[nodiscard]] std::optional<double> side_db(const DrumExcerpts& hits, std::size_t own) const {
        constexpr double kLengthMs = 9.0 + kDirectMs, kSureDb = 0.5; // an overhead hears it within 9 ms
        const auto each =
            DirectLevels(hits, take_.rate_hz, kLengthMs).each_by_own_mic(own, left_, 0.0, right_, 0.0);
        const double middle = upper_median(each);
        double square = 0.0;
        for (const double x : each) square += (x - middle) * (x - middle);
        if (3.0 * std::sqrt(square) > kSureDb * static_cast<double>(each.size())) return std::nullopt;
        return middle + take_.mics[left_].level_db - take_.mics[right_].level_db;
    }

    /// What the session sets, and the whole sound of the hits.
    void settle(const DrumExcerpts& hits, ImageRow& row) {
        const TakeMic &l = take_.mics[left_], &r = take_.mics[right_];
        row.level_difference_db += l.level_db - r.level_db;
        const double gl = gain_from_db(l.level_db) * (l.inverted ? -1.0 : 1.0),
                     gr = gain_from_db(r.level_db) * (r.inverted ? -1.0 : 1.0);
        const auto shift = std::lround((r.delay_ms - l.delay_ms) * take_.rate_hz / 1000.0);
        Totals sum;
        for (std::size_t n = 0; n < hits.hits(); ++n) {
            const auto x = hits.of(left_, n), y = hits.of(right_, n);
            for (auto i = static_cast<std::ptrdiff_t>(hits.origin()); i < std::ssize(x); ++i) {
                const auto j = i - shift;
                if (j < 0 || j >= std::ssize(y)) continue;
                const double a = gl * static_cast<double>(x[i]), b = gr * static_cast<double>(y[j]);
                sum.left += a * a, sum.right += b * b, sum.both += a * b;
            }
        }
        row.mono_loss_db = sum.mono_loss_db();
        row.correlation = sum.correlation();
        kit_ += sum;
        constexpr double kTogetherMs = 0.1; // 3.4 cm: two capsules in one place
        if (std::abs(row.time_difference_ms) < kTogetherMs)
            row.angle_deg = coincident_angle_deg(row.level_difference_db);
    }

    const Take& take_;
    std::size_t left_, right_;
    Totals kit_;
};

PairKind kind_of(std::span<const ImageRow> rows) {
    constexpr double kCoincidentMs = 0.12, kNearMs = 0.6; // near-coincident pairs are up to some 20 cm apart
    double widest = 0.0;
    bool known = false;
    for (const auto& row : rows)
        if (row.confidence >= 0.5) widest = std::max(widest, std::abs(row.time_difference_ms)), known = true;
    if (!known) return PairKind::none;
    return widest < kCoincidentMs ? PairKind::coincident
           : widest < kNearMs     ? PairKind::near_coincident
                                  : PairKind::spaced;
}

} // namespace

double coincident_level_difference_db(double angle_deg) noexcept {
    const double left = (angle_deg - 45.0) * std::numbers::pi / 180.0,
                 right = (angle_deg + 45.0) * std::numbers::pi / 180.0;
    return db_from_gain((1.0 + std::cos(left)) / (1.0 + std::cos(right)));
}

std::optional<double> coincident_angle_deg(double level_difference_db) noexcept {
    double low = -90.0, high = 90.0;
    if (!(level_difference_db >= coincident_level_difference_db(low) &&
          level_difference_db <= coincident_level_difference_db(high)))
        return std::nullopt;
    for (int i = 0; i < 60; ++i) { // rises all the way, so halving finds it
        const double middle = 0.5 * (low + high);
        (coincident_level_difference_db(middle) < level_difference_db ? low : high) = middle;
    }
    return 0.5 * (low + high);
}

Image judge_image(const Take& take, std::span<const Hit> hits) {
    Image image;
    const auto pair = overhead_pair(take.mics);
    if (!pair) return image;
    image.left = pair->left, image.right = pair->right;
    ImageJudge judge(take, pair->left, pair->right);
    for (std::size_t d = 0; d < kDrumCount; ++d)
        if (auto row = judge.judge(hits, static_cast<Drum>(d))) image.rows.push_back(*row);
    image.kind = kind_of(image.rows);
    image.mono_loss_db = judge.kit().mono_loss_db();
    if (image.kind != PairKind::coincident)
        for (auto& row : image.rows) row.angle_deg.reset();
    return image;
}

} // namespace kitfold::dsp
