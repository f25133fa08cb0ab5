#include "core/median.h"
#include "core/units.h"
#include "core/vector_clones.h"
#include "core/windows.h"
#include "faults/faults.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <numbers>
#include <numeric>

namespace kitfold::dsp {
namespace {

using Complex = std::complex<double>;
constexpr double kTwoPi = 2.0 * std::numbers::pi;
constexpr double kSegmentS = 0.25;   // short enough to lie between strokes
constexpr double kWindowS = 8.0;     // lines of 0.12 Hz, as narrow as the grid is steady
constexpr double kHighestHz = 420.0; // the seventh of 60 Hz, the eighth of 50; what is read ends at 450
constexpr double kOffsetHz = 0.15,
                 kOffsetStepHz = 0.03; // European and American grids stay within 0.1 Hz or so
constexpr double kSignificant = 8.0;   // standard errors, over some hundred frequencies that are tried
constexpr double kSharePresent = 0.6;  // of the windows, as it is there all along: more than half
constexpr double kSteady = 0.35;       // of the level, from window to window: what moves by 3 dB is played
constexpr double kAudibleDbfs = -76.0; // common practice, no source: 60 dB under a drum that peaks at -16

double deviation(const std::vector<double>& v, double centre) { // as a standard deviation, were it Gaussian
    std::vector<double> d;
    for (const double x : v) d.push_back(std::abs(x - centre));
    return 1.4826 * upper_median(std::move(d));
}

/// Half-overlapping Hann segments: how loud each is, and its phasor at each harmonic of a base, turned so
/// that a steady tone at exactly that frequency has the same phasor in all of them.
struct Segments {
    std::vector<double> energy;
    std::vector<std::vector<Complex>> phasor; // [harmonic - 1][segment]
    double hop_s = 0.0;
};

constexpr std::size_t kMostHarmonics = 8;             // of 50 Hz, up to kHighestHz
using Turns = std::array<double, 2 * kMostHarmonics>; // real parts, imaginary parts

/// All harmonics side by side, so that no sum waits for the one before.
KITFOLD_VECTOR_CLONES void add_turns(const float* x, const Turns* turns, std::size_t count, Turns& to) {
    Turns sum = to;
    for (std::size_t n = 0; n < count; ++n)
        for (std::size_t h = 0; h < sum.size(); ++h) sum[h] += turns[n][h] * double(x[n]);
    to = sum;
}

Segments segments_of(std::span<const float> low, double rate_hz, double base_hz) {
    Segments s;
    const auto length = std::size_t(kSegmentS * rate_hz), hop = length / 2;
    s.hop_s = double(hop) / rate_hz;
    std::vector<double> window(length);
    double sum = 0.0;
    for (std::size_t n = 0; n < length; ++n) sum += window[n] = hann(double(n) + 0.5, double(length));
    for (auto& w : window) w *= 2.0 / sum; // a phasor is then the peak of the tone
    for (std::size_t at = 0; at + length <= low.size(); at += hop) {
        double mean = 0.0, energy = 0.0;
        for (std::size_t n = 0; n < length; ++n) mean += low[at + n];
        mean /= double(length);
        for (std::size_t n = 0; n < length; ++n) energy += (low[at + n] - mean) * (low[at + n] - mean);
        s.energy.push_back(energy);
    }
    const auto harmonics =
        std::min(kMostHarmonics, std::size_t(std::min(kHighestHz, 0.45 * rate_hz) / base_hz));
    std::vector<Turns> turns(length);
    for (std::size_t h = 0; h < harmonics; ++h)
        for (std::size_t n = 0; n < length; ++n) {
            const double turn = kTwoPi * double(h + 1) * base_hz * double(n) / rate_hz;
            turns[n][h] = window[n] * std::cos(turn);
            turns[n][kMostHarmonics + h] = -window[n] * std::sin(turn);
        }
    s.phasor.resize(harmonics);
    for (std::size_t at = 0, i = 0; i < s.energy.size(); at += hop, ++i) {
        Turns all{};
        add_turns(low.data() + at, turns.data(), length, all);
        for (std::size_t h = 0; h < harmonics; ++h)
            s.phasor[h].push_back(Complex(all[h], all[kMostHarmonics + h]) *
                                  std::polar(1.0, -kTwoPi * double(h + 1) * base_hz * double(at) / rate_hz));
    }
    return s;
}

struct Tone {
    double level = 0.0, significance = 0.0;
};

/// The part of the phasors that stays. Between hits they gather round it, while a drum throws them anywhere:
/// Cauchy's weights (Huber, Robust Statistics, ch. 4) let the quiet ones decide.
Tone steady_part(const std::vector<Complex>& phasors, const std::vector<std::size_t>& quiet,
                 double turn_per_segment) {
    std::vector<Complex> z;
    std::vector<double> x, y;
    for (const auto i : quiet) {
        z.push_back(phasors[i] * std::polar(1.0, -turn_per_segment * double(i)));
        x.push_back(z.back().real()), y.push_back(z.back().imag());
    }
    Complex centre{upper_median(x), upper_median(y)};
    double spread = 0.0;
    for (int pass = 0; pass < 6; ++pass) {
        std::vector<double> away;
        for (const auto& v : z) away.push_back(std::norm(v - centre));
        const double scale = of_rank(away, away.size() / 3) + 1e-20;
        Complex sum = 0.0;
        double weights = 0.0, squares = 0.0;
        for (const auto& v : z) {
            const double w = 1.0 / (scale + std::norm(v - centre));
            sum += w * v, weights += w, squares += w * w * std::norm(v - centre);
        }
        centre = sum / weights;
        spread = std::sqrt(squares) / weights;
    }
    return {std::abs(centre), std::abs(centre) / (spread + 1e-12)};
}

struct WindowResult {
    double offset_hz = 0.0;
    std::vector<Tone> tones;
};

WindowResult best_offset(const Segments& s, std::size_t from, std::size_t to) {
    std::vector<std::size_t> quiet(to - from);
    std::iota(quiet.begin(), quiet.end(), from);
    std::sort(quiet.begin(), quiet.end(), [&](auto a, auto b) { return s.energy[a] < s.energy[b]; });
    quiet.resize(std::max<std::size_t>(6, quiet.size() / 2));
    WindowResult best;
    double highest = -1.0;
    for (double offset = -kOffsetHz; offset <= kOffsetHz + 1e-9; offset += kOffsetStepHz) {
        WindowResult here{offset, {}};
        double score = 0.0;
        for (std::size_t h = 0; h < s.phasor.size(); ++h) {
            here.tones.push_back(steady_part(s.phasor[h], quiet, kTwoPi * offset * double(h + 1) * s.hop_s));
            score += std::min(100.0, here.tones.back().significance);
        }
        if (score > highest) highest = score, best = std::move(here);
    }
    return best;
}

struct Judged {
    Hum hum;
    double power = 0.0;
};

std::optional<Judged> judge_base(std::span<const float> low, double rate_hz, double base_hz) {
    const auto s = segments_of(low, rate_hz, base_hz);
    const auto per_window = std::min(s.energy.size(), std::size_t(kWindowS / s.hop_s));
    if (per_window < 8) return std::nullopt; // a second: nothing can be told from a drum
    std::vector<WindowResult> windows;
    for (std::size_t from = 0; from + per_window <= s.energy.size(); from += per_window)
        windows.push_back(best_offset(s, from, from + per_window));
    Judged j{{base_hz, base_hz, 0.0, {}}, 0.0};
    for (std::size_t h = 0; h < s.phasor.size(); ++h) {
        std::vector<double> levels;
        std::size_t present = 0;
        for (const auto& w : windows) {
            levels.push_back(w.tones[h].level);
            present += w.tones[h].significance > kSignificant ? 1u : 0u;
        }
        const double level = upper_median(levels);
        if (double(present) < kSharePresent * double(windows.size())) continue;
        if (windows.size() > 2 && deviation(levels, level) > kSteady * level) continue;
        j.hum.harmonics.push_back(int(h + 1));
        j.power += level * level / 2.0;
    }
    const auto& found = j.hum.harmonics;
    const bool fundamental = !found.empty() && found.front() == 1;
    if (found.empty() || (!fundamental && found.size() < 2)) return std::nullopt;
    std::vector<double> offsets;
    for (const auto& w : windows) offsets.push_back(w.offset_hz);
    j.hum.exact_hz = base_hz + upper_median(std::move(offsets));
    j.hum.level_dbfs = db_from_power(j.power);
    return j.hum.level_dbfs < kAudibleDbfs ? std::nullopt : std::optional(j);
}

} // namespace

std::optional<Hum> find_hum(std::span<const float> low, double low_rate_hz) {
    const auto fifty = judge_base(low, low_rate_hz, 50.0), sixty = judge_base(low, low_rate_hz, 60.0);
    if (!fifty && !sixty) return std::nullopt;
    if (!sixty || (fifty && fifty->power >= sixty->power)) return fifty->hum;
    return sixty->hum;
}

} // namespace kitfold::dsp
