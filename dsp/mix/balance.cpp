#include "mix/balance.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {
namespace {

constexpr double kLeastPower = 1e-12; // under the gate of -70 LUFS by a long way
constexpr double kReached_db = 0.5;   // half of what the balance promises
constexpr double kStep_db = 0.1;      // of the search for the overheads' level, as levels are written

using Mics = std::vector<std::size_t>;

double lufs(double power) { return power > kLeastPower ? lufs_from_power(power) : -kInfinity; }

bool is_skin(Drum d) { return !is_plate(d); }
bool leads(Drum d) { return d == Drum::kick || d == Drum::snare; }

/// What two groups of mics have in common, sides added up.
double common(const StrokePower& strokes, std::span<const StereoGain> gains, const Mics& a, const Mics& b) {
    double sum = 0.0;
    for (const auto i : a)
        for (const auto j : b)
            sum += (gains[i].left * gains[j].left + gains[i].right * gains[j].right) *
                   strokes.power[i * gains.size() + j];
    return sum;
}

/// Power left, right, and what both have in common.
struct Sides {
    double left = 0.0, right = 0.0, both = 0.0;
};
Sides sides_of(const StrokePower& strokes, std::span<const StereoGain> gains,
               std::span<const std::size_t> mics) {
    Sides out;
    for (const auto i : mics)
        for (const auto j : mics) {
            const double power = strokes.power[i * gains.size() + j];
            out.left += gains[i].left * gains[j].left * power;
            out.right += gains[i].right * gains[j].right * power;
            out.both += gains[i].left * gains[j].right * power;
        }
    return out;
}

Mics all_of(std::size_t count) {
    Mics all(count);
    for (std::size_t m = 0; m < count; ++m) all[m] = m;
    return all;
}

/// The mics of one drum that may be moved, as one: how far from each other they are is settled.
struct Own {
    const StrokePower* strokes = nullptr;
    Mics mics;
    std::vector<double> base_db; ///< of these mics, before the shift
    double wanted_lufs = 0.0;
    double alone_db = 0.0; ///< shift at which they alone bring the whole of the drum
    double lowest_db = 0.0, highest_db = 0.0;
    double shift_db = 0.0;
};

class Solver {
public:
    /// @param whole_lufs what 0 dB of the target is; none: as find_whole() has it
    Solver(const MeasuredBalance& measured, std::span<const BalanceMic> mics, const BalanceSettings& target,
           std::optional<double> whole_lufs = {})
        : measured_(measured), mics_(mics), target_(target), level_db_(mics.size(), 0.0),
          unheard_(mics.size(), 0) {
        for (std::size_t m = 0; m < mics.size(); ++m) level_db_[m] = mics[m].fixed_db.value_or(0.0);
        overheads_ = with([](Role r) { return is_overhead(r); });
        rooms_ = with([](Role r) { return is_room(r); });
        make_even(free_of(overheads_)), make_even(free_of(rooms_));
        find_whole();
        whole_lufs_ = whole_lufs.value_or(whole_lufs_);
        set_rooms();
        find_own();
    }

    Balance solve() {
        set_overheads();
        return result();
    }

    /// After solve(): what 0 dB of the target would have to be for the drums with a fixed mic to miss nothing
    /// on the mean; nothing where there are none.
    [[nodiscard]] std::optional<double> whole_of_anchors() const {
        double sum = 0.0, count = 0.0;
        for (const auto& strokes : measured_.drums)
            for (const auto m : of_drum(strokes.drum))
                if (mics_[m].anchors && !is_partner(m)) sum += miss_db(strokes, level_db_), count += 1.0;
        return count > 0.0 ? std::optional(whole_lufs_ + sum / count) : std::nullopt;
    }

    [[nodiscard]] double whole_lufs() const { return whole_lufs_; }

private:
    [[nodiscard]] bool audible(std::size_t m) const {
        return mics_[m].at_0_db.left != 0.0 || mics_[m].at_0_db.right != 0.0;
    }
    [[nodiscard]] bool is_free(std::size_t m) const { return audible(m) && !mics_[m].fixed_db; }
    [[nodiscard]] Mics with(auto&& fits) const {
        Mics out;
        for (std::size_t m = 0; m < mics_.size(); ++m)
            if (audible(m) && fits(mics_[m].role)) out.push_back(m);
        return out;
    }
    [[nodiscard]] Mics free_of(Mics mics) const {
        std::erase_if(mics, [&](std::size_t m) { return !is_free(m); });
        return mics;
    }
    [[nodiscard]] Mics of_drum(Drum drum) const {
        return with([&](Role r) { return own_drum(r) == drum; });
    }

    [[nodiscard]] std::vector<StereoGain> gains() const {
        std::vector<StereoGain> out;
        for (std::size_t m = 0; m < mics_.size(); ++m) {
            const double gain = gain_from_db(level_db_[m]);
            out.push_back({mics_[m].at_0_db.left * gain, mics_[m].at_0_db.right * gain});
        }
        return out;
    }
    [[nodiscard]] double heard_lufs(const StrokePower& strokes, const Mics& mics) const {
        return stroke_lufs(strokes, gains(), mics);
    }
    [[nodiscard]] double wanted_lufs(const StrokePower& strokes) const {
        return whole_lufs_ + wanted_db(target_, strokes);
    }

    /// Both mics of a pair bring the snare alike (the kick, where there is no snare).
    void make_even(const Mics& pair) {
        const auto* strokes =
            measured_.of(Drum::snare) ? measured_.of(Drum::snare) : measured_.of(Drum::kick);
        if (pair.size() != 2 || strokes == nullptr) return;
        const double more = heard_lufs(*strokes, {pair[0]}) - heard_lufs(*strokes, {pair[1]});
        if (!std::isfinite(more)) return;
        const double half = std::clamp(more, -kMostUneven_db, kMostUneven_db) / 2.0;
        level_db_[pair[0]] -= half, level_db_[pair[1]] += half;
    }

    /// How loud 0 dB of the target is: as fixed mics have their drums, else so that the mics of kick and
    /// snare stay at 0 dB on the mean, else any drum's.
    void find_whole() {
        const auto mean_of = [&](auto&& fits) -> std::optional<double> {
            double sum = 0.0, count = 0.0;
            for (const auto& strokes : measured_.drums)
                for (const auto m : of_drum(strokes.drum)) {
                    if (is_partner(m) || !fits(m, strokes.drum)) continue;
                    const double heard = heard_lufs(strokes, {m}) - wanted_db(target_, strokes);
                    if (std::isfinite(heard)) sum += heard, count += 1.0;
                }
            return count > 0.0 ? std::optional(sum / count) : std::nullopt;
        };
        for (std::size_t m = 0; m < mics_.size(); ++m)
            anchored_ = anchored_ || (audible(m) && mics_[m].anchors);
        auto found = mean_of([&](std::size_t m, Drum) { return mics_[m].anchors; });
        if (!found) found = bed_of_anchors();
        if (!found) found = mean_of([](std::size_t, Drum d) { return leads(d); });
        if (!found) found = mean_of([](std::size_t, Drum) { return true; });
        if (!found) found = bed_lufs(overheads_, target_.overheads_db);
        if (found) whole_lufs_ = *found;
    }

    [[nodiscard]] std::optional<double> bed_of_anchors() const {
        for (const auto& [mics, re_drum] :
             {std::pair{&overheads_, target_.overheads_db}, std::pair{&rooms_, target_.rooms_db}})
            if (std::any_of(mics->begin(), mics->end(), [&](std::size_t m) { return mics_[m].anchors; }))
                if (const auto found = bed_lufs(*mics, re_drum)) return found;
        return std::nullopt;
    }

    /// What 0 dB of the target is when these mics bring their part of the skins on the mean.
    [[nodiscard]] std::optional<double> bed_lufs(const Mics& mics, double re_drum_db) const {
        double sum = 0.0, count = 0.0;
        for (const auto& strokes : measured_.drums) {
            const double heard = heard_lufs(strokes, mics);
            if (!is_skin(strokes.drum) || !std::isfinite(heard)) continue;
            sum += heard - wanted_db(target_, strokes) - re_drum_db, count += 1.0;
        }
        return count > 0.0 ? std::optional(sum / count) : std::nullopt;
    }

    [[nodiscard]] double within(double level_db) const {
        return std::clamp(level_db, -kMostDown_db, kMostUp_db);
    }
    void shift(const Mics& mics, double by_db) {
        for (const auto m : mics) level_db_[m] = within(level_db_[m] + by_db);
    }

    void set_rooms() {
        if (const auto bed = bed_lufs(rooms_, target_.rooms_db)) shift(free_of(rooms_), whole_lufs_ - *bed);
    }

    /// Kick out beside kick in, snare bottom beside snare top.
    [[nodiscard]] bool is_partner(std::size_t m) const {
        const auto leader = mics_[m].role == Role::kick_out       ? Role::kick_in
                            : mics_[m].role == Role::snare_bottom ? Role::snare_top
                                                                  : Role::other;
        return leader != Role::other && !with([=](Role r) { return r == leader; }).empty();
    }

    void find_own() {
        for (std::size_t m = 0; m < mics_.size(); ++m)
            if (is_free(m) && own_drum(mics_[m].role))
                unheard_[m] = measured_.of(*own_drum(mics_[m].role)) == nullptr;
        for (const auto& strokes : measured_.drums) {
            Own own{&strokes, free_of(of_drum(strokes.drum)), {}, wanted_lufs(strokes)};
            set_partners(strokes, own.mics);
            const double alone = heard_lufs(strokes, own.mics);
            if (!std::isfinite(alone)) continue;
            for (const auto m : own.mics) own.base_db.push_back(level_db_[m]);
            const auto [least, most] = std::minmax_element(own.base_db.begin(), own.base_db.end());
            own.alone_db = own.wanted_lufs - alone;
            own.highest_db = kMostUp_db - *most;
            own.lowest_db =
                std::min(own.highest_db, is_skin(strokes.drum)
                                             ? std::max(own.alone_db + kSkinLeast_db, -kMostDown_db - *least)
                                             : -kMostDown_db - *least);
            own.shift_db = std::clamp(own.alone_db, own.lowest_db, own.highest_db);
            own_.push_back(std::move(own));
        }
    }

    /// Second mics at the target's distance from their first.
    void set_partners(const StrokePower& strokes, const Mics& own) {
        for (const auto m : own)
            for (const auto first : of_drum(strokes.drum)) {
                if (!is_partner(m) || is_partner(first)) continue;
                const double wanted =
                    mics_[m].role == Role::kick_out ? target_.kick_out_db : target_.snare_bottom_db;
                const double now = heard_lufs(strokes, {m}) - heard_lufs(strokes, {first});
                if (std::isfinite(now)) level_db_[m] = within(level_db_[m] + wanted - now);
            }
    }

    /// Levels with the overheads moved by `overheads_db`: each drum's own mics bring what the others leave of
    /// it, again and again until nothing moves (what leaks is a part of what is heard, so that this ends).
    [[nodiscard]] std::vector<double> levels_with(double overheads_db) const {
        constexpr int kRounds = 100;
        constexpr double kStill_db = 1e-4;
        Solver trial = *this;
        trial.shift(free_of(overheads_), overheads_db);
        auto& own = trial.own_;
        for (int round = 0; round < kRounds; ++round) {
            double most = 0.0;
            for (auto& drum : own) {
                const double to = trial.missing(drum);
                most = std::max(most, std::abs(to - drum.shift_db));
                drum.shift_db = to;
            }
            if (most < kStill_db) break;
        }
        for (const auto& drum : own) trial.place(drum, drum.shift_db);
        return trial.level_db_;
    }

    void place(const Own& own, double shift_db) {
        for (std::size_t k = 0; k < own.mics.size(); ++k) level_db_[own.mics[k]] = own.base_db[k] + shift_db;
    }

    /// The shift at which a drum's own mics make it whole: a x^2 + 2 b x + c is its power, x their gain.
    [[nodiscard]] double missing(const Own& drum) {
        for (const auto& other : own_) place(other, &other == &drum ? 0.0 : other.shift_db);
        const auto g = gains();
        auto rest = all_of(mics_.size());
        std::erase_if(rest,
                      [&](std::size_t m) { return std::count(drum.mics.begin(), drum.mics.end(), m) > 0; });
        const double a = common(*drum.strokes, g, drum.mics, drum.mics);
        const double b = common(*drum.strokes, g, drum.mics, rest);
        const double c = common(*drum.strokes, g, rest, rest) - power_from_lufs(drum.wanted_lufs);
        const double x = (-b + std::sqrt(std::max(0.0, b * b - a * c))) / a;
        return std::clamp(x > 0.0 ? db_from_gain(x) : -kInfinity, drum.lowest_db, drum.highest_db);
    }

    [[nodiscard]] double miss_db(const StrokePower& strokes, const std::vector<double>& levels) const {
        Solver trial = *this;
        trial.level_db_ = levels;
        const double heard = trial.heard_lufs(strokes, all_of(mics_.size()));
        return std::isfinite(heard) ? heard - wanted_lufs(strokes) : 0.0;
    }

    /// What decides on the overheads, see the header. Nothing where every drum has a mic of its own.
    [[nodiscard]] std::optional<double> cost(const std::vector<double>& levels) const {
        std::optional<double> sum;
        for (const auto& strokes : measured_.drums)
            if (of_drum(strokes.drum).empty())
                sum = sum.value_or(0.0) + std::pow(miss_db(strokes, levels), 2);
        return sum;
    }

    [[nodiscard]] double worst_lead(const std::vector<double>& levels) const {
        double worst = 0.0;
        for (const auto& own : own_)
            if (leads(own.strokes->drum)) worst = std::max(worst, miss_db(*own.strokes, levels));
        return worst;
    }

    void set_overheads() {
        constexpr double kUnder_db = 20.0;
        if (const auto bed = bed_lufs(overheads_, target_.overheads_db))
            shift(free_of(overheads_), whole_lufs_ - *bed);
        auto best = levels_with(0.0);
        double at = 0.0;
        const auto first = cost(best);
        double least = first.value_or(0.0);
        const auto search = [&](double from, double to, double step) {
            for (double by = from; by <= to; by += step) {
                auto levels = levels_with(by);
                if (const double now = *cost(levels); now < least - 1e-9)
                    least = now, at = by, best = std::move(levels);
            }
        };
        if (first && !free_of(overheads_).empty()) {
            search(-kUnder_db, kMostOverBed_db, 1.0);
            const double middle = at;
            search(middle - 1.0, std::min(middle + 1.0, kMostOverBed_db), kStep_db);
        }
        for (double way = 0.0; way <= kMakeWay_db && worst_lead(best) > kReached_db; way += kStep_db)
            if (auto levels = levels_with(at - way); worst_lead(levels) <= kReached_db)
                best = std::move(levels);
        level_db_ = best;
    }

    [[nodiscard]] Balance result() const {
        constexpr double kAt_db = 1e-3;
        Balance out;
        out.anchored = anchored_;
        for (std::size_t m = 0; m < mics_.size(); ++m) {
            auto& mic = out.mics.emplace_back(BalancedMic{level_db_[m], is_free(m)});
            mic.unheard = unheard_[m] != 0;
            if (!mic.placed || mic.unheard) continue;
            if (mic.level_db > kMostUp_db - kAt_db)
                mic.bound = BalanceBound::up;
            else if (mic.level_db < -kMostDown_db + kAt_db)
                mic.bound = BalanceBound::down;
        }
        for (const auto& own : own_) {
            const auto m = own.mics.front();
            const double shift = level_db_[m] - own.base_db.front();
            if (is_skin(own.strokes->drum) && out.mics[m].bound == BalanceBound::none &&
                shift < own.alone_db + kSkinLeast_db + kAt_db)
                out.mics[m].bound = BalanceBound::part;
        }
        return out;
    }

    const MeasuredBalance& measured_;
    std::span<const BalanceMic> mics_;
    const BalanceSettings& target_;
    std::vector<double> level_db_;
    std::vector<char> unheard_;
    Mics overheads_, rooms_;
    std::vector<Own> own_;
    double whole_lufs_ = 0.0; ///< 0 dB of the target
    bool anchored_ = false;
};

} // namespace

const StrokePower* MeasuredBalance::of(Drum drum) const noexcept {
    const auto at = std::find_if(drums.begin(), drums.end(), [=](const auto& d) { return d.drum == drum; });
    return at == drums.end() ? nullptr : &*at;
}

double stroke_lufs(const StrokePower& strokes, std::span<const StereoGain> gains,
                   std::span<const std::size_t> mics) {
    const auto sides = sides_of(strokes, gains, mics);
    return lufs(sides.left + sides.right);
}

double stroke_lufs(const StrokePower& strokes, std::span<const StereoGain> gains) {
    return stroke_lufs(strokes, gains, all_of(gains.size()));
}

std::vector<double> stroke_shares(const StrokePower& strokes, std::span<const StereoGain> gains) {
    const auto all = all_of(gains.size());
    const double whole = std::max(kLeastPower, common(strokes, gains, all, all));
    std::vector<double> out;
    for (const auto m : all) out.push_back(common(strokes, gains, {m}, all) / whole);
    return out;
}

double stroke_mono_loss_db(const StrokePower& strokes, std::span<const StereoGain> gains) {
    const auto sides = sides_of(strokes, gains, all_of(gains.size()));
    const double stereo = sides.left + sides.right, mono = (stereo + 2.0 * sides.both) / 2.0;
    if (stereo <= kLeastPower) return 0.0;
    return mono > 0.0 ? db_from_power(stereo / mono) : kInfinity;
}

std::optional<double> stroke_pan(const StrokePower& strokes, std::span<const StereoGain> gains,
                                 std::span<const std::size_t> mics, PanLaw law) {
    const auto sides = sides_of(strokes, gains, mics);
    if (sides.left + sides.right <= kLeastPower) return std::nullopt;
    double low = -1.0, high = 1.0; // right over left grows with pan
    for (int round = 0; round < 40; ++round) {
        const double middle = (low + high) / 2.0;
        const auto at = pan_gain(middle, law);
        (at.right * at.right * sides.left < at.left * at.left * sides.right ? low : high) = middle;
    }
    return (low + high) / 2.0;
}

Balance solve_balance(const MeasuredBalance& measured, std::span<const BalanceMic> mics,
                      const BalanceSettings& target) {
    constexpr int kRounds = 8;
    constexpr double kStill_db = 0.02;
    std::optional<Solver> solver(std::in_place, measured, mics, target);
    auto out = solver->solve();
    for (int round = 0; round < kRounds; ++round) {
        const auto whole_lufs = solver->whole_of_anchors();
        if (!whole_lufs || std::abs(*whole_lufs - solver->whole_lufs()) < kStill_db) break;
        solver.emplace(measured, mics, target, whole_lufs);
        out = solver->solve();
    }
    return out;
}

double wanted_db(const BalanceSettings& target, const StrokePower& strokes) noexcept {
    switch (strokes.drum) {
    case Drum::kick:
        return target.kick_db;
    case Drum::snare:
        return 0.0;
    case Drum::hihat:
        return target.hihat_db;
    case Drum::ride:
        return target.ride_db;
    case Drum::cymbals:
        return strokes.keeps_time ? std::max(target.hihat_db, target.ride_db) : target.cymbals_db;
    default:
        return target.toms_db;
    }
}

} // namespace kitfold::dsp
