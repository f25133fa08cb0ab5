#include "faults/faults.h"
#include "core/median.h"
#include "core/units.h"
#include "take/frames.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numeric>

namespace kitfold::dsp {
namespace {

// Common practice, no source, for the levels; the rest from what a recording can and cannot contain.
constexpr double kDcFault = 1e-3;         // -60 dBFS, all along
constexpr double kDcOfPart = 5e-3;        // in a second of it; rooms leave -61 dBFS, simulated ones -50
constexpr double kSilentRangeDb = 10.0;   // nothing stands out of the noise
constexpr double kLowPeakDbfs = -36.0;    // 16 bits would leave 60 dB
constexpr double kGapBelowNoiseDb = 12.0; // noise of 1 ms never falls that far
constexpr double kLeastRoughness = 1e-10; // of sums of rounded squares: nothing
// Roughness in steps of the file under which its noise stands still by chance: above, in 14 recorded mics of
// 30 s no run was longer than 14 samples; at 0.5 they last 1.1 ms.
constexpr double kCoarse = 2.0;
constexpr double kLeastCoarseMs = 3.0;
constexpr double kSameLevel = 0.003;                // flat tops of one stage have one level
constexpr float kFullScale = 32'767.0f / 32'768.0f; // of 16 bits, the lowest in use
constexpr double kEqual = 1e-6;                     // half a step of 20 bits: rounding, and not the sound
constexpr double kJustBelow = 0.01; // 0.1 dB: a peak of a sound leaves samples there, a limit doesn't
constexpr double kFlat = 0.001;     // a flat top is flat within -60 dB
constexpr double kLeastTop = 1e-3, kLeastTopSteps = 500.0; // a level under two of its steps is no level: any
                                                           // top is flat
constexpr double kNotRoundTop =
    2.5 * 9.0; // times kFlat: a parabola that is flat over L has fallen by 9 kFlat at L beyond
constexpr std::size_t kMostCandidates = 24; // per polarity
constexpr double kLengthTolerance_s = 0.05; // files of one recording are cut at the same buffer
constexpr double kIdenticalRest = 0.003;    // -50 dB

double db(double amplitude) { return db_from_gain(amplitude, kSilentDb); }

/// Mean squares of windows of `width` frames, half overlapping, without DC.
std::vector<double> windows_of(const MicMeasure& m, std::size_t width, double dc) {
    std::vector<double> out;
    for (std::size_t at = 0; at + width <= m.frame_energy.size(); at += std::max<std::size_t>(1, width / 2)) {
        const auto first = m.frame_energy.begin() + std::ptrdiff_t(at);
        const double sum = std::accumulate(first, first + std::ptrdiff_t(width), 0.0);
        out.push_back(std::max(0.0, sum / double(width) - dc * dc));
    }
    return out;
}

/// The last value that the share `q` of the others does not pass.
double at_share(std::vector<double> v, double q) {
    return v.empty() ? 0.0 : of_rank(v, std::size_t(q * double(v.size() - 1)));
}

/// Means of 0.1 s.
std::vector<double> means_of(const MicMeasure& m) {
    const auto width = std::max<std::size_t>(1, std::size_t(std::lround(0.1 * m.low_rate_hz)));
    std::vector<double> means;
    for (std::size_t at = 0; at + width <= m.low.size(); at += width)
        means.push_back(std::accumulate(m.low.begin() + std::ptrdiff_t(at),
                                        m.low.begin() + std::ptrdiff_t(at + width), 0.0) /
                        double(width));
    return means;
}

/// A mean that kicks do not move.
double steady_mean(const MicMeasure& m) {
    auto means = means_of(m);
    return means.empty() ? m.mean : at_share(std::move(means), 0.5);
}

std::optional<Fault> dc_in(std::size_t mic, const MicMeasure& m) {
    const auto fault = [&](double dc, std::optional<double> at_s) {
        return Fault{FaultKind::dc, mic, at_s, db(std::abs(dc)), 0, 0.0, 0.0, {}};
    };
    const double all_along = steady_mean(m);
    if (std::abs(all_along) >= kDcFault) return fault(all_along, {});
    constexpr std::size_t second = 10;
    const auto means = means_of(m);
    for (std::size_t at = 0; at + second <= means.size(); ++at) {
        const auto first = means.begin() + std::ptrdiff_t(at);
        const std::vector<double> part(first, first + std::ptrdiff_t(second));
        const double dc = at_share(part, 0.5);
        if (std::abs(dc) < kDcOfPart) continue;
        // An offset stands still; what a clipped room or the air of a kick leaves does not.
        if (std::abs(at_share(part, 0.2) - dc) + std::abs(at_share(part, 0.8) - dc) > 0.5 * std::abs(dc))
            continue;
        const auto begin =
            std::find_if(first, means.end(), [](double v) { return std::abs(v) >= kDcOfPart; });
        return fault(dc, double(begin - means.begin()) / 10.0);
    }
    return std::nullopt;
}

/// Is the run x[from, to), flat as it is, not merely the round top of a slow wave?
bool cut_off(std::span<const float> x, std::size_t from, std::size_t to, double level) {
    const auto length = to - from;
    if (length < 3 || from < length || to + length > x.size()) return false;
    const double before = 1.0 - x[from - length] / level, after = 1.0 - x[to + length - 1] / level;
    return std::min(before, after) > kNotRoundTop * kFlat;
}

/// Cut-off tops that begin in x[begin, end), at the highest level of the stretch.
std::size_t count_cut_off(std::span<const float> x, std::size_t begin, std::size_t end) {
    const double level =
        *std::max_element(x.begin() + std::ptrdiff_t(begin), x.begin() + std::ptrdiff_t(end));
    const auto on_top = [&](std::size_t n) { return n < x.size() && x[n] >= level * (1.0 - kFlat); };
    std::size_t count = 0;
    for (auto from = begin; from < end; ++from) {
        if (!on_top(from)) continue;
        auto to = from;
        while (on_top(to)) ++to;
        count += cut_off(x, from, to, level) ? 1u : 0u;
        from = to;
    }
    return count;
}

/// Peaks of x[begin, end) that stop at exactly one value and leave it between: how a fast wave looks when it
/// is cut off, too few samples to be flat. Chance does not repeat a value; three are enough.
std::size_t count_equal_peaks(std::span<const float> x, std::size_t begin, std::size_t end) {
    const double level =
        *std::max_element(x.begin() + std::ptrdiff_t(begin), x.begin() + std::ptrdiff_t(end));
    std::size_t count = 0;
    bool left = true;
    for (auto n = begin; n < end; ++n) {
        if (x[n] < level * (1.0 - kNotRoundTop * kFlat)) left = true;
        if (!left || x[n] < level * (1.0 - kEqual)) continue;
        ++count;
        left = false;
    }
    return count >= 3 ? count : 0;
}

struct FlatTops {
    std::size_t count = 0;
    std::int64_t first_frame = -1;
};

/// Tops at the highest level of one polarity that look cut off.
FlatTops flat_tops(const Take& take, std::size_t mic, const std::vector<float>& frames, double extreme,
                   double sign) {
    FlatTops found;
    constexpr std::int64_t part = 20; // frames that are looked at, and as many before and after
    const auto length = std::size_t(frame_start(part, take.rate_hz));
    std::vector<float> x(3 * length);
    std::size_t looked_at = 0;
    for (std::int64_t f = 0; f < std::ssize(frames) && looked_at < kMostCandidates; ++f) {
        if (sign * frames[std::size_t(f)] < extreme * (1.0 - kSameLevel)) continue;
        ++looked_at;
        take.read(mic, frame_start(f, take.rate_hz) - std::int64_t(length), x);
        for (auto& v : x) v *= float(sign);
        const auto count =
            std::max(count_cut_off(x, length, 2 * length), count_equal_peaks(x, length, 2 * length));
        if (count > 0 && found.count == 0) found.first_frame = f;
        found.count += count;
        f += part - 1;
    }
    return found;
}

/// Tops of a sample or two, as a hi-hat leaves them, all on the highest level there is: a ceiling gathers
/// more of them than there are just below it. A sampled stroke that is played again and again does so too,
/// but comes up to its top the same way each time.
FlatTops gathered_tops(const Take& take, std::size_t mic, const std::vector<float>& frames, double extreme,
                       double sign) {
    std::size_t below = 0;
    FlatTops found;
    std::vector<float> ways;
    std::vector<float> x;
    for (std::int64_t f = 0; f < std::ssize(frames); ++f) {
        const double top = sign * frames[std::size_t(f)];
        if (top < extreme * (1.0 - kEqual)) {
            below += top >= extreme * (1.0 - kJustBelow) ? 1 : 0;
            continue;
        }
        if (found.count++ == 0) found.first_frame = f;
        if (ways.size() == kMostCandidates) continue;
        const auto start = frame_start(f, take.rate_hz);
        x.resize(std::size_t(frame_start(f + 1, take.rate_hz) - start) + 1);
        take.read(mic, start - 1, x);
        for (auto& v : x) v *= float(sign);
        const auto at = std::max_element(x.begin() + 1, x.end());
        const auto same = [&](float way) { return std::abs(way - *(at - 1)) < kFlat * extreme; };
        if (std::none_of(ways.begin(), ways.end(), same)) ways.push_back(*(at - 1));
    }
    return ways.size() >= 3 && found.count > below ? found : FlatTops{};
}

std::optional<Fault> clipped(const Take& take, std::size_t mic, const MicMeasure& m) {
    Fault fault{FaultKind::clipped, mic, {}, db(m.peak()), 0, 0.0, 0.0, {}};
    if (m.full_scale_runs > 0) {
        fault.count = m.full_scale_runs;
        fault.at_s = double(m.first_full_scale) / m.rate_hz;
        return fault;
    }
    // A fast wave may touch full scale for a sample or two only; a file that was normalised does so once or
    // twice.
    const auto touches = [&](std::size_t f) {
        return std::max(m.frame_highest[f], -m.frame_lowest[f]) >= kFullScale;
    };
    for (std::size_t f = 0; f < m.frame_highest.size(); ++f)
        if (touches(f) && fault.count++ == 0) fault.at_s = double(f) / 1'000.0;
    if (fault.count >= 3) return fault;
    const double least = std::max(kLeastTop, kLeastTopSteps * double(m.step));
    const auto tops = [&](const std::vector<float>& frames, double extreme, double sign) -> FlatTops {
        if (extreme < least) return {};
        const auto flat = flat_tops(take, mic, frames, extreme, sign);
        if (flat.count >= 2) return flat;
        const auto gathered = gathered_tops(take, mic, frames, extreme, sign);
        return gathered.count > 0 ? gathered : flat;
    };
    const auto high = tops(m.frame_highest, m.highest, 1.0), low = tops(m.frame_lowest, -m.lowest, -1.0);
    fault.count = high.count + low.count;
    // One flat top can be chance; two at one level, or one that stands perfectly still, can not.
    const bool still = std::any_of(m.held.begin(), m.held.end(), [&](const HeldRun& run) {
        const double extreme = run.value > 0.0f ? m.highest : -m.lowest;
        return extreme > least && std::abs(run.value) >= extreme * (1.0 - kFlat);
    });
    const bool cut = high.count >= 2 || low.count >= 2 || (still && fault.count > 0);
    if (!cut) return std::nullopt;
    const bool high_first = low.count == 0 || (high.count > 0 && high.first_frame < low.first_frame);
    const auto first = high_first ? high.first_frame : low.first_frame;
    fault.level_db = db(high.count >= low.count ? m.highest : -m.lowest);
    fault.at_s = double(first) / 1'000.0;
    return fault;
}

/// Roughness of the mic's own noise, from its quietest frames; 0 when it has none (16 bits and a very quiet
/// mic, a gated track), so that a standing signal means nothing.
double own_roughness(const MicMeasure& m) {
    const auto sounds = [](float v) { return v > 0.0f; };
    const auto first = std::find_if(m.frame_rough.begin(), m.frame_rough.end(), sounds);
    const auto last = std::find_if(m.frame_rough.rbegin(), std::make_reverse_iterator(first), sounds).base();
    std::vector<double> rough;
    std::copy_if(first, last, std::back_inserter(rough), sounds);
    if (double(rough.size()) < 0.9 * double(last - first)) return 0.0;
    const double value = at_share(std::move(rough), 0.005);
    return value > kLeastRoughness ? value : 0.0;
}

/// Gaps: samples that stand still, or noise that stops at once, while the mic is alive before and after. A
/// file whose noise is less than its own step stands still by itself: there, only sound that breaks off is a
/// gap, for no drum falls from thirty steps to none in a millisecond.
class DropoutSearch {
public:
    DropoutSearch(std::size_t mic, const MicMeasure& m)
        : m_(m), noise_(own_roughness(m)), coarse_(noise_ < kCoarse * double(m.step) * double(m.step)) {
        fault_.kind = FaultKind::dropout, fault_.mic = mic;
    }
    std::optional<Fault> run() {
        if (noise_ <= 0.0) return std::nullopt;
        standing();
        quiet();
        return fault_.count > 0 ? std::optional(fault_) : std::nullopt;
    }

private:
    [[nodiscard]] bool alive(std::int64_t frame) const {
        return frame >= 0 && frame < std::ssize(m_.frame_rough) &&
               m_.frame_rough[std::size_t(frame)] > 0.25 * noise_;
    }
    [[nodiscard]] bool breaks_off(std::int64_t frame) const {
        if (!coarse_) return alive(frame);
        return alive(frame) &&
               m_.frame_highest[std::size_t(frame)] - m_.frame_lowest[std::size_t(frame)] > 30.0f * m_.step;
    }
    [[nodiscard]] bool dead(std::int64_t frame) const {
        return frame < std::ssize(m_.frame_rough) &&
               m_.frame_rough[std::size_t(frame)] < noise_ * power_from_db(-kGapBelowNoiseDb);
    }
    void add(double start_s, double seconds) {
        fault_.at_s = fault_.at_s ? std::min(*fault_.at_s, start_s) : start_s;
        fault_.seconds = std::max(fault_.seconds, seconds);
        ++fault_.count;
    }
    void standing() {
        for (const auto& run : m_.held) {
            const double start_ms = double(run.start) / m_.rate_hz * 1'000.0,
                         ms = double(run.length) / m_.rate_hz * 1'000.0;
            const bool clipped = std::abs(run.value) > 0.5f * m_.peak() && ms < 10.0;
            if (coarse_ && ms < kLeastCoarseMs) continue;
            if (!clipped && breaks_off(std::int64_t(start_ms) - 1) && alive(std::int64_t(start_ms + ms) + 1))
                add(start_ms / 1'000.0, ms / 1'000.0);
        }
    }
    void quiet() {
        if (coarse_) return;
        for (std::int64_t f = 0; f < std::ssize(m_.frame_rough); ++f) {
            if (!dead(f)) continue;
            auto end = f;
            while (dead(end)) ++end;
            const double start_s = double(f) / 1'000.0, end_s = double(end) / 1'000.0;
            const bool known = std::any_of(m_.held.begin(), m_.held.end(), [&](const HeldRun& r) {
                const double at = double(r.start) / m_.rate_hz;
                return at < end_s && at + double(r.length) / m_.rate_hz > start_s;
            });
            if (!known && alive(f - 2) && alive(end + 1)) add(start_s, end_s - start_s);
            f = end;
        }
    }
    const MicMeasure& m_;
    double noise_;
    bool coarse_;
    Fault fault_;
};

} // namespace

std::string_view fault_name(FaultKind kind) noexcept {
    constexpr std::array<std::string_view, 12> names{"clipped", "hum",       "dc",        "dropout",
                                                     "crackle", "silent",    "identical", "rate",
                                                     "length",  "low_level", "polarity",  "channel_order"};
    return names[std::size_t(kind)];
}

std::vector<Fault> mic_faults(const Take& take, std::size_t mic, const MicMeasure& m, std::size_t own_hits) {
    std::vector<Fault> faults;
    const double peak = db(m.peak());
    const double dc = steady_mean(m);
    const auto steady = windows_of(m, 20, dc);
    const double loudest = steady.empty() ? 0.0 : *std::max_element(steady.begin(), steady.end());
    const bool nothing_stands_out = loudest < at_share(steady, 0.1) * power_from_db(kSilentRangeDb);
    const bool silent =
        peak < kSilentDbfs || (nothing_stands_out && m.samples > std::int64_t(0.5 * m.rate_hz));
    if (silent) faults.push_back({FaultKind::silent, mic, {}, peak, 0, 0.0, 0.0, {}});
    if (const auto fault = clipped(take, mic, m)) faults.push_back(*fault);
    if (const auto fault = DropoutSearch(mic, m).run()) faults.push_back(*fault);
    if (const auto hum = find_hum(m.low, m.low_rate_hz))
        faults.push_back({FaultKind::hum, mic, {}, hum->level_dbfs, hum->harmonics.size(), 0.0, hum->hz, {}});
    if (const auto fault = dc_in(mic, m)) faults.push_back(*fault);
    if (!silent && peak < kLowPeakDbfs && own_hits > 0)
        faults.push_back({FaultKind::low_level, mic, {}, peak, 0, 0.0, 0.0, {}});
    return faults;
}

std::vector<Fault> early_ends(std::span<const MicMeasure> measures) {
    constexpr std::int64_t second = 1'000; // frames
    std::vector<std::int64_t> first, last;
    for (const auto& m : measures) {
        const auto sounds = [](float v) { return v > 0.0f; };
        const auto from = std::find_if(m.frame_rough.begin(), m.frame_rough.end(), sounds);
        first.push_back(from - m.frame_rough.begin());
        last.push_back(std::find_if(m.frame_rough.rbegin(), std::make_reverse_iterator(from), sounds).base() -
                       m.frame_rough.begin());
    }
    auto in_order = first;
    const auto begin = quantile(in_order, 0.5);
    in_order = last;
    const auto end = quantile(in_order, 0.5);
    std::vector<Fault> faults;
    for (std::size_t m = 0; m < measures.size(); ++m) {
        const auto rest = std::min(end, std::int64_t(std::ssize(measures[m].frame_rough))) - last[m];
        const bool one_piece = first[m] < begin + second && 2 * (last[m] - first[m]) > end - begin &&
                               own_roughness(measures[m]) > 0.0;
        if (one_piece && rest >= second)
            faults.push_back(
                {FaultKind::dropout, m, double(last[m]) / 1'000.0, 0.0, 1, double(rest) / 1'000.0, 0.0, {}});
    }
    return faults;
}

namespace {

/// Best gain from a to b over an excerpt, and what it leaves re b. An excerpt with little in it gives
/// nothing.
struct Scaled {
    double gain = 0.0, rest = 1.0;
};
std::optional<Scaled> match(std::span<const float> a, std::span<const float> b) {
    double aa = 0.0, bb = 0.0, ab = 0.0;
    for (std::size_t n = 0; n < a.size(); ++n)
        aa += double(a[n]) * a[n], bb += double(b[n]) * b[n], ab += double(a[n]) * b[n];
    if (!(aa > 0.0) || !(bb > 0.0)) return std::nullopt;
    return Scaled{ab / aa, std::sqrt(std::max(0.0, 1.0 - ab * ab / (aa * bb)))};
}

bool one_signal(const Take& take, std::size_t a, std::size_t b, const MicMeasure& m) {
    constexpr std::size_t excerpts = 8;
    std::vector<float> x(std::size_t(0.05 * take.rate_hz)), y(x.size());
    const auto part = m.frame_energy.size() / excerpts;
    if (part < 50) return false;
    double gain = 0.0;
    for (std::size_t e = 0; e < excerpts; ++e) { // the loudest moment of each part
        const auto first = m.frame_energy.begin() + std::ptrdiff_t(e * part);
        const auto frame = std::max_element(first, first + std::ptrdiff_t(part)) - m.frame_energy.begin();
        const auto start = frame_start(frame, take.rate_hz);
        take.read(a, start, x);
        take.read(b, start, y);
        const auto found = match(x, y);
        if (!found || found->rest > kIdenticalRest) return false;
        if (e > 0 && std::abs(found->gain / gain - 1.0) > 2.0 * kIdenticalRest) return false;
        gain = found->gain;
    }
    return true;
}

} // namespace

std::vector<Fault> identical_faults(const Take& take, std::span<const MicMeasure> measures) {
    std::vector<Fault> faults;
    for (std::size_t b = 0; b < measures.size(); ++b)
        for (std::size_t a = 0; a < b; ++a) {
            if (db(measures[a].peak()) < kSilentDbfs || db(measures[b].peak()) < kSilentDbfs) continue;
            if (!one_signal(take, a, b, measures[a])) continue;
            faults.push_back({FaultKind::identical, b, {}, 0.0, 0, 0.0, 0.0, a});
            break;
        }
    return faults;
}

namespace {

double most_common_rate(std::span<const MicFile> files) {
    std::map<double, std::size_t> count;
    for (const auto& f : files) ++count[f.rate_hz];
    return std::max_element(count.begin(), count.end(),
                            [](const auto& a, const auto& b) { return a.second < b.second; })
        ->first;
}

/// Is this the ratio of two rates in use, so that the file was recorded at one and labelled with the other?
bool looks_like_rate(double ratio) {
    constexpr std::array<double, 6> rates{32'000, 44'100, 48'000, 88'200, 96'000, 192'000};
    for (const double a : rates)
        for (const double b : rates)
            if (a != b && std::abs(ratio / (a / b) - 1.0) < 5e-4) return true;
    return false;
}

} // namespace

std::vector<Fault> file_faults(std::span<const MicFile> files) {
    std::vector<Fault> faults;
    if (files.empty()) return faults;
    const double rate = most_common_rate(files);
    std::vector<double> seconds;
    for (const auto& f : files) seconds.push_back(double(f.samples) / f.rate_hz);
    const double usual = at_share(seconds, 0.5);
    for (std::size_t i = 0; i < files.size(); ++i) {
        const double longer = seconds[i] - usual;
        if (files[i].rate_hz != rate) {
            faults.push_back({FaultKind::rate, i, {}, 0.0, 0, longer, files[i].rate_hz, {}});
        } else if (std::abs(longer) > kLengthTolerance_s && looks_like_rate(seconds[i] / usual)) {
            faults.push_back({FaultKind::rate, i, {}, 0.0, 0, longer, files[i].rate_hz, {}});
        } else if (std::abs(longer) > kLengthTolerance_s) {
            faults.push_back({FaultKind::length, i, {}, 0.0, 0, longer, 0.0, {}});
            if (longer < 0.0) faults.back().at_s = seconds[i];
        }
    }
    return faults;
}

MicLevels mic_levels(const MicMeasure& m, std::span<const double> hits) {
    MicLevels levels;
    levels.peak_dbfs = db(m.peak());
    levels.dc = steady_mean(m);
    levels.noise_floor_dbfs = db(std::sqrt(at_share(windows_of(m, 50, levels.dc), 0.02)));
    levels.crest_db = m.mean_square > 0.0 ? levels.peak_dbfs - db_from_power(m.mean_square) : 0.0;
    std::vector<double> rms;
    for (const double time_s : hits) {
        const auto from = std::int64_t(time_s * 1'000.0);
        if (from < 0 || from + 50 > std::ssize(m.frame_energy)) continue;
        const auto first = m.frame_energy.begin() + from;
        rms.push_back(db(std::sqrt(std::accumulate(first, first + 50, 0.0) / 50.0)));
    }
    if (!rms.empty()) levels.hit_rms_dbfs = at_share(std::move(rms), 0.5);
    return levels;
}

} // namespace kitfold::dsp
