#include "ring/ring.h"
#include "core/fft.h"
#include "core/median.h"
#include "core/units.h"
#include "core/windows.h"
#include "filters/filtered.h"
#include "ring/glide.h"
#include "ring/modes.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <limits>
#include <map>
#include <numbers>
#include <numeric>
#include <utility>

namespace kitfold::dsp {
namespace {

// Footfall, stands and air are below; the lowest kick is tuned above (common practice, no source).
constexpr double kLowestHz = 30.0;
constexpr double kRumbleHz = 10.0;    // a high-pass rings at its corner: keep it below all bands
constexpr double kShortestMs = 60.0;  // in less a ring of 360 ms, as a kick's, falls by no 10 dB
constexpr double kHalfWidthHz = 50.0; // of a tile: wide enough for its filter, narrow enough for few modes
// The skirt of a mode with a T60 of 300 ms lies there 200 Hz away: less is more often that than a mode.
constexpr double kTileRangeDb = 35.0;
constexpr std::size_t kMostTiles = 10, kMostPeaks = 12; // more than kMaxPartials, as not all are partials
constexpr double kPartialRangeDb = 40.0; // less isn't heard beside the strongest (common practice, no source)
constexpr double kLeastPartialFallDb =
    3.0; // a mode that was not seen to fall further has no decay to speak of,
constexpr double kLeastPooledFallDb = 5.0; // unless many hits tell of it: root of the sum of squares
constexpr double kHeardFallDb = 2.0;       // but is there
constexpr double kLeastPeriods = 6.0;      // in a ring time: less is a thump without pitch
// A click falls like the Gaussian band itself: T60 of 0.9 over the half width by -5..-15 dB. Twice that is a
// ring.
constexpr double kLeastWidths = 1.8;
constexpr double kUnsure = 0.25;      // of a ring time: what differs by more tells of something else
constexpr double kJudgedWithin = 0.1; // of the ring time
// The median's standard error is 1.25 standard deviations, one of them 1.48 half quartile distances, by the
// root of the hits.
constexpr double kErrorOfSpread = 1.25 * 1.48;
constexpr double kJudgedErrors = 2.5, kTwoErrors = 2.0;
constexpr double kBandWithin = 0.15;     // half as much again: a band has its neighbours in it
constexpr double kJudgedFallDb = 20.0;   // T20 of ISO 3382; over less the figures come out short
constexpr std::size_t kJudgedHits = 3;   // the fewest that have a middle
constexpr double kLeftOpenDb = -20.0;    // re the strongest: less is not missed
constexpr double kLateSeconds = 0.03;    // by then such modes as hid the main partial of a snare were gone
constexpr double kSpectrumSeconds = 0.5; // longer than kicks and snares ring (209 to 369 ms on two kits)

/// Low-pass and decimation by an integer, so that the band that matters keeps some three times its width.
class Decimator {
public:
    Decimator(double rate_hz, double high_hz) {
        step_ = std::max<std::size_t>(1, std::size_t(rate_hz / std::max(3.0 * high_hz, 2'000.0)));
        rate_ = rate_hz / double(step_);
        const double corner = 0.5 / double(step_);
        const std::size_t length = 16 * step_ + 1; // Blackman: falls within a third of the new rate
        double sum = 0.0;
        for (std::size_t m = 0; m < length; ++m) {
            const double x = double(m) - double(length - 1) / 2.0,
                         u = 2.0 * std::numbers::pi * double(m) / double(length - 1);
            const double window = length > 1 ? 0.42 - 0.5 * std::cos(u) + 0.08 * std::cos(2.0 * u) : 1.0;
            taps_.push_back(ideal_low_pass(corner, x) * window);
            sum += taps_.back();
        }
        for (auto& tap : taps_) tap /= sum;
    }
    [[nodiscard]] double rate_hz() const { return rate_; }
    [[nodiscard]] std::size_t step() const { return step_; }
    /// Zero-phase: out[k] belongs to in[k * step].
    [[nodiscard]] std::vector<float> run(std::span<const float> in) const {
        if (step_ == 1) return {in.begin(), in.end()};
        std::vector<float> out;
        const auto half = std::ptrdiff_t(taps_.size() / 2), size = std::ptrdiff_t(in.size());
        for (std::ptrdiff_t at = 0; at < size; at += std::ptrdiff_t(step_)) {
            double sum = 0.0;
            const auto from = std::max(std::ptrdiff_t(0), half - at),
                       to = std::min(std::ptrdiff_t(taps_.size()), size - at + half);
            for (auto m = from; m < to; ++m) sum += taps_[std::size_t(m)] * in[std::size_t(at + m - half)];
            out.push_back(float(sum));
        }
        return out;
    }

private:
    std::size_t step_;
    double rate_;
    std::vector<double> taps_;
};

struct Prepared {
    std::vector<float> samples; // decimated, in the band
    std::size_t onset = 0;
};

struct Analysis {
    double rate_hz = 0.0;
    RingBandLimits band;
    std::vector<Prepared> hits;
};

Analysis prepare(std::span<const RingHit> hits, double rate_hz, const RingBandLimits& band) {
    Analysis a;
    a.band = {band.low_hz, std::min(band.high_hz, 0.4 * rate_hz)};
    const Decimator decimator(rate_hz, a.band.high_hz);
    a.rate_hz = decimator.rate_hz();
    for (const auto& hit : hits) {
        const auto free_of_rumble = Butterworth::high_pass(a.rate_hz, kRumbleHz, Slope::db_12);
        a.hits.push_back(
            {filtered(decimator.run(hit.samples), free_of_rumble), hit.onset / decimator.step()});
    }
    return a;
}

double mean_square(std::span<const float> x) {
    double sum = 0.0;
    for (const float v : x) sum += double(v) * v;
    return x.empty() ? 0.0 : sum / double(x.size());
}

/// Half the width, at -3 dB, of the band in which a partial's decay is followed: wider than most glides, and
/// its smear of 8 ms or less is short beside a ring of 100 ms.
double half_width_hz(double hz) { return std::max(16.0, 0.06 * hz); }

/// Of the strokes that have it.
std::vector<double> those(const std::vector<DecayFit>& fits, double DecayFit::*member) {
    std::vector<double> values;
    for (const auto& f : fits)
        if (f.*member > 0.0) values.push_back(f.*member);
    return values;
}

/// Half the distance of the quartiles, relative.
double spread_of(std::vector<double> values) {
    if (values.size() < 2) return 0.0;
    std::sort(values.begin(), values.end());
    const auto at = [&](double q) {
        const double place = q * double(values.size() - 1);
        const auto below = std::min(std::size_t(place), values.size() - 2);
        return std::lerp(values[below], values[below + 1], place - double(below));
    };
    return (at(0.75) - at(0.25)) / 2.0 / at(0.5);
}

/// Three hits or more whose median is known to within `within`, by so many standard errors.
bool agree(std::size_t hits, double spread, double within, double errors) {
    return hits >= kJudgedHits && errors * kErrorOfSpread * spread <= within * std::sqrt(double(hits));
}

/// Those that are long enough, each cut where something else starts.
std::vector<RingHit> undisturbed(std::span<const RingHit> hits, double rate_hz) {
    std::vector<RingHit> out;
    const auto ears = Butterworth::high_pass(rate_hz, kLowestHz, Slope::db_12);
    for (auto hit : hits) {
        const auto stroke =
            stroke_energy(energy_blocks(filtered(hit.samples, ears), rate_hz), double(hit.onset) / rate_hz);
        hit.samples = hit.samples.first(std::min(hit.samples.size(), until_next_event(stroke, rate_hz)));
        if (double(hit.samples.size()) >= double(hit.onset) + kShortestMs * rate_hz / 1000.0)
            out.push_back(hit);
    }
    return out;
}

void add_decay(std::span<const RingHit> hits, double rate_hz, RingResult& result) {
    const auto ears = Butterworth::high_pass(rate_hz, kLowestHz, Slope::db_12);
    std::vector<StrokeEnergy> strokes;
    for (const auto& hit : hits)
        strokes.push_back(
            stroke_energy(energy_blocks(filtered(hit.samples, ears), rate_hz), double(hit.onset) / rate_hz));
    const auto fits = fit_strokes(strokes);
    double longest = 0.0;
    for (std::size_t i = 0; i < fits.size(); ++i)
        if (fits[i].judged() && fits[i].range_db > longest) {
            longest = fits[i].range_db;
            result.curve_db =
                backward_integral_db(strokes[i].blocks, kCurveStepMs, noise_under(strokes[i], strokes));
        }
    const auto common = [&](double DecayFit::*t60) {
        const auto values = those(fits, t60);
        const bool judged = 2 * values.size() >= fits.size() &&
                            agree(values.size(), spread_of(values), kJudgedWithin, kTwoErrors);
        return judged ? median(values) : 0.0;
    };
    result.decay.ring_ms = common(&DecayFit::ring_ms), result.decay.late_ms = common(&DecayFit::late_ms);
    result.decay.range_db = median(those(fits, &DecayFit::range_db));
}

/// Power spectrum in dB that the hits have in common, each weighing the same.
std::vector<double> common_spectrum(const Analysis& a, double& bin_hz) {
    const auto size = fast_fft_size(std::size_t(2.0 * kSpectrumSeconds * a.rate_hz));
    const RealFft fft(size);
    bin_hz = a.rate_hz / double(size);
    std::vector<double> sum(fft.bins(), 0.0);
    std::vector<float> x(size);
    std::vector<std::complex<float>> bins(fft.bins());
    for (const auto& hit : a.hits) {
        const auto from = hit.onset + std::size_t(kFreeAfterMs * a.rate_hz / 1000.0);
        const auto length = std::min(hit.samples.size() - from, size / 2);
        const double energy = mean_square(std::span(hit.samples).subspan(from, length)) * double(length);
        if (!(energy > 0.0)) continue;
        std::fill(x.begin(), x.end(), 0.0f);
        for (std::size_t n = 0; n < length;
             ++n) // half a Hann window: the start is the loudest and tells most
            x[n] = hit.samples[from + n] *
                   float((raised_cosine(1.0 - double(n) / double(length))) / std::sqrt(energy));
        fft.forward(x, bins);
        for (std::size_t k = 0; k < bins.size(); ++k) sum[k] += std::norm(bins[k]);
    }
    for (auto& value : sum) value = db_from_power(value + 1e-20);
    return sum;
}

/// Frequencies of the peaks, the loudest first; one whose band overlaps that of a louder one is part of it.
std::vector<double> peaks_of(std::span<const double> level_db, double bin_hz, const RingBandLimits& band) {
    const auto from = std::size_t(band.low_hz / bin_hz) + 1,
               to = std::min(level_db.size() - 1, std::size_t(band.high_hz / bin_hz));
    std::vector<std::pair<double, double>> all; // level, frequency
    for (auto k = from; k < to; ++k)
        if (level_db[k] >= level_db[k - 1] && level_db[k] > level_db[k + 1])
            all.emplace_back(level_db[k], double(k) * bin_hz);
    std::sort(all.rbegin(), all.rend());
    std::vector<double> out;
    for (const auto& [db, hz] : all) {
        if (db < all.front().first - kTileRangeDb || out.size() == kMostPeaks) break;
        if (std::none_of(out.begin(), out.end(), [hz = hz](double p) {
                return std::abs(p - hz) < half_width_hz(p) + half_width_hz(hz);
            }))
            out.push_back(hz);
    }
    return out;
}

/// Centres of bands that tile the range and hold something, the loudest first. Peaks alone would miss damped
/// modes that have grown together.
std::vector<double> tiles_of(const Analysis& a, std::span<const double> level, double bin_hz) {
    const auto loudest = [&](double low_hz, double high_hz) {
        const auto from = std::ptrdiff_t(low_hz / bin_hz), to = std::ptrdiff_t(high_hz / bin_hz) + 1;
        return *std::max_element(level.begin() + from, level.begin() + std::min(to, std::ssize(level)));
    };
    const double highest = loudest(a.band.low_hz, a.band.high_hz);
    std::vector<std::pair<double, double>> tiles; // level, centre
    for (double hz = a.band.low_hz; hz < a.band.high_hz; hz += 2.0 * kHalfWidthHz) {
        const double here = loudest(hz, hz + 2.0 * kHalfWidthHz);
        if (here > highest - kTileRangeDb) tiles.emplace_back(here, hz + kHalfWidthHz);
    }
    std::sort(tiles.rbegin(), tiles.rend());
    if (tiles.size() > kMostTiles) tiles.resize(kMostTiles);
    std::vector<double> centres;
    for (const auto& tile : tiles) centres.push_back(tile.second);
    return centres;
}

/// Level of the spectrum two octaves round `hz`.
double level_around(std::span<const double> level_db, double bin_hz, double hz) {
    const auto from = level_db.begin() + std::ptrdiff_t(hz / 2.0 / bin_hz),
               to = level_db.begin() + std::min(std::ptrdiff_t(hz * 2.0 / bin_hz) + 1, std::ssize(level_db));
    return median({from, to});
}

/// How far noise that only falls, with no mode in it, rises above its mean in one bin of a hundred thousand,
/// in the mean power of so many hits: chi squared by Wilson and Hilferty (1931), from memory.
double highest_of_noise_db(std::size_t hits) {
    constexpr double kNormalQuantile = 4.26; // of 1 - 1e-5
    const double v = 2.0 / (9.0 * 2.0 * double(hits));
    return 30.0 * std::log10(1.0 - v + kNormalQuantile * std::sqrt(v));
}

struct FoundMode {
    std::size_t hit;
    RingMode mode;
    double weight = 0.0; // of its hit
};

/// A decay is known the better the longer it was seen: the variance falls with the cube of the length.
double hit_weight(const Prepared& hit) { return std::pow(double(hit.samples.size() - hit.onset), 2.0); }

std::vector<FoundMode> modes_of_all_hits(const Analysis& a, const std::vector<double>& tiles) {
    std::vector<FoundMode> found;
    std::vector<std::span<const float>> from_onset;
    for (const auto& hit : a.hits) from_onset.push_back(std::span(hit.samples).subspan(hit.onset));
    const auto strokes = straightened(from_onset, a.rate_hz, tiles.front());
    for (std::size_t h = 0; h < a.hits.size(); ++h) {
        const auto skip = std::min(strokes[h].size(), std::size_t(kFreeAfterMs * a.rate_hz / 1000.0));
        for (const double centre : tiles)
            for (auto mode :
                 find_modes(std::span(strokes[h]).subspan(skip), a.rate_hz, centre, kHalfWidthHz)) {
                if (mode.range_db < kHeardFallDb || mode.hz * mode.ring_ms() < 1000.0 * kLeastPeriods)
                    continue;
                mode.amplitude *= std::exp(mode.decay_per_s * kFreeAfterMs / 1000.0); // back to the onset
                found.push_back({h, mode, hit_weight(a.hits[h])});
            }
    }
    return found;
}

using Cluster = std::vector<FoundMode>;

/// Level some way into the ring. At the onset a mode that is gone by then, which only mends the fit where
/// the model doesn't hold (glide, beater), may be put the highest.
double late_level(const RingMode& mode) {
    return mode.amplitude * std::exp(-mode.decay_per_s * kLateSeconds);
}

/// A slope is known the better the further its line falls: the weights of independent hits add up.
double pooled_fall_db(const Cluster& modes) {
    double sum = 0.0;
    for (const auto& m : modes) sum += m.mode.range_db * m.mode.range_db;
    return std::sqrt(sum);
}

/// Modes of different hits that are one partial: next to each other in frequency, of each hit the one that is
/// heard to ring.
std::vector<Cluster> clusters(Cluster found, const Analysis& a) {
    std::sort(found.begin(), found.end(), [](const auto& x, const auto& y) { return x.mode.hz < y.mode.hz; });
    double all = 0.0;
    for (const auto& hit : a.hits) all += hit_weight(hit);
    std::vector<Cluster> result;
    for (std::size_t from = 0; from < found.size();) {
        auto to = from + 1;
        const auto gap = [&](double hz) { return std::max(3.0, 0.01 * hz); };
        while (to < found.size() && found[to].mode.hz - found[to - 1].mode.hz < gap(found[to].mode.hz)) ++to;
        Cluster strongest(a.hits.size());
        for (auto i = from; i < to; ++i)
            if (late_level(found[i].mode) > late_level(strongest[found[i].hit].mode))
                strongest[found[i].hit] = found[i];
        double here = 0.0;
        for (const auto& m : strongest) here += m.weight;
        std::erase_if(strongest, [](const FoundMode& m) { return m.mode.amplitude <= 0.0; });
        if (2.0 * here >= all && pooled_fall_db(strongest) >= kLeastPooledFallDb)
            result.push_back(std::move(strongest));
        from = to;
    }
    return result;
}

/// Ring time that the hits agree on: the further a hit's own was seen to fall the more it counts, and less
/// the further it is off (reweighted as for errors by Cauchy's distribution).
double common_ring_ms(const Cluster& modes, double start_ms, double spread) {
    constexpr int kRounds = 6; // chosen, not derived: in the first a hit that is off counts in full
    constexpr double kLeastSpread = 0.02; // or hits that agree by chance would count alone
    double common = std::log(start_ms);
    for (int round = 0; round < kRounds; ++round) {
        double trust = 0.0, sum = 0.0;
        for (const auto& m : modes) {
            const double here = std::log(m.mode.ring_ms()),
                         off = (here - common) / std::max(kLeastSpread, spread);
            const double w = m.mode.range_db * m.mode.range_db / (1.0 + off * off);
            trust += w, sum += w * here;
        }
        common = sum / trust;
    }
    return std::exp(common);
}

RingPartial merged(const Cluster& modes) {
    const auto over = [&](auto value, double q) {
        std::vector<std::pair<double, double>> values;
        for (const auto& m : modes) values.emplace_back(value(m.mode), m.weight);
        return weighted_quantile(std::move(values), q);
    };
    const auto ring = [](const RingMode& m) { return m.ring_ms(); };
    RingPartial p;
    p.hz = over([](const RingMode& m) { return m.hz; }, 0.5);
    const double middle_ms = over(ring, 0.5);
    p.level_db = over([](const RingMode& m) { return db_from_gain(m.amplitude); }, 0.5);
    p.range_db = over([](const RingMode& m) { return m.range_db; }, 0.5);
    p.noise_db = over([](const RingMode& m) { return m.noise_db; }, 0.5);
    p.spread = (over(ring, 0.75) - over(ring, 0.25)) / 2.0 / middle_ms;
    p.ring_ms = common_ring_ms(modes, middle_ms, p.spread);
    p.hits = modes.size();
    p.judged = p.range_db >= kJudgedFallDb && agree(p.hits, p.spread, kJudgedWithin, kJudgedErrors);
    return p;
}

/// The decay in the band around a peak, as the hits have it.
struct Peak {
    double hz = 0.0;
    DecayFit pooled;        ///< of all hits' energies together, in which the beats of modes cancel
    RingPartial partial;    ///< level in dB, absolute
    bool explained = false; ///< by modes
};

/// Of the mean energy of all strokes, each weighing the same, as long as the shortest lasts.
DecayFit pooled(std::span<const StrokeEnergy> strokes) {
    std::size_t length = strokes.front().blocks.size();
    for (const auto& s : strokes) length = std::min(length, s.blocks.size());
    std::vector<double> mean(length);
    double floor = 0.0;
    for (const auto& s : strokes) {
        const double all =
            std::accumulate(s.blocks.begin(), s.blocks.begin() + std::ptrdiff_t(length), 1e-30);
        floor += noise_under(s, strokes) / all;
        for (std::size_t i = 0; i < length; ++i) mean[i] += s.blocks[i] / all;
    }
    return mean.empty() ? DecayFit{} : fit_decay(mean, kCurveStepMs, floor);
}

Peak measure_peak(const Analysis& a, double hz) {
    std::vector<StrokeEnergy> strokes;
    for (const auto& hit : a.hits) {
        const auto blocks = band_blocks(hit.samples, a.rate_hz, hz, half_width_hz(hz));
        auto& stroke = strokes.emplace_back(stroke_energy(blocks, double(hit.onset) / a.rate_hz));
        stroke.before = 0.0; // the start, smeared
    }
    const auto fits = fit_strokes(strokes);
    Peak peak{hz, pooled(strokes), {}, false};
    std::vector<double> times, levels;
    for (std::size_t i = 0; i < fits.size(); ++i) {
        if (fits[i].body_ms <= 0.0) continue;
        double energy = 0.0;
        const double noise = noise_under(strokes[i], strokes);
        for (const double e : strokes[i].blocks) energy += std::max(0.0, e - noise) * kCurveStepMs;
        times.push_back(fits[i].body_ms);
        // the amplitude of an exponential of that energy: A² / 2 * T60 / (6 ln 10)
        levels.push_back(db_from_power(energy * 12.0 * std::log(10.0) / fits[i].body_ms + 1e-30));
    }
    auto& p = peak.partial;
    if (2 * times.size() < fits.size()) return peak;
    p = {hz,
         median(times),
         median(levels),
         median(those(fits, &DecayFit::range_db)),
         spread_of(times),
         times.size(),
         false};
    p.judged = agree(p.hits, p.spread, kBandWithin, kTwoErrors);
    return peak;
}

/// What the modes would make of the band: their energies, whose cross terms average out.
DecayFit modelled(std::span<const RingPartial> modes, double hz) {
    std::vector<double> blocks(std::size_t(4000.0 / kCurveStepMs));
    for (const auto& m : modes) {
        const double off = (m.hz - hz) / half_width_hz(hz);
        const double power = power_from_db(m.level_db) * std::exp2(-off * off);
        for (std::size_t i = 0; i < blocks.size(); ++i)
            blocks[i] += power * power_from_db(-60.0 * double(i) * kCurveStepMs / m.ring_ms);
    }
    return fit_decay(blocks, kCurveStepMs, 0.0);
}

bool explains(std::span<const RingPartial> modes, const Peak& peak) {
    const auto near = [&](const RingPartial& m) { return std::abs(m.hz - peak.hz) < half_width_hz(peak.hz); };
    if (std::none_of(modes.begin(), modes.end(), near)) return false;
    const auto model = modelled(modes, peak.hz);
    const auto alike = [&](double DecayFit::*t60) {
        return std::abs(std::log(model.*t60 / (peak.pooled.*t60 + 1e-9))) < kUnsure;
    };
    return peak.pooled.body_ms == 0.0 || alike(&DecayFit::body_ms) || alike(&DecayFit::late_ms);
}

double widths_off(const Peak& peak, double hz) { return std::abs(peak.hz - hz) / half_width_hz(peak.hz); }

const Peak& nearest_of(const std::vector<Peak>& peaks, double hz) {
    return *std::min_element(peaks.begin(), peaks.end(), [hz](const Peak& p, const Peak& q) {
        return widths_off(p, hz) < widths_off(q, hz);
    });
}

/// Lasts longer than a thump without pitch, or a click in that band.
bool rings(const RingPartial& p) {
    return p.hits > 0 &&
           p.ring_ms >= 1'000.0 * std::max(kLeastWidths / half_width_hz(p.hz), kLeastPeriods / p.hz);
}

/// The band's decay, which the strokes agree on, is that of the mode.
bool confirms(const Peak& peak, const RingPartial& mode) {
    return peak.partial.judged && widths_off(peak, mode.hz) < 0.5 &&
           std::abs(std::log(peak.partial.ring_ms / mode.ring_ms)) < kJudgedWithin;
}

void keep_most_energy(std::vector<RingPartial>& list, std::size_t most) {
    const auto energy_db = [](const RingPartial& p) { return p.level_db + db_from_power(p.ring_ms); };
    std::sort(list.begin(), list.end(),
              [&](const auto& x, const auto& y) { return energy_db(x) > energy_db(y); });
    if (list.size() > most) list.resize(most);
    std::sort(list.begin(), list.end(), [](const auto& x, const auto& y) { return x.hz < y.hz; });
}

/// Levels re the strongest.
void keep_strongest(RingResult& result) {
    double strongest_db = -INFINITY;
    for (const auto* list : {&result.partials, &result.left_open})
        for (const auto& p : *list) strongest_db = std::max(strongest_db, p.level_db);
    const auto trim = [&](std::vector<RingPartial>& list, double least_db) {
        for (auto& p : list) p.level_db -= strongest_db;
        std::erase_if(list, [=](const RingPartial& p) { return p.level_db < least_db; });
        keep_most_energy(list, kMaxPartials);
    };
    trim(result.partials, -kPartialRangeDb), trim(result.left_open, kLeftOpenDb);
}

void measure_partials(const Analysis& a, RingResult& result) {
    double bin_hz = 0.0;
    const auto level_db = common_spectrum(a, bin_hz);
    const auto found = modes_of_all_hits(a, tiles_of(a, level_db, bin_hz));
    auto fallen = found;
    std::erase_if(fallen, [](const FoundMode& m) { return m.mode.range_db < kLeastPartialFallDb; });
    std::vector<RingPartial> modes;
    for (const auto& cluster : clusters(std::move(fallen), a)) modes.push_back(merged(cluster));
    std::erase_if(modes, [](const RingPartial& p) { return p.spread > kUnsure; });
    std::vector<Peak> peaks;
    const auto add = [&](double hz) {
        peaks.push_back(measure_peak(a, hz));
        peaks.back().explained = explains(modes, peaks.back());
    };
    for (const double hz : peaks_of(level_db, bin_hz, a.band)) add(hz);
    for (const auto& m : modes) // on a slope of the spectrum
        if (peaks.empty() || widths_off(nearest_of(peaks, m.hz), m.hz) >= 1.0) add(m.hz);
    const auto stands_out = [&](double hz) {
        const auto here = level_db[std::size_t(std::lround(hz / bin_hz))];
        return here > level_around(level_db, bin_hz, hz) + highest_of_noise_db(a.hits.size());
    };
    auto& partials = result.partials;
    for (const auto& peak : peaks)
        if (!peak.explained && rings(peak.partial) && stands_out(peak.hz))
            (peak.partial.judged ? partials : result.left_open).push_back(peak.partial);
    for (auto m : modes) {
        const auto& peak = nearest_of(peaks, m.hz);
        m.judged = m.judged || confirms(peak, m);
        if (peak.explained) partials.push_back(m);
    }
    keep_strongest(result);
}

} // namespace

std::vector<RingPartial> heard_partials(const RingResult& ring, std::size_t most) {
    auto all = ring.partials;
    all.insert(all.end(), ring.left_open.begin(), ring.left_open.end());
    keep_most_energy(all, most);
    return all;
}

RingResult analyse_ring(std::span<const RingHit> hits, double rate_hz, const RingBandLimits& band) {
    RingResult result;
    const auto used = undisturbed(hits, rate_hz);
    result.hits = used.size();
    if (used.empty()) return result;
    add_decay(used, rate_hz, result);
    measure_partials(prepare(used, rate_hz, band), result);
    if (result.curve_db.empty()) // other drums under every stroke: what is heard may be theirs
        for (auto& p : result.partials) p.judged = false;
    return result;
}

RingPartial partial_at(std::span<const RingHit> hits, double rate_hz, double hz) {
    const auto used = undisturbed(hits, rate_hz);
    return used.empty() ? RingPartial{} : measure_peak(prepare(used, rate_hz, {}), hz).partial;
}

} // namespace kitfold::dsp
