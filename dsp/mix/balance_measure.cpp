#include "core/median.h"
#include "core/units.h"
#include "filters/k_weighting.h"
#include "mix/balance.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <optional>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr double kWarmUp_s = 0.5; // a gate's hold and release, and the ring of a filter
constexpr std::size_t kMostStrokes = 32, kEnoughStrokes = 3; // three: the fewest that have a middle
constexpr std::size_t kBlock = 4'096;
constexpr double kGate_db = 10.0; // ITU-R BS.1770-4, relative gate

struct Stroke {
    std::size_t drum = 0; ///< number in Drum
    std::int64_t start = 0;
    unsigned with = 0;  ///< drums that sound with it, one bit each
    double scale = 1.0; ///< of its power, to the drum's mean
    std::vector<double> power;
};

std::int64_t start_of(const Hit& hit, double rate_hz) {
    return std::llround((hit.time_s - kStrokeBefore_ms / 1'000.0) * rate_hz);
}

/// How much a drum's stroke drowns another: skins most, then crashes and ride, a hi-hat least.
int heaviness(Drum drum) noexcept { return !is_plate(drum) ? 3 : drum == Drum::hihat ? 1 : 2; }

/// What else sounds in a stroke's time.
struct Company {
    int most = 0;       ///< heaviness of the heaviest, if it is no lighter than the stroke's own drum
    unsigned drums = 0; ///< one bit each
};

/// Other drums struck within a stroke's time, or just before so that they ring on.
Company company(const Hit& stroke, std::span<const Hit> hits) {
    constexpr double kRingsOn_s = 0.1;
    Company out;
    for (const auto& other : hits) {
        const double after_s = other.time_s - stroke.time_s;
        if (other.drum == stroke.drum || after_s <= -kRingsOn_s ||
            after_s >= (kStroke_ms - kStrokeBefore_ms) / 1'000.0)
            continue;
        out.drums |= 1u << unsigned(other.drum);
        if (heaviness(other.drum) >= heaviness(stroke.drum))
            out.most = std::max(out.most, heaviness(other.drum));
    }
    return out;
}

/// One drum's strokes but the soft ones, in order of time.
std::vector<const Hit*> loud_ones(std::span<const Hit> hits, Drum drum) {
    std::vector<const Hit*> own;
    double sum = 0.0;
    for (const auto& hit : hits)
        if (hit.drum == drum) own.push_back(&hit), sum += power_from_db(hit.strength_db);
    if (own.empty()) return own;
    const double least_db = db_from_power(sum / double(own.size())) - kGate_db;
    std::erase_if(own, [=](const Hit* h) { return h->strength_db < least_db; });
    return own;
}

/// Runs some mics' strips over the strokes' surroundings and sums up what every two have in common.
class Listener {
public:
    /// @param which  the mics, as many as strips
    Listener(const Take& take, std::vector<std::size_t> which, std::span<const MicStrip> strips,
             const KitKeyTable& table)
        : take_(take), which_(std::move(which)), mics_(strips.size()), in_(mics_, std::vector<float>(kBlock)),
          out_(in_), left_(kBlock), right_(kBlock) {
        std::vector<MicStrip> plain(strips.begin(), strips.end());
        for (auto& s : plain) s.mix.mute = s.mix.solo = false;
        (void)mix_.prepare(take.rate_hz, plain, {}, {}, 0.0, best_isa(), table);
        third_ = std::llround(kStroke_ms / 3'000.0 * take.rate_hz);
        for (std::size_t m = 0; m < mics_; ++m) {
            ins_.push_back(in_[m].data()), outs_.push_back(out_[m].data());
            weighted_.emplace_back(std::size_t(5 * third_));
        }
    }

    /// Each stroke anew, so that what is found of one does not depend on which others were chosen.
    void hear(Stroke& stroke) {
        mix_.reset();
        weighting_.assign(mics_, KWeighting<double>(take_.rate_hz));
        std::int64_t at = stroke.start - std::llround(kWarmUp_s * take_.rate_hz);
        const std::int64_t heard = stroke.start + std::int64_t(mix_.latency());
        const std::int64_t begin = heard - 2 * third_, end = heard + 3 * third_;
        while (at < end) {
            const auto count = std::size_t(std::min<std::int64_t>(kBlock, end - at));
            for (std::size_t m = 0; m < mics_; ++m) take_.read(which_[m], at, std::span(in_[m]).first(count));
            mix_.process(ins_.data(), left_.data(), right_.data(), count, outs_.data());
            for (std::size_t m = 0; m < mics_; ++m) {
                weighting_[m].process(outs_[m], outs_[m], count);
                const auto from = std::max(at, begin);
                if (from < at + std::int64_t(count))
                    std::copy(outs_[m] + (from - at), outs_[m] + count,
                              weighted_[m].begin() + (from - begin));
            }
            at += std::int64_t(count);
        }
        sum_up(stroke);
    }

private:
    /// What rang before goes on as it was falling, and is none of the stroke's.
    void sum_up(Stroke& stroke) const {
        std::vector<double> goes_on(mics_);
        for (std::size_t m = 0; m < mics_; ++m) {
            if (own_drum(take_.mics[which_[m]].role) == Drum(stroke.drum)) continue;
            const double first = common(m, m, 0, 1);
            const double falls = first > 0.0 ? std::min(common(m, m, 1, 2) / first, 1.0) : 0.0;
            goes_on[m] = std::sqrt(falls * (1.0 + falls * (1.0 + falls)) / 3.0);
        }
        stroke.power.assign(mics_ * mics_, 0.0);
        for (std::size_t i = 0; i < mics_; ++i)
            for (std::size_t j = i; j < mics_; ++j) {
                double power = common(i, j, 2, 5) - goes_on[i] * goes_on[j] * common(i, j, 1, 2);
                if (i == j) power = std::max(power, 0.0);
                stroke.power[i * mics_ + j] = stroke.power[j * mics_ + i] = power;
            }
    }

    /// Mean product of two mics. @param from, to  in thirds of a stroke's time; it begins at the second
    [[nodiscard]] double common(std::size_t i, std::size_t j, std::int64_t from, std::int64_t to) const {
        double sum = 0.0;
        for (auto n = std::size_t(from * third_); n < std::size_t(to * third_); ++n)
            sum += double(weighted_[i][n]) * double(weighted_[j][n]);
        return sum / double((to - from) * third_);
    }

    const Take& take_;
    std::vector<std::size_t> which_;
    std::size_t mics_;
    KitMix mix_;
    std::int64_t third_ = 0;
    std::vector<KWeighting<double>> weighting_;
    std::vector<std::vector<float>> in_, out_, weighted_;
    std::vector<float> left_, right_;
    std::vector<const float*> ins_;
    std::vector<float*> outs_;
};

/// How loud each of some strokes is in the drum's own mic, dB, with its filters and without its gate; empty
/// without such a mic.
std::vector<double> own_loudness_db(const Take& take, std::span<const MicStrip> strips,
                                    std::span<const Hit* const> hits, Drum drum) {
    const auto own = own_mic(take.mics, drum);
    if (!own) return {};
    MicStrip plain = strips[*own];
    plain.gate.reset();
    Listener listener(take, {*own}, std::span(&plain, 1), {});
    std::vector<double> out;
    for (const auto* hit : hits) {
        Stroke stroke{std::size_t(drum), start_of(*hit, take.rate_hz), 0, 1.0, {}};
        listener.hear(stroke);
        out.push_back(db_from_power(stroke.power.front()));
    }
    return out;
}

/// How loud a drum is struck on the mean, by its own mic; nothing without one, or when a snare, which says
/// nothing of a plate, falls into all its strokes.
std::optional<double> mean_loudness_db(std::span<const double> loudness_db,
                                       std::span<const Company> companies, Drum drum) {
    double sum = 0.0, count = 0.0;
    for (std::size_t n = 0; n < loudness_db.size(); ++n) {
        const bool snare = (companies[n].drums >> unsigned(Drum::snare) & 1u) != 0;
        if ((is_plate(drum) && snare) || !std::isfinite(loudness_db[n])) continue;
        sum += power_from_db(loudness_db[n]), count += 1.0;
    }
    return count > 0.0 ? std::optional(db_from_power(sum / count)) : std::nullopt;
}

/// Strokes of one drum that speak for it: the least disturbed, and of these the ones most like the mean.
/// Those that come alone are the softer ones, a hi-hat's accents fall on the kick's: each is to be brought to
/// the mean of all.
std::vector<Stroke> choose(const Take& take, std::span<const Hit> hits, std::span<const MicStrip> strips,
                           Drum drum) {
    const auto own = loud_ones(hits, drum);
    std::vector<Company> companies;
    for (const auto* hit : own) companies.push_back(company(*hit, hits));
    const auto loudness_db = own_loudness_db(take, strips, own, drum);
    const auto mean_db = mean_loudness_db(loudness_db, companies, drum);
    const auto below_db = [&](std::size_t n) { return mean_db ? *mean_db - loudness_db[n] : 0.0; };
    std::vector<std::size_t> order;
    for (std::size_t n = 0; n < own.size(); ++n)
        if (std::isfinite(below_db(n))) order.push_back(n); // not where its mic drops out
    std::stable_sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
        return std::pair(companies[a].most, std::abs(below_db(a))) <
               std::pair(companies[b].most, std::abs(below_db(b)));
    });
    std::vector<Stroke> out;
    for (std::size_t n = 0; n < order.size() && out.size() < kMostStrokes; ++n) {
        const auto& with = companies[order[n]];
        if (out.size() >= kEnoughStrokes && with.most > companies[order[n - 1]].most) break;
        // beside something as heavy, every other drum's mic may be ringing
        const unsigned others = ~(1u << unsigned(drum));
        out.push_back({std::size_t(drum),
                       start_of(*own[order[n]], take.rate_hz),
                       others & (with.most > 0 ? ~0u : with.drums),
                       power_from_db(below_db(order[n])),
                       {}});
    }
    return out;
}

/// The strokes' power in all mics, each mic counted alike whatever its level.
std::vector<double> weights_of(std::span<const Stroke> strokes, std::size_t mics) {
    std::vector<double> out(strokes.size(), 0.0);
    for (std::size_t m = 0; m < mics; ++m) {
        double sum = 0.0;
        for (const auto& s : strokes) sum += s.power[m * mics + m];
        for (std::size_t n = 0; n < out.size(); ++n)
            if (sum > 0.0) out[n] += strokes[n].power[m * mics + m] / sum;
    }
    return out;
}

/// Mean of the middle half.
StrokePower middle_of(std::span<const Stroke> strokes, Drum drum, std::size_t mics) {
    const auto weights = weights_of(strokes, mics);
    std::vector<std::size_t> order(strokes.size());
    for (std::size_t n = 0; n < order.size(); ++n) order[n] = n;
    std::stable_sort(order.begin(), order.end(),
                     [&](std::size_t a, std::size_t b) { return weights[a] < weights[b]; });
    const auto cut = order.size() / 4;
    StrokePower out{drum, strokes.size(), std::vector<double>(mics * mics, 0.0)};
    for (std::size_t n = cut; n < order.size() - cut; ++n)
        for (std::size_t k = 0; k < out.power.size(); ++k)
            out.power[k] += strokes[order[n]].power[k] / double(order.size() - 2 * cut);
    return out;
}

/// Takes out the close mics of drums that sound with it.
void leave_own(Stroke& stroke, std::span<const TakeMic> mics) {
    const auto foreign = [&](std::size_t m) {
        const auto own = own_drum(mics[m].role);
        return own && (stroke.with >> unsigned(*own) & 1u) != 0;
    };
    for (std::size_t i = 0; i < mics.size(); ++i)
        for (std::size_t j = 0; j < mics.size(); ++j)
            if (foreign(i) || foreign(j)) stroke.power[i * mics.size() + j] = 0.0;
}

/// A crash is struck once in some bars, a hi-hat or a ride every second at least (common practice, no
/// source); where both are, the louder ones decide.
bool keeps_time(std::span<const Hit> hits, Drum drum) {
    constexpr std::size_t kFewest = 8;
    const auto own = loud_ones(hits, drum);
    std::vector<double> gaps_s;
    for (std::size_t n = 1; n < own.size(); ++n) gaps_s.push_back(own[n]->time_s - own[n - 1]->time_s);
    return gaps_s.size() >= kFewest && median(std::move(gaps_s)) < 1.0;
}

} // namespace

MeasuredBalance measure_balance(const Take& take, std::span<const Hit> hits, std::span<const MicStrip> strips,
                                const KitKeyTable& table, const std::function<void(double)>& progress) {
    MeasuredBalance out{strips.size(), {}};
    std::vector<Stroke> strokes;
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        auto chosen = choose(take, hits, strips, Drum(d));
        std::move(chosen.begin(), chosen.end(), std::back_inserter(strokes));
    }
    std::vector<std::size_t> all(strips.size());
    std::iota(all.begin(), all.end(), std::size_t{0});
    Listener listener(take, std::move(all), strips, table);
    for (std::size_t n = 0; n < strokes.size(); ++n) {
        listener.hear(strokes[n]);
        if (progress) progress(double(n + 1) / double(strokes.size()));
    }
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        std::vector<Stroke> own;
        for (auto& s : strokes)
            if (s.drum == d) own.push_back(std::move(s));
        if (own.empty()) continue;
        for (auto& s : own) {
            leave_own(s, take.mics);
            for (auto& power : s.power) power *= s.scale;
        }
        out.drums.push_back(middle_of(own, Drum(d), strips.size()));
        out.drums.back().keeps_time = Drum(d) == Drum::cymbals && keeps_time(hits, Drum::cymbals);
    }
    return out;
}

} // namespace kitfold::dsp
