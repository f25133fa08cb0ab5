#include "mix/balance.h"
#include "core/units.h"
#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>

namespace kitfold::dsp {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr double kLufsOffset = -0.691; // ITU-R BS.1770-4
constexpr double kHighestLevel_db = 12.0;
constexpr double kLeastPower = 1e-12; // under the gate of -70 LUFS by a long way
constexpr double kPull_db = 20.0;     // a level that nothing asks for stays at its start

// how dear each wish is, see the header
constexpr double kOwnMic_db = 0.5, kNoMic_db = 3.0, kBed_db = 6.0, kRooms_db = 1.0, kPartner_db = 1.0,
                 kEven_db = 1.0, kWhole_db = 20.0;

using Mics = std::vector<std::size_t>;

/// Power of some mics together, and each one's share in it.
struct Part {
    double power = 0.0;
    std::vector<std::pair<std::size_t, double>> shares;
};

Part part_of(const StrokePower& strokes, const Mics& group, std::span<const StereoGain> gains) {
    const auto n = gains.size();
    Part out;
    for (const auto i : group) {
        double share = 0.0;
        for (const auto j : group)
            share +=
                (gains[i].left * gains[j].left + gains[i].right * gains[j].right) * strokes.power[i * n + j];
        out.shares.emplace_back(i, share);
        out.power += share;
    }
    out.power = std::max(out.power, kLeastPower);
    return out;
}

Mics all_of(std::size_t count) {
    Mics all(count);
    for (std::size_t m = 0; m < count; ++m) all[m] = m;
    return all;
}

double lufs(double power) { return kLufsOffset + 10.0 * std::log10(power); }

bool is_skin(Drum d) { return !is_plate(d); }

/// One thing that is wanted: loudness of some mics on a drum's strokes, re the whole's level or re other
/// mics.
struct Goal {
    const StrokePower* strokes = nullptr;
    Mics mics, against; ///< against: empty for the whole's level
    double wanted_db = 0.0, unsure_db = 1.0;
};

class Solver {
public:
    Solver(const MeasuredBalance& measured, std::span<const BalanceMic> mics, const BalanceSettings& target)
        : measured_(measured), mics_(mics), target_(target), all_(all_of(mics.size())) {
        for (std::size_t m = 0; m < mics.size(); ++m) {
            const auto& mic = mics[m];
            const bool audible = mic.at_0_db.left != 0.0 || mic.at_0_db.right != 0.0;
            anchored_ = anchored_ || (mic.fixed_db && audible);
            if (!mic.fixed_db && audible) free_.push_back(m);
        }
        place();
        want();
    }

    Balance solve() {
        double cost = cost_at(levels_, whole_);
        double damping = 1e-3;
        for (int round = 0; round < 200 && damping < 1e9; ++round) {
            const auto [levels, whole] = stepped(damping);
            const double next = cost_at(levels, whole);
            if (!(next < cost)) {
                damping *= 4.0;
                continue;
            }
            const bool done = cost - next < 1e-9;
            levels_ = levels, whole_ = whole, cost = next;
            damping = std::max(1e-6, damping / 4.0);
            if (done) break;
        }
        return rounded();
    }

private:
    [[nodiscard]] Mics free_with(auto&& fits) const {
        Mics out;
        for (const auto m : free_)
            if (fits(mics_[m].role)) out.push_back(m);
        return out;
    }
    [[nodiscard]] Mics with(auto&& fits) const {
        Mics out;
        for (std::size_t m = 0; m < mics_.size(); ++m)
            if (fits(mics_[m].role) && (mics_[m].at_0_db.left != 0.0 || mics_[m].at_0_db.right != 0.0))
                out.push_back(m);
        return out;
    }

    [[nodiscard]] std::vector<StereoGain> gains(const std::vector<double>& levels) const {
        std::vector<StereoGain> out;
        for (std::size_t m = 0; m < mics_.size(); ++m) {
            const double gain = gain_from_db(levels[m]);
            out.push_back({mics_[m].at_0_db.left * gain, mics_[m].at_0_db.right * gain});
        }
        return out;
    }

    /// Level at which `mics`, equally raised, bring `wanted_lufs` of a drum's strokes.
    [[nodiscard]] double alone(const StrokePower& strokes, const Mics& mics, double wanted_lufs) const {
        const auto part = part_of(strokes, mics, gains(std::vector<double>(mics_.size(), 0.0)));
        return part.power > kLeastPower ? wanted_lufs - lufs(part.power) : -kInfinity;
    }

    /// What a mic alone would have to bring of its own drum.
    [[nodiscard]] double own_part_db(Role role, Drum drum) const {
        const double whole = dsp::wanted_db(target_, drum);
        if (role == Role::kick_out && !with([](Role r) { return r == Role::kick_in; }).empty())
            return whole + target_.kick_out_db;
        if (role == Role::snare_bottom && !with([](Role r) { return r == Role::snare_top; }).empty())
            return whole + target_.snare_bottom_db;
        return whole;
    }

    /// Mean over the skins of the level at which mics that hear the whole kit bring their part.
    [[nodiscard]] double bed_level(const Mics& mics, double re_drum_db) const {
        double sum = 0.0, count = 0.0;
        for (const auto& strokes : measured_.drums) {
            if (!is_skin(strokes.drum)) continue;
            const double level =
                alone(strokes, mics, kStrokeLufs + dsp::wanted_db(target_, strokes.drum) + re_drum_db);
            if (std::isfinite(level)) sum += level, count += 1.0;
        }
        return count > 0.0 ? sum / count : 0.0;
    }

    /// Start of every level, and the bounds around it.
    void place() {
        levels_.assign(mics_.size(), 0.0);
        unheard_.assign(mics_.size(), 0);
        for (std::size_t m = 0; m < mics_.size(); ++m) levels_[m] = mics_[m].fixed_db.value_or(0.0);
        double close_sum = 0.0, close_count = 0.0;
        for (const auto m : free_) {
            const auto drum = own_drum(mics_[m].role);
            if (!drum) continue;
            const auto* strokes = measured_.of(*drum);
            const double level = strokes != nullptr
                                     ? alone(*strokes, {m}, kStrokeLufs + own_part_db(mics_[m].role, *drum))
                                     : -kInfinity;
            unheard_[m] = !std::isfinite(level);
            if (unheard_[m] != 0) continue;
            levels_[m] = level, close_sum += level, close_count += 1.0;
        }
        for (const auto m : free_)
            if (unheard_[m] != 0) levels_[m] = close_count > 0.0 ? close_sum / close_count : 0.0;
        const auto overheads = free_with([](Role r) { return is_overhead(r); });
        const auto rooms = free_with([](Role r) { return is_room(r); });
        for (const auto m : overheads) levels_[m] = bed_level(overheads, target_.overheads_db);
        for (const auto m : rooms) levels_[m] = bed_level(rooms, target_.rooms_db);
        lower_for_quiet_mics();
        start_ = levels_;
        for (const auto m : free_) levels_[m] = std::min(levels_[m], highest(m));
    }

    /// A kit recorded so low that kick and snare would need more than a strip has: all of it comes lower.
    void lower_for_quiet_mics() {
        if (anchored_) return;
        double over = 0.0;
        for (const auto m : free_with([](Role r) { return r == Role::kick_in || r == Role::snare_top; }))
            if (unheard_[m] == 0) over = std::max(over, levels_[m] - kHighestLevel_db);
        whole_ -= over;
        for (const auto m : free_) levels_[m] -= over;
    }

    /// Is there a skin that no mic but theirs is up for?
    [[nodiscard]] bool overheads_carry() const {
        return std::any_of(measured_.drums.begin(), measured_.drums.end(), [&](const auto& strokes) {
            return is_skin(strokes.drum) && with([&](Role r) { return own_drum(r) == strokes.drum; }).empty();
        });
    }

    [[nodiscard]] double lowest(std::size_t m) const {
        const auto drum = own_drum(mics_[m].role);
        const bool leads =
            drum && is_skin(*drum) && mics_[m].role != Role::kick_out && mics_[m].role != Role::snare_bottom;
        return std::max(-90.0, start_[m] - (leads ? kSkinReachDown_db : kBalanceReach_db));
    }
    [[nodiscard]] double highest(std::size_t m) const {
        return unheard_[m] != 0 ? std::min(start_[m], kHighestLevel_db)
                                : std::min(kHighestLevel_db, start_[m] + kBalanceReach_db);
    }

    void want() {
        const auto overheads = with([](Role r) { return is_overhead(r); });
        const auto rooms = with([](Role r) { return is_room(r); });
        const bool carry = overheads_carry();
        double skins = 0.0;
        for (const auto& strokes : measured_.drums) skins += is_skin(strokes.drum) ? 1.0 : 0.0;
        for (const auto& strokes : measured_.drums) {
            const double whole = dsp::wanted_db(target_, strokes.drum);
            const auto own = with([&](Role r) { return own_drum(r) == strokes.drum; });
            goals_.push_back({&strokes, all_, {}, whole, own.empty() ? kNoMic_db : kOwnMic_db});
            if (!is_skin(strokes.drum)) continue;
            // one wish, said once for each skin
            if (!overheads.empty() && !carry)
                goals_.push_back(
                    {&strokes, overheads, {}, whole + target_.overheads_db, kBed_db * std::sqrt(skins)});
            if (!rooms.empty())
                goals_.push_back(
                    {&strokes, rooms, {}, whole + target_.rooms_db, kRooms_db * std::sqrt(skins)});
        }
        want_against(Drum::kick, Role::kick_out, Role::kick_in, target_.kick_out_db, kPartner_db);
        want_against(Drum::snare, Role::snare_bottom, Role::snare_top, target_.snare_bottom_db, kPartner_db);
        want_even(Role::overhead_left, Role::overhead_right);
        want_even(Role::room_left, Role::room_right);
    }

    void want_against(Drum drum, Role a, Role b, double wanted, double unsure) {
        const auto first = with([=](Role r) { return r == a; }),
                   second = with([=](Role r) { return r == b; });
        if (const auto* strokes = measured_.of(drum); strokes != nullptr && !first.empty() && !second.empty())
            goals_.push_back({strokes, first, second, wanted, unsure});
    }

    /// The snare, or the kick, in the middle of a pair.
    void want_even(Role left, Role right) {
        const auto first = free_with([=](Role r) { return r == left; });
        const auto second = free_with([=](Role r) { return r == right; });
        const auto* strokes = measured_.of(Drum::snare);
        if (strokes == nullptr) strokes = measured_.of(Drum::kick);
        if (strokes == nullptr || first.empty() || second.empty()) return;
        const double apart = alone(*strokes, second, 0.0) - alone(*strokes, first, 0.0);
        if (!std::isfinite(apart)) return;
        const double beyond = apart - std::clamp(apart, -kMostUneven_db, kMostUneven_db);
        goals_.push_back({strokes, first, second, beyond, kEven_db});
    }

    /// By how much a goal is missed, in units of what it may be missed by.
    [[nodiscard]] double miss(const Goal& goal, const Part& part, const Part& against, double whole) const {
        const double re = goal.against.empty() ? whole : lufs(against.power);
        return (lufs(part.power) - re - goal.wanted_db) / goal.unsure_db;
    }

    [[nodiscard]] double cost_at(const std::vector<double>& levels, double whole) const {
        const auto g = gains(levels);
        double cost = std::pow((whole - whole_wanted()) / kWhole_db, 2);
        for (const auto& goal : goals_)
            cost += std::pow(miss(goal, part_of(*goal.strokes, goal.mics, g),
                                  part_of(*goal.strokes, goal.against, g), whole),
                             2);
        for (const auto m : free_) cost += std::pow((levels[m] - start_[m]) / kPull_db, 2);
        return cost;
    }

    [[nodiscard]] double whole_wanted() const { return anchored_ ? kStrokeLufs : whole_; }

    /// One damped step of Gauss and Newton; levels that would leave their bounds stop there. The last unknown
    /// is the level of the whole, which moves only when something is fixed. d(loudness)/d(level of a mic) is
    /// the mic's share in the power.
    [[nodiscard]] std::pair<std::vector<double>, double> stepped(double damping) const {
        const auto n = std::ptrdiff_t(free_.size()) + 1;
        std::vector<std::ptrdiff_t> column(mics_.size(), -1);
        for (std::size_t k = 0; k < free_.size(); ++k) column[free_[k]] = std::ptrdiff_t(k);
        Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(n, n);
        Eigen::VectorXd slope = Eigen::VectorXd::Zero(n);
        const auto add = [&](const Eigen::VectorXd& row, double missed) {
            normal += row * row.transpose();
            slope -= row * missed;
        };
        const auto g = gains(levels_);
        for (const auto& goal : goals_) {
            const auto part = part_of(*goal.strokes, goal.mics, g);
            const auto against = part_of(*goal.strokes, goal.against, g);
            Eigen::VectorXd row = Eigen::VectorXd::Zero(n);
            const auto count = [&](const Part& p, double sign) {
                for (const auto& [m, share] : p.shares)
                    if (column[m] >= 0) row[column[m]] += sign * share / p.power;
            };
            count(part, 1.0);
            if (goal.against.empty())
                row[n - 1] = anchored_ ? -1.0 : 0.0;
            else
                count(against, -1.0);
            add(row / goal.unsure_db, miss(goal, part, against, whole_));
        }
        for (std::size_t k = 0; k < free_.size(); ++k) {
            Eigen::VectorXd row = Eigen::VectorXd::Zero(n);
            row[std::ptrdiff_t(k)] = 1.0 / kPull_db;
            add(row, (levels_[free_[k]] - start_[free_[k]]) / kPull_db);
        }
        Eigen::VectorXd row = Eigen::VectorXd::Zero(n);
        row[n - 1] = 1.0 / kWhole_db;
        add(row, (whole_ - whole_wanted()) / kWhole_db);
        hold_at_bounds(normal, slope);
        normal.diagonal() *= 1.0 + damping;
        const Eigen::VectorXd step = normal.ldlt().solve(slope);
        auto levels = levels_;
        for (std::size_t k = 0; k < free_.size(); ++k) {
            const auto m = free_[k];
            levels[m] = std::clamp(levels_[m] + step[std::ptrdiff_t(k)], lowest(m), highest(m));
        }
        return {levels, anchored_ ? whole_ + step[n - 1] : whole_};
    }

    /// A level at its bound that wants to go on is no unknown in this step.
    void hold_at_bounds(Eigen::MatrixXd& normal, Eigen::VectorXd& slope) const {
        for (std::size_t k = 0; k < free_.size(); ++k) {
            const auto m = free_[k];
            const auto at = std::ptrdiff_t(k);
            const bool held =
                (levels_[m] >= highest(m) && slope[at] > 0.0) || (levels_[m] <= lowest(m) && slope[at] < 0.0);
            if (!held) continue;
            normal.row(at).setZero(), normal.col(at).setZero();
            normal(at, at) = 1.0, slope[at] = 0.0;
        }
    }

    [[nodiscard]] Balance rounded() const {
        Balance out;
        out.snare_lufs = whole_;
        for (std::size_t m = 0; m < mics_.size(); ++m)
            out.mics.push_back({levels_[m], false, false, unheard_[m] != 0});
        for (const auto m : free_) {
            auto& mic = out.mics[m];
            mic.placed = true;
            mic.at_bound = unheard_[m] == 0 && (levels_[m] >= highest(m) || levels_[m] <= lowest(m));
            mic.level_db = std::round(std::clamp(levels_[m], -90.0, kHighestLevel_db) * 10.0) / 10.0;
        }
        return out;
    }

    const MeasuredBalance& measured_;
    std::span<const BalanceMic> mics_;
    const BalanceSettings& target_;
    Mics all_, free_;
    bool anchored_ = false; ///< some audible level is fixed
    std::vector<double> levels_, start_;
    std::vector<char> unheard_;
    double whole_ = kStrokeLufs;
    std::vector<Goal> goals_;
};

} // namespace

const StrokePower* MeasuredBalance::of(Drum drum) const noexcept {
    const auto at = std::find_if(drums.begin(), drums.end(), [=](const auto& d) { return d.drum == drum; });
    return at == drums.end() ? nullptr : &*at;
}

double stroke_lufs(const StrokePower& strokes, std::span<const StereoGain> gains) {
    const auto power = part_of(strokes, all_of(gains.size()), gains).power;
    return power > kLeastPower ? lufs(power) : -kInfinity;
}

std::vector<double> stroke_shares(const StrokePower& strokes, std::span<const StereoGain> gains) {
    const auto part = part_of(strokes, all_of(gains.size()), gains);
    std::vector<double> out;
    for (const auto& [mic, share] : part.shares) out.push_back(share / part.power);
    return out;
}

Balance solve_balance(const MeasuredBalance& measured, std::span<const BalanceMic> mics,
                      const BalanceSettings& target) {
    return Solver(measured, mics, target).solve();
}

double wanted_db(const BalanceSettings& target, Drum drum) noexcept {
    switch (drum) {
    case Drum::kick:
        return target.kick_db;
    case Drum::snare:
        return 0.0;
    case Drum::hihat:
        return target.hihat_db;
    case Drum::ride:
        return target.ride_db;
    case Drum::cymbals:
        return target.cymbals_db;
    default:
        return target.toms_db;
    }
}

} // namespace kitfold::dsp
