#include "ring/damp_learn.h"
#include "core/median.h"
#include "core/units.h"
#include "dynamics/damp.h"
#include "filters/filtered.h"
#include "ring/damp_model.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <numeric>
#include <optional>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr double kTopHz = 2'000.0;    // above it all of what is left of the Damp block's top
constexpr double kSamePartial = 0.05; // a partial may move by this part of itself when the drum is deadened
// Half bandwidth re the alpha that the band is to leave: such a ring's own line is alpha wide to either side.
constexpr double kWidthPerDecay = 1.5;
constexpr double kHighestQ = 4.0; // the pitch of a hard stroke glides
// A drum has more partials than bands. A band far from the next is wider, so that what rings between them is
// damped too and a glide matters less; the last takes all that is above it.
constexpr double kLowestQ = 2.0, kLastQ = 1.0;
constexpr double kReach = 0.9; // widest half bandwidth re the distance to the next band: nearly to it
// Least distance of two bands re the sum of their half bandwidths: up to 400 Hz partials 20 Hz apart have one
// each. In a band that they shared, the stronger was left up to 125 % too long.
constexpr double kApart = 0.2;
constexpr double kClearDb = -30.0; // worth a band: the outer kick mic hears strong partials weakly
constexpr double kAbove = 1.35;    // highest partial that only the deadened drum shows re that of the open
constexpr double kOdd = 0.3; // off the trend by this in log ring time, nearly four kScatter: something else
constexpr double kDbPerNeper = 8.685889638065037;

/// How alpha goes with frequency: log alpha on log Hz, a straight line that trusts each partial as far as its
/// hits agree, and less the further it is off: what the wires rattle or the next drum hums can agree with
/// itself over all hits and yet be no partial. Least squares, reweighted as for errors by Student's t with
/// three degrees of freedom (Lange, Little and Taylor 1989, from memory).
class Trend {
public:
    explicit Trend(const std::vector<RingPartial>& partials) {
        constexpr int kRounds = 8; // chosen, not derived: after one or two an outlier still pulls the line
        fit(partials, false);
        for (int round = 0; round < kRounds; ++round) fit(partials, true);
    }
    [[nodiscard]] double alpha(double hz) const { return std::exp(at_1_hz_ + slope_ * std::log(hz)); }
    /// What was measured where the hits agree, what the others say where they don't: twin modes a hertz apart
    /// beat, and a hit tells little of their decay.
    [[nodiscard]] double alpha(const RingPartial& p) const {
        const double own = 1.0 / variance(p), common = 1.0 / (kScatter * kScatter);
        return std::exp((own * std::log(decay_rate(p.ring_ms)) + common * std::log(alpha(p.hz))) /
                        (own + common));
    }

private:
    static constexpr double kScatter = 0.08; // of log alpha round the line, from one partial to the next
    static double variance(const RingPartial& p) {
        // All hits agree on what their neighbours do to a weak partial, too.
        const double error = p.hits > 1 ? 1.2 * p.spread : 0.1,
                     common_error = 0.02 * std::pow(10.0, -p.level_db / 40.0);
        return error * error + common_error * common_error;
    }
    /// @param doubting by the line found before
    void fit(const std::vector<RingPartial>& partials, bool doubting) {
        double w = 0, x = 0, y = 0, xx = 0, xy = 0;
        for (const auto& p : partials) {
            const double a = std::log(p.hz), b = std::log(decay_rate(p.ring_ms)),
                         all = variance(p) + kScatter * kScatter, off = b - at_1_hz_ - slope_ * a;
            const double trust = 1.0 / (doubting ? all + off * off / 3.0 : all);
            w += trust, x += trust * a, y += trust * b, xx += trust * a * a, xy += trust * a * b;
        }
        const double spread = w * xx - x * x;
        slope_ = spread > 1e-6 * w * w ? std::clamp((w * xy - x * y) / spread, -1.0, 2.0) : 0.0;
        at_1_hz_ = (y - slope_ * x) / w;
    }
    double slope_ = 0.0, at_1_hz_ = 0.0;
};

/// Alpha that each open partial is to have, from the drum really deadened. What is not found there goes by
/// the trend.
std::vector<double> measured_target(const std::vector<RingPartial>& open,
                                    const std::vector<RingPartial>& deadened) {
    std::vector<RingPartial> same;
    std::vector<std::optional<std::size_t>> match(open.size());
    for (std::size_t i = 0; i < open.size(); ++i) {
        const auto distance = [&](const RingPartial& d) { return std::abs(std::log(d.hz / open[i].hz)); };
        const auto best =
            std::min_element(deadened.begin(), deadened.end(),
                             [&](const auto& a, const auto& b) { return distance(a) < distance(b); });
        if (distance(*best) > kSamePartial) continue;
        match[i] = same.size();
        same.push_back(*best);
    }
    const Trend trend(same.empty() ? deadened : same);
    std::vector<double> out;
    for (std::size_t i = 0; i < open.size(); ++i)
        out.push_back(match[i] ? trend.alpha(same[*match[i]]) : trend.alpha(open[i].hz));
    return out;
}

std::vector<double> shared_target(const std::vector<RingPartial>& open, const std::vector<double>& alpha,
                                  double share) {
    std::vector<double> out;
    const double first = alpha.front() * (1.0 / share - 1.0);
    for (std::size_t i = 0; i < open.size(); ++i)
        out.push_back(alpha[i] + first * std::sqrt(open[i].hz / open.front().hz));
    return out;
}

/// A strong partial that only the deadened drum shows clearly (in the open one twin modes beat for longer):
/// its open decay by the trend.
void add_missed(std::vector<LearnedPartial>& partials, const Trend& trend,
                const std::vector<RingPartial>& deadened) {
    const Trend dead(deadened);
    const double highest_hz = partials.back().hz, lowest_hz = partials.front().hz;
    for (const auto& d : deadened) {
        const auto near = [&](const LearnedPartial& p) {
            return std::abs(std::log(d.hz / p.hz)) < kSamePartial;
        };
        const double open_ms = ring_time(trend.alpha(d.hz)),
                     odd = std::log(ring_time(dead.alpha(d.hz)) / d.ring_ms);
        if (d.level_db < kClearDb || d.hz < lowest_hz || d.hz > kAbove * highest_hz || std::abs(odd) > kOdd ||
            d.ring_ms > open_ms)
            continue;
        if (std::none_of(partials.begin(), partials.end(), near))
            partials.push_back({d.hz, open_ms, d.ring_ms, d.level_db, d.range_db, open_ms, 0});
    }
    std::sort(partials.begin(), partials.end(), [](const auto& a, const auto& b) { return a.hz < b.hz; });
}

double weight_of(const LearnedPartial& p) noexcept { return power_from_db(p.level_db) * p.open_ring_ms; }

/// Partials that one band is to catch, with the energy they ring with as weight.
struct Group {
    double weight = 0.0, log_hz = 0.0, open = 0.0, target = 0.0; // sums
    double low_hz = 0.0, high_hz = 0.0;
    std::vector<std::size_t> partials;
    void add(std::size_t index, const LearnedPartial& p) {
        const double w = weight_of(p);
        weight += w, log_hz += w * std::log(p.hz);
        open += w * decay_rate(p.open_ring_ms), target += w * decay_rate(p.ring_ms);
        low_hz = partials.empty() ? p.hz : std::min(low_hz, p.hz), high_hz = std::max(high_hz, p.hz);
        partials.push_back(index);
    }
    [[nodiscard]] double hz() const { return std::exp(log_hz / weight); }
    [[nodiscard]] double wanted() const { return target / weight; } // alpha
    [[nodiscard]] double least_width() const {
        return std::max(kWidthPerDecay * wanted(), std::numbers::pi * hz() / kHighestQ);
    }
};

/// At most kRingBands groups, none closer to the next than their widths allow: the block could not tell them
/// apart. Of too many partials the weakest go without a band of their own.
std::vector<Group> grouped(const std::vector<LearnedPartial>& partials) {
    std::vector<Group> out;
    auto ranked = std::vector<std::size_t>(partials.size());
    std::iota(ranked.begin(), ranked.end(), std::size_t{0});
    std::stable_sort(ranked.begin(), ranked.end(),
                     [&](auto a, auto b) { return weight_of(partials[a]) > weight_of(partials[b]); });
    ranked.resize(std::min(ranked.size(), kRingBands));
    std::sort(ranked.begin(), ranked.end());
    for (const auto i : ranked) out.emplace_back().add(i, partials[i]);
    while (out.size() > 1) {
        std::size_t best = 0;
        double least = INFINITY;
        for (std::size_t i = 0; i + 1 < out.size(); ++i) {
            const double apart = 2.0 * std::numbers::pi * (out[i + 1].low_hz - out[i].high_hz) /
                                 (out[i].least_width() + out[i + 1].least_width());
            if (apart < least) least = apart, best = i;
        }
        if (out.size() <= kRingBands && least >= kApart) break;
        for (const auto k : out[best + 1].partials) out[best].add(k, partials[k]);
        out.erase(out.begin() + static_cast<std::ptrdiff_t>(best) + 1);
    }
    return out;
}

double allowed_value(double RingBand::*member, double value) {
    const auto& parameter = parameter_of(member);
    return std::clamp(value, parameter.min, parameter.max);
}

/// @param gap_hz to the next band
RingBand band_of(const Group& group, double gap_hz, bool last) {
    RingBand band;
    const double open = group.open / group.weight, wanted = group.wanted();
    const double spread = std::numbers::pi * (group.high_hz - group.low_hz); // half of it, in rad/s
    const double half = std::numbers::pi * group.hz();
    const double reach =
        last ? half / kLastQ : std::min(half / kLowestQ, 2.0 * std::numbers::pi * kReach * gap_hz);
    const double width = std::max({kWidthPerDecay * (wanted + spread), half / kHighestQ, reach});
    band.hz = allowed_value(&RingBand::hz, group.hz());
    band.q = allowed_value(&RingBand::q, std::numbers::pi * band.hz / width);
    band.ring_ms = allowed_value(&RingBand::ring_ms, ring_time(wanted));
    band.open_ring_ms = allowed_value(&RingBand::open_ring_ms, ring_time(open));
    return band;
}

void set_bands(DampLearned& out) {
    const auto groups = grouped(out.partials);
    for (auto& p : out.partials) {
        const auto off = [&](const Group& g) { return std::abs(std::log(g.hz() / p.hz)); };
        const auto nearest = std::min_element(groups.begin(), groups.end(),
                                              [&](const auto& a, const auto& b) { return off(a) < off(b); });
        p.band = static_cast<std::size_t>(nearest - groups.begin());
    }
    out.settings.band_count = groups.size();
    for (std::size_t b = 0; b < groups.size(); ++b) {
        double gap_hz = INFINITY;
        if (b > 0) gap_hz = groups[b].hz() - groups[b - 1].hz();
        if (b + 1 < groups.size()) gap_hz = std::min(gap_hz, groups[b + 1].hz() - groups[b].hz());
        for (const auto i : groups[b].partials) out.partials[i].band = b;
        out.settings.bands[b] = band_of(groups[b], gap_hz, b + 1 == groups.size());
    }
}

/// A partial is heard to ring while it falls by 30 dB: half of the T60 that it is to have.
double log_ring_missing(const DampSettings& settings, const LearnedPartial& p) {
    const double ring_ms = damped_ring_ms(settings, p.hz, p.open_ring_ms, 0.5 * p.ring_ms);
    return ring_ms > 0.0 ? std::log(p.ring_ms / ring_ms) : 0.0;
}

/// Ring times of the bands by what they do to their partials, of which a loud one counts more. Once, and not
/// in full: as all bands move together, more rounds brought no more.
void correct_bands(DampLearned& out) {
    constexpr double kPart = 0.7, kMost = 0.3; // of log ring time; the most where a partial is not followed
    std::array<double, kRingBands> missing{}, weight{};
    for (const auto& p : out.partials) {
        const double power = power_from_db(p.level_db);
        missing[p.band] += power * log_ring_missing(out.settings, p), weight[p.band] += power;
    }
    for (std::size_t b = 0; b < out.settings.band_count; ++b) {
        auto& band = out.settings.bands[b];
        const double by = std::clamp(kPart * missing[b] / weight[b], -kMost, kMost);
        band.ring_ms =
            allowed_value(&RingBand::ring_ms, std::min(band.open_ring_ms, band.ring_ms * std::exp(by)));
    }
}

/// The top loses what the lowest partial loses, or what the drum really deadened shows.
double high_db_per_s(const DrumDecay& open, const DrumDecay* deadened, double first_rise) {
    if (open.top_ring_ms <= 0.0) return 0.0;
    double rise = first_rise;
    if (deadened != nullptr)
        rise = deadened->top_ring_ms > 0.0 ? decay_rate(deadened->top_ring_ms) - decay_rate(open.top_ring_ms)
                                           : 0.0;
    return std::round(std::clamp(kDbPerNeper * rise, 0.0, 400.0));
}

/// How far `amount` may go below 0, and to what ring time that takes each partial.
void limit_opening(DampLearned& out) {
    out.lowest_amount = -1.0;
    for (const auto& p : out.partials) { // weak ones are not heard to stop short
        if (p.level_db < -12.0) continue;
        const auto& band = out.settings.bands[p.band];
        const double octaves = std::log2(band.open_ring_ms / band.ring_ms);
        if (octaves > 0.0)
            out.lowest_amount =
                std::max(out.lowest_amount, -std::log2(p.longest_ms / p.open_ring_ms) / octaves);
    }
    out.lowest_amount = std::min(0.0, out.lowest_amount);
}

} // namespace

double top_ring_ms(std::span<const RingHit> hits, double rate_hz) {
    if (kTopHz > 0.4 * rate_hz) return 0.0;
    const auto top = Butterworth::high_pass(rate_hz, kTopHz, Slope::db_24);
    std::vector<StrokeEnergy> strokes;
    for (const auto& hit : hits)
        strokes.push_back(
            stroke_energy(energy_blocks(filtered(hit.samples, top), rate_hz), double(hit.onset) / rate_hz));
    std::vector<double> ring_ms;
    for (const auto& fit : fit_strokes(strokes))
        if (fit.late_ms > 0.0) ring_ms.push_back(fit.late_ms);
    return upper_median(std::move(ring_ms));
}

DrumDecay measure_decay(std::span<const RingHit> hits, double rate_hz) {
    return {analyse_ring(hits, rate_hz), top_ring_ms(hits, rate_hz)};
}

std::vector<RingHit> loud_hits(std::span<const float> mono, double rate_hz) {
    // Partials that beat rise by more than 6 dB too, but not over what they have been 60 ms before.
    // Blocks of 2 ms: what was before, the rise, the peak.
    constexpr std::size_t kBefore = 30, kAttack = 5, kAfter = 10;
    const auto step = static_cast<std::size_t>(std::lround(0.002 * rate_hz));
    std::vector<double> peak(mono.size() / step);
    for (std::size_t i = 0; i < peak.size(); ++i)
        for (std::size_t n = i * step; n < (i + 1) * step; ++n)
            if (std::isfinite(mono[n])) peak[i] = std::max(peak[i], std::abs(static_cast<double>(mono[n])));
    const auto highest = [&](std::size_t from, std::size_t to) {
        const auto at = [&](std::size_t i) {
            return peak.begin() + static_cast<std::ptrdiff_t>(std::min(i, peak.size()));
        };
        return at(from) == at(to) ? 0.0 : *std::max_element(at(from), at(to));
    };
    const double loudest = highest(0, peak.size());
    std::vector<std::size_t> starts;
    for (std::size_t i = kAttack + kAfter; i < peak.size();
         ++i) { // what sounds from the first block on is no hit
        const double before = highest(i < kBefore + kAttack ? 0 : i - kBefore - kAttack, i - kAttack);
        if (peak[i] == 0.0 || peak[i] < 0.1 * loudest || peak[i] < 2.0 * before) continue;
        if (!starts.empty() && i <= starts.back() + kBefore) continue;
        const double rise = std::max(2.0 * before, 0.1 * highest(i, i + kAfter));
        auto start = i; // a slow attack began earlier
        while (start > i - kAttack && peak[start - 1] >= rise) --start;
        starts.push_back(start);
    }
    std::vector<RingHit> out;
    const auto lead = static_cast<std::size_t>(0.03 * rate_hz),
               longest = static_cast<std::size_t>(3.0 * rate_hz);
    for (std::size_t h = 0; h < starts.size(); ++h) {
        const auto onset = starts[h] * step, from = onset < lead ? 0 : onset - lead;
        auto to = std::min(mono.size(), onset + longest);
        if (h + 1 < starts.size()) to = std::min(to, starts[h + 1] * step - step);
        out.push_back({mono.subspan(from, to - from), onset - from});
    }
    return out;
}

DampLearned learn_damp(const DrumDecay& open, const DampTarget& target) {
    DampLearned out;
    out.hits = open.ring.hits;
    const auto& partials = open.ring.partials;
    if (partials.empty())
        out.why_not = out.hits == 0 ? "no hit rings undisturbed for long enough to be measured"
                                    : "no partial stands out of the noise";
    else if (target.deadened != nullptr && target.deadened->ring.partials.empty())
        out.why_not = "no partial of the deadened drum stands out of the noise";
    if (!out.why_not.empty()) return out;

    const Trend trend(partials);
    std::vector<double> alpha;
    for (const auto& p : partials) alpha.push_back(trend.alpha(p));
    const auto wanted = target.deadened != nullptr ? measured_target(partials, target.deadened->ring.partials)
                                                   : shared_target(partials, alpha, target.ring_share);
    for (std::size_t i = 0; i < partials.size(); ++i) {
        const auto& p = partials[i];
        const double open_ms = ring_time(alpha[i]),
                     to_noise_db =
                         std::max(p.range_db, p.noise_db); // a stroke cut short ends above the noise
        out.partials.push_back({p.hz, open_ms, ring_time(std::max(alpha[i], wanted[i])), p.level_db,
                                p.range_db, open_ms * std::max(1.0, to_noise_db / kOpenedNoiseDb), 0});
    }
    if (target.deadened != nullptr) add_missed(out.partials, trend, target.deadened->ring.partials);
    set_bands(out);
    out.settings.amount = 1.0;
    out.settings.high_db_per_s =
        high_db_per_s(open, target.deadened, std::max(0.0, wanted.front() - alpha.front()));
    correct_bands(out);
    limit_opening(out);
    return out;
}

} // namespace kitfold::dsp
