#include "faults/changes.h"
#include "core/fft.h"
#include "core/median.h"
#include "core/units.h"
#include "core/windows.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <limits>
#include <map>
#include <optional>

namespace kitfold::dsp {
namespace {

// Strokes of a third: three have a middle; more than twelve gain little, since errors fall with the root.
constexpr std::size_t kFewestOfThird = 3, kMost = 12;
constexpr double kHard_db = 9.0; // under the loud ones: softer ones sound different
// On takes of two real kits in which nothing changes, 99 of 100 comparisons stay within 1.1 dB (of 626) and
// 0.17 ms (of 177).
constexpr double kLevel_db = 3.0, kSteady_db = 1.0;
constexpr double kArrival_ms = 0.3, kSteady_ms = 0.15;
// An error known from a few strokes is itself off by half, so five and not three; and three strokes agree to
// nothing by chance: a quarter of kSteady_db, a sample at 48 kHz.
constexpr double kSureErrors = 5.0, kLeastError_db = 0.25, kLeastError_ms = 0.02;
constexpr double kAlike = 0.5;      // of two strokes' cross-correlations: what they share outweighs the rest
constexpr double kSearch_ms = 10.0; // 3.4 m: no stand sags farther
constexpr double kLead_ms = 30.0,
                 kLength_ms = 72.0; // of an excerpt: its noise, and the attack with its walls

/// Loud strokes with no other drum near, spread over a third: a kick with a hat sounds different from one
/// with a ride.
using Strokes = std::array<std::vector<double>, kThirds>;

Strokes strokes_of(const Take& take, std::span<const Hit> hits, Drum drum) {
    constexpr double kBefore_s = 0.03, kAfter_s = 0.05; // an attack of another drum would lie in the excerpt
    const auto alone = [&](const Hit& h) {
        return std::none_of(hits.begin(), hits.end(), [&](const Hit& other) {
            const double after_s = other.time_s - h.time_s;
            return other.drum != drum && after_s > -kBefore_s && after_s < kAfter_s;
        });
    };
    std::vector<Hit> own;
    std::vector<double> strengths;
    for (const auto& h : hits)
        if (h.drum == drum && alone(h)) own.push_back(h), strengths.push_back(h.strength_db);
    const double least_db = quantile(strengths, 0.9) - kHard_db;
    Strokes out;
    for (const auto& h : own)
        if (h.strength_db > least_db)
            out[std::min(kThirds - 1, std::size_t(3.0 * h.time_s / take.seconds()))].push_back(h.time_s);
    for (auto& third : out) {
        const auto all = third;
        if (all.size() <= kMost) continue;
        third.clear();
        for (std::size_t n = 0; n < kMost; ++n) third.push_back(all[n * all.size() / kMost]);
    }
    return out;
}

double power(std::span<const float> x) {
    double sum = 1e-14;
    for (const float v : x) sum += double(v) * double(v);
    return sum / double(std::max<std::size_t>(1, x.size()));
}

using Spectrum = std::vector<std::complex<float>>;

/// How one stroke's cross-correlation in a mic lies against that of another stroke.
struct Match {
    double later_ms = 0.0, alike = 0.0; ///< alike: -1 turned over .. 1
    [[nodiscard]] bool good() const { return std::abs(alike) >= kAlike; }
};

/// One drum's strokes in every mic.
struct HeardStrokes {
    Drum drum = Drum::kick;
    std::vector<double> time_s;
    std::vector<std::size_t> third;
    std::vector<std::vector<double>> level_db; ///< of each mic, each stroke
    std::vector<std::vector<bool>> clear;      ///< stands 10 dB out of what was before
    std::vector<std::vector<Match>> match;     ///< against one of the strokes
};

class Listener {
public:
    Listener(const Take& take, Drum drum, const Strokes& strokes)
        : take_(take), ms_(take.rate_hz / 1'000.0), window_(std::size_t(50.0 * ms_)),
          fft_(fast_fft_size(2 * window_)) {
        out_.drum = drum;
        for (std::size_t t = 0; t < kThirds; ++t)
            for (const double at_s : strokes[t]) out_.time_s.push_back(at_s), out_.third.push_back(t);
        while (weight_.size() < fft_.bins()) weight_.push_back(weight(weight_.size()));
        const auto mics = take.mics.size(), count = out_.time_s.size();
        out_.level_db.assign(mics, std::vector<double>(count));
        out_.clear.assign(mics, std::vector<bool>(count));
        std::vector<std::vector<Spectrum>> spectra(mics, std::vector<Spectrum>(count));
        for (std::size_t m = 0; m < mics; ++m)
            for (std::size_t h = 0; h < count; ++h) spectra[m][h] = hear(m, h);
        const auto reference = own_mic(take.mics, drum).value_or(loudest());
        for (std::size_t m = 0; m < mics; ++m) {
            std::vector<Spectrum> shapes;
            for (std::size_t h = 0; h < count; ++h)
                shapes.push_back(shape(spectra[m][h], spectra[reference][h]));
            out_.match.push_back(matches(shapes));
        }
    }
    HeardStrokes finish() { return std::move(out_); }

private:
    /// 100 Hz to 3 kHz: below, a mic's place says little, above, every stroke is another.
    [[nodiscard]] float weight(std::size_t bin) const {
        const double hz = double(bin) * take_.rate_hz / double(fft_.size());
        const double w =
            1.0 / ((1.0 + std::pow(100.0 / std::max(hz, 1.0), 4.0)) * (1.0 + std::pow(hz / 3'000.0, 4.0)));
        return float(w);
    }

    /// Level from 2 ms before the stroke to 40 behind it, against what was there before; and the spectrum.
    Spectrum hear(std::size_t mic, std::size_t stroke) {
        std::vector<float> x(std::size_t(kLength_ms * ms_)), in(fft_.size());
        take_.read(mic, std::llround((1'000.0 * out_.time_s[stroke] - kLead_ms) * ms_), x);
        const auto between = [&](double from_ms, double to_ms) {
            const auto first = std::size_t((kLead_ms + from_ms) * ms_);
            return power(std::span(x).subspan(
                first, std::min(std::size_t((kLead_ms + to_ms) * ms_), x.size()) - first));
        };
        const double heard = between(-2.0, 40.0);
        out_.level_db[mic][stroke] = db_from_power(heard);
        out_.clear[mic][stroke] = heard > 10.0 * between(-30.0, -5.0);
        for (std::size_t n = 0; n < window_; ++n)
            in[n] = x[n + std::size_t(20.0 * ms_)] * float(hann(double(n), double(window_)));
        Spectrum out(fft_.bins());
        fft_.forward(in, out);
        return out;
    }

    /// Cross-spectrum, most of the way to white, in the band.
    [[nodiscard]] Spectrum shape(const Spectrum& mic, const Spectrum& reference) const {
        Spectrum out(mic.size());
        for (std::size_t k = 0; k < out.size(); ++k) {
            const auto c = mic[k] * std::conj(reference[k]);
            out[k] = c * (weight_[k] / std::pow(std::abs(c) + 1e-20f, 0.7f));
        }
        return out;
    }

    [[nodiscard]] std::size_t loudest() const {
        std::vector<double> loudness;
        for (const auto& of_mic : out_.level_db) loudness.push_back(median(of_mic));
        return std::size_t(std::max_element(loudness.begin(), loudness.end()) - loudness.begin());
    }

    /// Against the one of three strokes over the take that most are like.
    [[nodiscard]] std::vector<Match> matches(const std::vector<Spectrum>& shapes) const {
        std::vector<Match> best;
        double most = -1.0;
        for (const std::size_t sixth : {1u, 3u, 5u}) {
            std::vector<Match> found;
            std::vector<double> alike;
            for (const auto& shape : shapes) {
                found.push_back(match(shapes[sixth * shapes.size() / 6], shape));
                alike.push_back(std::abs(found.back().alike));
            }
            if (const double typical = median(std::move(alike)); typical > most)
                most = typical, best = std::move(found);
        }
        return best;
    }

    [[nodiscard]] Match match(const Spectrum& x, const Spectrum& y) const {
        Spectrum both(fft_.bins());
        double xx = 1e-30, yy = 1e-30;
        for (std::size_t k = 0; k < both.size(); ++k) {
            both[k] = y[k] * std::conj(x[k]);
            const double twice = k == 0 || k + 1 == both.size() ? 1.0 : 2.0;
            xx += twice * double(std::norm(x[k])), yy += twice * double(std::norm(y[k]));
        }
        std::vector<float> c(fft_.size());
        fft_.inverse(both, c);
        return peak_of(c, std::sqrt(xx * yy) / double(fft_.size()));
    }

    [[nodiscard]] Match peak_of(std::span<const float> c, double whole) const {
        const auto size = std::ssize(c), reach = std::ptrdiff_t(kSearch_ms * ms_);
        const auto at = [&](std::ptrdiff_t n) { return double(c[std::size_t((n + size) % size)]); };
        std::ptrdiff_t best = 0;
        for (auto n = -reach; n <= reach; ++n)
            if (std::abs(at(n)) > std::abs(at(best))) best = n;
        const double before = at(best - 1), here = at(best), after = at(best + 1);
        const double bend = before - 2.0 * here + after;
        const double part = bend == 0.0 ? 0.0 : 0.5 * (before - after) / bend; // a parabola's top
        return {(double(best) + std::clamp(part, -0.5, 0.5)) / ms_, here / whole};
    }

    const Take& take_;
    double ms_;
    std::size_t window_;
    RealFft fft_;
    std::vector<float> weight_;
    HeardStrokes out_;
};

/// What one drum says of one mic between two thirds; nothing where it can't tell.
struct Said {
    Drum drum = Drum::kick;
    double amount = 0.0;
    bool moved = false;
};

double spread_of(std::vector<double> x) {
    const double middle = median(x);
    for (auto& v : x) v = std::abs(v - middle);
    return 1.4826 * median(std::move(x)); // a normal distribution's standard deviation
}

/// The figure of a mic's strokes in a third.
struct Third {
    double middle = 0.0, error = 0.0;
    std::size_t count = 0;
};
Third third_of(const std::vector<double>& x, double least_error) {
    const double middle = median(x),
                 error = spread_of(x) / std::sqrt(double(std::max<std::size_t>(1, x.size())));
    return {middle, std::max(error, least_error), x.size()};
}

/// Of a change by `amount`; nothing where the strokes are too unlike to tell `least`.
std::optional<Said> judge(Drum drum, double amount, const Third& a, const Third& b, double least) {
    const double sure = kSureErrors * std::hypot(a.error, b.error);
    const bool moved = std::abs(amount) >= std::max(least, sure);
    return moved || sure <= least ? std::optional(Said{drum, amount, moved}) : std::nullopt;
}

using Report = std::map<std::size_t, Said>; // by mic

/// Mics in which three strokes of one of two thirds are clear.
std::vector<std::size_t> hearing(const HeardStrokes& s, std::size_t a, std::size_t b) {
    std::vector<std::size_t> out;
    for (std::size_t m = 0; m < s.clear.size(); ++m) {
        std::array<std::size_t, kThirds> clear{};
        for (std::size_t h = 0; h < s.third.size(); ++h) clear[s.third[h]] += s.clear[m][h];
        if (std::max(clear[a], clear[b]) >= kFewestOfThird) out.push_back(m);
    }
    return out;
}

/// Each mic's level against its own middle and against the other mics of the same stroke: how hard it was
/// struck falls out.
Report compare_levels(const HeardStrokes& s, std::size_t a, std::size_t b) {
    const auto mics = hearing(s, a, b);
    if (mics.size() < 3) return {};
    auto level_db = s.level_db;
    for (const auto m : mics) {
        const double middle = median(level_db[m]);
        for (auto& v : level_db[m]) v -= middle;
    }
    for (std::size_t h = 0; h < s.third.size(); ++h) {
        std::vector<double> of_stroke;
        for (const auto m : mics) of_stroke.push_back(level_db[m][h]);
        const double middle = median(std::move(of_stroke));
        for (const auto m : mics) level_db[m][h] -= middle;
    }
    Report out;
    std::size_t steady = 0;
    for (const auto m : mics) {
        std::array<std::vector<double>, kThirds> parts;
        for (std::size_t h = 0; h < s.third.size(); ++h) parts[s.third[h]].push_back(level_db[m][h]);
        const auto before = third_of(parts[a], kLeastError_db), after = third_of(parts[b], kLeastError_db);
        const auto said = judge(s.drum, after.middle - before.middle, before, after, kLevel_db);
        if (!said) continue;
        out[m] = *said;
        steady += std::abs(said->amount) <= kSteady_db;
    }
    if (2 * steady <= out.size()) return {}; // not these mics, but the drum
    return out;
}

/// Lags of a mic's good strokes in a third, and which way up most of them are; 0: they don't agree.
std::pair<Third, int> lags_of(const HeardStrokes& s, std::size_t mic, std::size_t third) {
    constexpr double kAgree = 0.8; // four of five strokes: a mic that was turned over is so for all
    std::vector<double> lags_ms;
    double over = 0.0;
    for (std::size_t h = 0; h < s.third.size(); ++h)
        if (s.third[h] == third && s.clear[mic][h] && s.match[mic][h].good())
            lags_ms.push_back(s.match[mic][h].later_ms), over += s.match[mic][h].alike < 0.0;
    const double count = double(lags_ms.size());
    const int way = over <= (1.0 - kAgree) * count ? 1 : over >= kAgree * count ? -1 : 0;
    return {third_of(lags_ms, kLeastError_ms), way};
}

/// The shift that most mics share. @param shifts_ms by mic
double common_shift(const std::map<std::size_t, double>& shifts_ms) {
    double common = 0.0;
    std::ptrdiff_t most = 0;
    for (const auto& one : shifts_ms) {
        const auto with = std::count_if(shifts_ms.begin(), shifts_ms.end(), [&](const auto& other) {
            return std::abs(other.second - one.second) <= kSteady_ms;
        });
        if (with > most || (with == most && std::abs(one.second) < std::abs(common)))
            common = one.second, most = with;
    }
    return common;
}

struct Shapes {
    Report arrival, polarity;
};

Shapes compare_shapes(const HeardStrokes& s, std::size_t a, std::size_t b) {
    Shapes out;
    std::map<std::size_t, std::pair<Third, Third>> lags;
    std::map<std::size_t, double> shifts_ms;
    std::size_t over = 0;
    for (std::size_t m = 0; m < s.match.size(); ++m) {
        const auto [before, way_before] = lags_of(s, m, a);
        const auto [after, way_after] = lags_of(s, m, b);
        if (std::min(before.count, after.count) < kFewestOfThird || way_before * way_after == 0) continue;
        out.polarity[m] = {s.drum, 0.0, way_before != way_after};
        over += way_before != way_after;
        shifts_ms[m] = after.middle - before.middle;
        lags[m] = {before, after};
    }
    if (out.polarity.size() < 3) return {};
    if (2 * over > out.polarity.size()) // the mic that all are compared with is the one
        for (auto& [m, said] : out.polarity) said.moved = !said.moved;
    const double common_ms = common_shift(shifts_ms);
    std::size_t steady = 0;
    for (const auto& [m, shift_ms] : shifts_ms) {
        const auto said = judge(s.drum, shift_ms - common_ms, lags[m].first, lags[m].second, kArrival_ms);
        if (!said) continue;
        out.arrival[m] = *said;
        steady += std::abs(said->amount) <= kSteady_ms;
    }
    // not these mics, but the drum; or two halves, of which only larger ones are two groups and no accident
    constexpr std::size_t kGroups = 6;
    if (2 * steady < out.arrival.size() + (out.arrival.size() < kGroups)) out.arrival.clear();
    return out;
}

/// All drums' reports on two thirds, of one kind.
using Reports = std::vector<Report>;

/// The drum that shows a mic's change most, if the drums together prove it.
std::optional<Said> proven(const Reports& reports, std::size_t mic, ChangeKind kind) {
    std::optional<Said> most;
    std::size_t agree = 0, heard = 0;
    for (const auto& report : reports)
        if (const auto at = report.find(mic); at != report.end()) {
            ++heard;
            if (at->second.moved && (!most || std::abs(at->second.amount) > std::abs(most->amount)))
                most = at->second;
        }
    if (!most) return std::nullopt;
    const double half = 0.5 * (kind == ChangeKind::level ? kLevel_db : kArrival_ms);
    for (const auto& report : reports)
        if (const auto at = report.find(mic); at != report.end()) {
            const double along = most->amount < 0.0 ? -at->second.amount : at->second.amount;
            if (kind == ChangeKind::polarity && !at->second.moved) return std::nullopt;
            if (along < -half) return std::nullopt;
            agree += along >= half;
        }
    if (kind == ChangeKind::polarity || agree >= 2) return most;
    return heard == 1 && most->drum != Drum::snare ? most : std::nullopt;
}

/// By thirds, then by drum.
struct AllReports {
    std::map<std::pair<std::size_t, std::size_t>, Reports> level, polarity, arrival;
    std::vector<HeardStrokes> strokes;
};

AllReports report_all(const Take& take, std::span<const Hit> hits) {
    AllReports out;
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        if (is_plate(Drum(d))) continue;
        const auto strokes = strokes_of(take, hits, Drum(d));
        const auto enough = std::count_if(strokes.begin(), strokes.end(),
                                          [](const auto& third) { return third.size() >= kFewestOfThird; });
        if (enough < 2) continue;
        const auto& heard = out.strokes.emplace_back(Listener(take, Drum(d), strokes).finish());
        for (const auto& [a, b] : kPairsOfThirds) {
            if (std::min(strokes[a].size(), strokes[b].size()) < kFewestOfThird) continue;
            out.level[{a, b}].push_back(compare_levels(heard, a, b));
            auto shapes = compare_shapes(heard, a, b);
            out.polarity[{a, b}].push_back(std::move(shapes.polarity));
            out.arrival[{a, b}].push_back(std::move(shapes.arrival));
        }
    }
    return out;
}

/// A mic's lags over time, against those of the mics that stay.
std::vector<std::pair<double, double>> lag_line(const HeardStrokes& s, const Report& report,
                                                std::size_t mic) {
    std::vector<std::pair<double, double>> out;
    for (std::size_t h = 0; h < s.time_s.size(); ++h) {
        std::vector<double> others;
        for (const auto& [m, said] : report)
            if (std::abs(said.amount) <= kSteady_ms && s.match[m][h].good())
                others.push_back(s.match[m][h].later_ms);
        if (!others.empty() && s.match[mic][h].good())
            out.emplace_back(s.time_s[h], s.match[mic][h].later_ms - median(std::move(others)));
    }
    return out;
}

/// What is left of values when a mean is taken out, or a straight line.
double left_over(std::span<const std::pair<double, double>> x, bool line) {
    double t = 0.0, v = 0.0, tt = 1e-12, tv = 0.0, vv = 0.0;
    for (const auto& p : x) t += p.first / double(x.size()), v += p.second / double(x.size());
    for (const auto& p : x)
        tt += (p.first - t) * (p.first - t), tv += (p.first - t) * (p.second - v),
            vv += (p.second - v) * (p.second - v);
    return line ? vv - tv * tv / tt : vv;
}

/// Whether a straight line fits the lags better than one step, wherever that is.
bool is_steady(const HeardStrokes& s, const Report& report, std::size_t mic) {
    const auto lags = lag_line(s, report, mic);
    const std::span all(lags);
    double step = std::numeric_limits<double>::infinity();
    for (std::size_t n = 1; n < lags.size(); ++n)
        step = std::min(step, left_over(all.first(n), false) + left_over(all.subspan(n), false));
    return lags.size() >= 2 * kFewestOfThird && left_over(all, true) < step;
}

bool drifts(const AllReports& reports, const TakeChange& change) {
    const auto& of_thirds = reports.arrival.at({change.from, change.to});
    for (const auto& s : reports.strokes)
        for (const auto& report : of_thirds)
            if (s.drum == change.drum && report.contains(change.mics[0]) &&
                report.at(change.mics[0]).drum == change.drum)
                return is_steady(s, report, change.mics[0]);
    return false;
}

} // namespace

std::vector<TakeChange> changes_within(const Take& take, std::span<const Hit> hits) {
    std::vector<TakeChange> out;
    if (take.mics.size() < 3) return out;
    const auto reports = report_all(take, hits);
    const auto tell = [&](ChangeKind kind, const auto& of_kind) {
        for (std::size_t m = 0; m < take.mics.size(); ++m) {
            std::optional<TakeChange> most;
            for (const auto& [a, b] : kPairsOfThirds) {
                const auto at = of_kind.find({a, b});
                if (at == of_kind.end()) continue;
                const auto said = proven(at->second, m, kind);
                if (said && !most) most = TakeChange{kind, {m}, said->drum, a, b, said->amount, false};
            }
            if (!most) continue;
            most->steady = kind == ChangeKind::arrival && drifts(reports, *most);
            const auto alike = std::find_if(out.begin(), out.end(), [&](const TakeChange& c) {
                return kind == ChangeKind::arrival && c.kind == kind && c.from == most->from &&
                       c.to == most->to && std::abs(c.amount - most->amount) <= 2.0 * kSteady_ms;
            });
            if (alike == out.end())
                out.push_back(*most);
            else
                alike->mics.push_back(m), alike->steady = alike->steady && most->steady;
        }
    };
    tell(ChangeKind::level, reports.level);
    tell(ChangeKind::polarity, reports.polarity);
    tell(ChangeKind::arrival, reports.arrival);
    return out;
}

} // namespace kitfold::dsp
