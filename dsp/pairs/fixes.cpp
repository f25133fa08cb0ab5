#include "pairs/fixes.h"
#include "core/units.h"
#include "pairs/drum_judge.h"
#include "pairs/sums.h"
#include <algorithm>
#include <cmath>
#include <optional>

namespace kitfold::dsp {

namespace {

// A change of 1 dB is just heard (from memory: Zwicker and Fastl, Psychoacoustics); half of that is no harm.
// Four strokes of five: a take is heard by most of its strokes.
constexpr double kWorthDb = 1.0, kHarmDb = 0.5, kOfStrokes = 0.8;
constexpr double kLeastDelayMs = 0.1;      // a quarter of a period at 2.5 kHz: less moves no drum's body
constexpr std::size_t kFewestInHalves = 4; // two to choose by, two to measure

struct Setting {
    double sign = 1.0, adds_ms = 0.0;
};
using Settings = std::vector<Setting>;

enum class Half { all, choose, measure };

/// Level in dB of a sum re its parts' powers; `weight(a, b)` of each product.
struct Energy {
    double sum = 1e-20, apart = 1e-20;
    [[nodiscard]] double db() const { return db_from_power(std::max(sum, 1e-4 * apart) / apart); }
};

class Kit {
public:
    Kit(const Take& take, const PairFindings& findings, std::span<const StereoGain> gains)
        : take_(take), gains_(gains.begin(), gains.end()) {
        for (const auto& s : findings.strokes) drums_.emplace_back(take, s);
    }

    void set(const Settings& s) {
        for (auto& d : drums_)
            for (std::size_t m = 0; m < s.size(); ++m) d.delay(m, s[m].adds_ms);
    }
    [[nodiscard]] const std::vector<StrokeSums>& drums() const { return drums_; }
    [[nodiscard]] const StrokeSums* drum_of(const Pair& p) const {
        for (const auto& d : drums_)
            if (p.drum == d.drum()) return &d;
        return nullptr;
    }
    [[nodiscard]] bool audible(std::size_t mic) const {
        return gains_[mic].left != 0.0 || gains_[mic].right != 0.0;
    }
    /// Two mics by their levels alone, as if panned alike.
    [[nodiscard]] Energy pair(const StrokeSums& d, Band band, std::size_t n, std::size_t a, std::size_t b,
                              const Settings& s) const {
        const double ga = level(a, s), gb = level(b, s);
        return two(d, band, n, a, b, ga * ga, gb * gb, ga * gb);
    }
    /// Two mics as panned.
    [[nodiscard]] Energy panned(const StrokeSums& d, Band band, std::size_t n, std::size_t a, std::size_t b,
                                const Settings& s) const {
        return two(d, band, n, a, b, together(a, a, s), together(b, b, s), together(a, b, s));
    }
    [[nodiscard]] Energy whole(const StrokeSums& d, Band band, std::size_t n, const Settings& s) const {
        Energy e;
        for (std::size_t a = 0; a < s.size(); ++a) {
            e.apart += together(a, a, s) * d.cross(band, n, a, a);
            for (std::size_t b = 0; b < s.size(); ++b) e.sum += together(a, b, s) * d.cross(band, n, a, b);
        }
        return e;
    }

private:
    [[nodiscard]] double sign(std::size_t m, const Settings& s) const {
        return take_.mics[m].inverted ? -s[m].sign : s[m].sign;
    }
    [[nodiscard]] double level(std::size_t m, const Settings& s) const {
        return gain_from_db(take_.mics[m].level_db) * sign(m, s);
    }
    [[nodiscard]] double together(std::size_t a, std::size_t b, const Settings& s) const {
        return (gains_[a].left * gains_[b].left + gains_[a].right * gains_[b].right) * sign(a, s) *
               sign(b, s);
    }
    static Energy two(const StrokeSums& d, Band band, std::size_t n, std::size_t a, std::size_t b, double aa,
                      double bb, double ab) {
        Energy e;
        e.apart += aa * d.cross(band, n, a, a) + bb * d.cross(band, n, b, b);
        e.sum = e.apart + 2.0 * ab * d.cross(band, n, a, b);
        return e;
    }

    const Take& take_;
    std::vector<StereoGain> gains_;
    std::vector<StrokeSums> drums_;
};

/// dB of the energies of some strokes together; of(stroke) of each.
template <class Of> double total_db(std::size_t strokes, Half half, const Of& of) {
    Energy all;
    for (std::size_t n = half == Half::measure ? 1 : 0; n < strokes; n += half == Half::all ? 1 : 2) {
        const Energy e = of(n);
        all.sum += e.sum, all.apart += e.apart;
    }
    return all.db();
}

/// Everything that a step is judged by, for one state of the kit.
struct Measured {
    struct OfPair {
        std::array<double, 2> choose{}, measure{}, mono{}; ///< by band
        std::array<std::vector<double>, 2> strokes;        ///< of the measuring half
    };
    std::vector<OfPair> pairs;
    std::vector<std::array<double, 2>> whole; ///< by drum
};

class Solver {
public:
    Solver(const Take& take, const PairFindings& findings, std::span<const StereoGain> gains)
        : mics_(take.mics), findings_(findings), kit_(take, findings, gains), settings_(take.mics.size()) {
        for (const auto& d : kit_.drums()) {
            bool heard = false;
            for (std::size_t m = 0; m < mics_.size(); ++m) {
                const Role role = mics_[m].role;
                const bool there_for_it = own_drum(role) == d.drum() || is_overhead(role) || is_room(role);
                heard = heard || (there_for_it && kit_.audible(m));
            }
            heard_.push_back(heard);
        }
    }

    [[nodiscard]] KitSolution solve() {
        const Settings as_set(settings_.size());
        auto now = measure(settings_);
        for (std::size_t round = 0; round < 2 * settings_.size(); ++round) {
            std::optional<Step> best;
            for (const auto& s : candidates())
                if (const auto step = judge(s, now); step && (!best || step->worth > best->worth))
                    best = step;
            if (!best) break;
            settings_ = best->settings;
            now = measure(settings_);
        }
        KitSolution out;
        auto turned = as_set;
        out.sums.resize(findings_.pairs.size());
        fill(out.sums, as_set, &PairSum::now);
        fill(out.sums, settings_, &PairSum::after);
        kit_.set(as_set);
        for (std::size_t i = 0; i < out.sums.size(); ++i) {
            const auto& p = findings_.pairs[i];
            turned[p.b].sign = -1.0;
            out.sums[i].turned = gain(p, turned);
            turned[p.b].sign = 1.0;
        }
        for (std::size_t m = 0; m < settings_.size(); ++m)
            if (settings_[m].sign < 0.0 || settings_[m].adds_ms > 0.0)
                out.fixes.push_back(
                    {m, settings_[m].sign < 0.0, settings_[m].adds_ms, most_gaining(out.sums, m)});
        return out;
    }

private:
    struct Step {
        Settings settings;
        double worth = 0.0;
    };

    /// Between a close mic and an overhead, between overheads and between rooms the way of the sound is part
    /// of the picture (common practice, no source): only mics of one drum are put in step, and a file that
    /// lies off. Files of a whole converter are to be moved together, by hand.
    [[nodiscard]] bool in_step(const Pair& p) const {
        const auto off = [&](const ShiftedFile& f) { return f.mic == p.a || f.mic == p.b; };
        return heads_of_one_drum(mics_[p.a].role, mics_[p.b].role) ||
               (findings_.shifted.size() == 1 && off(findings_.shifted.front()));
    }
    /// Two overheads or rooms are heard apart: their sum asks only for what is wrong with a cable or a file.
    [[nodiscard]] bool speaks_for(const Pair& p, std::size_t mic) const {
        const auto& wrong = findings_.upside_down;
        return (p.a == mic || p.b == mic) && (own_drum(mics_[p.a].role) || in_step(p) ||
                                              std::find(wrong.begin(), wrong.end(), mic) != wrong.end());
    }

    [[nodiscard]] std::vector<Settings> candidates() const {
        std::vector<Settings> out;
        for (std::size_t m = 0; m < settings_.size(); ++m) {
            out.push_back(settings_);
            out.back()[m].sign *= -1.0;
        }
        for (const auto& p : findings_.pairs) {
            if (!p.judged() || !in_step(p)) continue;
            const double apart = p.delay_ms + settings_[p.b].adds_ms - settings_[p.a].adds_ms;
            const auto early = apart > 0.0 ? p.a : p.b;
            if (std::abs(apart) < kLeastDelayMs ||
                settings_[early].adds_ms + std::abs(apart) > StrokeSums::kLongestMs)
                continue;
            for (const auto flipped : {settings_.size(), p.a, p.b}) {
                out.push_back(settings_);
                out.back()[early].adds_ms += std::abs(apart);
                if (flipped < settings_.size()) out.back()[flipped].sign *= -1.0;
            }
        }
        return out;
    }

    [[nodiscard]] Measured measure(const Settings& s) {
        kit_.set(s);
        Measured out;
        out.pairs.resize(findings_.pairs.size());
        for (std::size_t i = 0; i < out.pairs.size(); ++i) {
            const auto& p = findings_.pairs[i];
            const auto* d = kit_.drum_of(p);
            if (d == nullptr) continue;
            for (const auto band : kBands) {
                const auto at = static_cast<std::size_t>(band);
                const auto panned = [&](std::size_t n) { return kit_.panned(*d, band, n, p.a, p.b, s); };
                out.pairs[i].choose[at] = total_db(d->strokes(), Half::choose, panned);
                out.pairs[i].measure[at] = total_db(d->strokes(), Half::measure, panned);
                out.pairs[i].mono[at] = total_db(d->strokes(), Half::all, [&](std::size_t n) {
                    return kit_.pair(*d, band, n, p.a, p.b, s);
                });
                for (std::size_t n = 1; n < d->strokes(); n += 2)
                    out.pairs[i].strokes[at].push_back(panned(n).db());
            }
        }
        for (const auto& d : kit_.drums()) {
            out.whole.push_back({});
            for (const auto band : kBands)
                out.whole.back()[static_cast<std::size_t>(band)] = total_db(
                    d.strokes(), Half::all, [&](std::size_t n) { return kit_.whole(d, band, n, s); });
        }
        return out;
    }

    /// A step that helps a pair and harms nothing; none otherwise.
    [[nodiscard]] std::optional<Step> judge(const Settings& s, const Measured& now) {
        const auto then = measure(s);
        double kit = 0.0, helped = 0.0;
        for (std::size_t d = 0; d < then.whole.size(); ++d)
            for (std::size_t band = 0; band < 2; ++band) {
                const double rise = then.whole[d][band] - now.whole[d][band];
                if (!heard_[d]) continue;
                if (rise < -kHarmDb) return std::nullopt;
                kit += rise;
            }
        for (std::size_t i = 0; i < then.pairs.size(); ++i) {
            const auto &x = now.pairs[i], &y = then.pairs[i];
            const auto& p = findings_.pairs[i];
            for (std::size_t band = 0; band < 2 && kit_.audible(p.a) && kit_.audible(p.b); ++band)
                if (y.mono[band] - x.mono[band] < -kHarmDb) return std::nullopt;
            if (asked_by(p, s) && helps(x, y))
                helped = std::max(helped, std::max(y.choose[0] - x.choose[0], y.choose[1] - x.choose[1]));
        }
        if (helped <= 0.0) return std::nullopt;
        double worth = kit + helped;
        for (std::size_t m = 0; m < s.size(); ++m) // a delay must be worth 1 dB more than none
            if (s[m].adds_ms != settings_[m].adds_ms) worth -= kWorthDb;
        return worth > 0.0 ? std::optional(Step{s, worth}) : std::nullopt;
    }

    /// Whether a step may be taken for the sake of pair `p`.
    [[nodiscard]] bool asked_by(const Pair& p, const Settings& s) const {
        bool asked = false;
        for (std::size_t m = 0; m < s.size(); ++m) {
            const bool moves = s[m].adds_ms != settings_[m].adds_ms, flips = s[m].sign != settings_[m].sign;
            if (moves && !in_step(p)) return false;
            asked = asked || ((moves || flips) && speaks_for(p, m));
        }
        return asked;
    }

    static bool helps(const Measured::OfPair& x, const Measured::OfPair& y) {
        if (2 * x.strokes[0].size() < kFewestInHalves) return false;
        for (std::size_t band = 0; band < 2; ++band) {
            if (y.choose[band] - x.choose[band] < kWorthDb || y.measure[band] - x.measure[band] < kWorthDb)
                continue;
            std::size_t better = 0;
            for (std::size_t n = 0; n < x.strokes[band].size(); ++n)
                better += y.strokes[band][n] > x.strokes[band][n] ? 1 : 0;
            if (static_cast<double>(better) >= kOfStrokes * static_cast<double>(x.strokes[band].size()))
                return true;
        }
        return false;
    }

    [[nodiscard]] SumGain gain(const Pair& p, const Settings& s) const {
        const auto* d = kit_.drum_of(p);
        if (d == nullptr || d->strokes() == 0) return {};
        const auto in = [&](Band band) {
            return total_db(d->strokes(), Half::all,
                            [&](std::size_t n) { return kit_.pair(*d, band, n, p.a, p.b, s); });
        };
        return {in(Band::full), in(Band::low)};
    }
    void fill(std::vector<PairSum>& sums, const Settings& s, SumGain PairSum::*to) {
        kit_.set(s);
        for (std::size_t i = 0; i < sums.size(); ++i) {
            const auto* d = kit_.drum_of(findings_.pairs[i]);
            sums[i].strokes = d != nullptr ? d->strokes() : 0;
            sums[i].*to = gain(findings_.pairs[i], s);
        }
    }
    [[nodiscard]] std::size_t most_gaining(std::span<const PairSum> sums, std::size_t mic) const {
        std::size_t best = 0;
        double most = -1e9;
        for (std::size_t i = 0; i < sums.size(); ++i) {
            const auto& p = findings_.pairs[i];
            const double rise = std::max(sums[i].after.full_db - sums[i].now.full_db,
                                         sums[i].after.low_db - sums[i].now.low_db);
            if (speaks_for(p, mic) && rise > most) most = rise, best = i;
        }
        return best;
    }

    std::span<const TakeMic> mics_;
    const PairFindings& findings_;
    Kit kit_;
    Settings settings_;
    std::vector<bool> heard_; ///< by drum: a mic that is there for it is in the mix, not bleed alone
};

} // namespace

KitSolution solve_kit(const Take& take, const PairFindings& findings, std::span<const StereoGain> gains) {
    return Solver(take, findings, gains).solve();
}

} // namespace kitfold::dsp
