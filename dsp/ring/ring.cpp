#include "ring/ring.h"
#include "core/fft.h"
#include "core/median.h"
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

constexpr double kFreeAfterMs = 10.0; // the stick or beater has left the head, and the onset may be 2 ms off
constexpr double kRumbleHz = 10.0;    // a high-pass rings at its corner: keep it below all bands
constexpr double kShortestMs = 60.0;
constexpr double kFloorWindowMs = 30.0;
constexpr double kHalfWidthHz = 50.0;
constexpr double kTileRangeDb = 35.0;
constexpr std::size_t kMostTiles = 10;
constexpr double kPartialRangeDb = 40.0;
constexpr double kLeastPartialFallDb =
    3.0; // a mode that was not seen to fall further has no decay to speak of,
constexpr double kLeastPooledFallDb = 5.0; // unless many hits tell of it: root of the sum of squares
constexpr double kHeardFallDb = 2.0;       // but is there
constexpr double kLeastPeriods = 6.0;      // in a ring time: less is a thump without pitch
constexpr double kUnsure = 0.25;           // spread of the ring time over hits
constexpr double kJudgedWithin = 0.1;      // of the ring time
// The median's standard error is 1.25 standard deviations, one of them 1.48 half quartile distances, by the
// root of the hits; times 2.5.
constexpr double kErrorOfSpread = 2.5 * 1.25 * 1.48;
constexpr double kJudgedFallDb = 20.0; // T20 of ISO 3382; over less the figures come out short
constexpr std::size_t kJudgedHits = 3;
constexpr double kLeftOpenDb = -20.0, kLoudestOpenDb = 6.0; // re the strongest; more is no mode
constexpr double kLateSeconds = 0.03;
constexpr double kSpectrumSeconds = 0.5;
constexpr double kGlideBandHz = 300.0;
constexpr double kGlideSeconds = 0.25;
constexpr double kGlideHelps = 3.0; // of mode_spread

double median(std::vector<double> values) {
    if (values.empty()) return 0.0;
    const auto middle = values.begin() + std::ptrdiff_t(values.size() / 2);
    std::nth_element(values.begin(), middle, values.end());
    if (values.size() % 2 == 1) return *middle;
    return (*middle + *std::max_element(values.begin(), middle)) / 2.0;
}

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
            const double ideal = std::abs(x) < 1e-9
                                     ? 2.0 * corner
                                     : std::sin(2.0 * std::numbers::pi * corner * x) / (std::numbers::pi * x);
            taps_.push_back(ideal * window);
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

/// Second-order Butterworth high-pass (cookbook form): rumble and DC are no ring.
void high_pass(std::vector<float>& x, double rate_hz, double hz) {
    const double w = 2.0 * std::numbers::pi * hz / rate_hz, c = std::cos(w),
                 alpha = std::sin(w) / std::numbers::sqrt2;
    const double a0 = 1.0 + alpha, b0 = (1.0 + c) / 2.0 / a0, a1 = -2.0 * c / a0, a2 = (1.0 - alpha) / a0;
    double x1 = x.empty() ? 0.0 : x.front(), x2 = x1, y1 = 0.0, y2 = 0.0;
    for (auto& value : x) {
        const double y = b0 * (value - 2.0 * x1 + x2) - a1 * y1 - a2 * y2;
        x2 = std::exchange(x1, double(value)), y2 = std::exchange(y1, y);
        value = float(y);
    }
}

/// Rise of pitch after a stroke, which stretches the head: all partials are sharp by `rise` at the onset and
/// come back with the time constant `fall_s` (Fletcher and Rossing, The Physics of Musical Instruments, ch.
/// 18).
struct Glide {
    double rise = 0.0, fall_s = 0.05;
};

/// Takes a hit from its onset on to a time that runs with the pitch, so that a partial keeps its frequency.
class Straightener {
public:
    /// For hits of up to `size` samples.
    Straightener(double rate_hz, const Glide& glide, std::size_t size) {
        const double fall = glide.fall_s * rate_hz;
        double at = 0.0;
        for (std::size_t n = 0; at < double(size); ++n) {
            // warped(at) = at + rise fall (1 - exp(-at / fall)) = n, by Newton from the last place
            for (int i = 0; i < 3; ++i) {
                const double e = std::exp(-at / fall);
                at -= (at + glide.rise * fall * (1.0 - e) - double(n)) / (1.0 + glide.rise * e);
            }
            points_.push_back(point(at));
            at += 1.0;
        }
    }

    [[nodiscard]] std::vector<float> run(std::span<const float> x) const {
        std::vector<float> out;
        for (const auto& p : points_) {
            if (p.at >= double(x.size() - 1)) break;
            const auto middle = std::ptrdiff_t(std::floor(p.at));
            double sum = 0.0;
            for (std::size_t i = 0; i < p.weight.size(); ++i)
                if (const auto k = place(middle, i); k >= 0 && k < std::ssize(x))
                    sum += p.weight[i] * double(x[std::size_t(k)]);
            out.push_back(float(sum / p.weights));
        }
        return out;
    }

private:
    static constexpr std::ptrdiff_t kHalf = 6; // windowed sinc; nothing is above a third of the rate
    struct Point {
        double at, weights;
        std::array<double, 2 * kHalf> weight;
    };

    /// Sample that weight i belongs to: from the middle down, then up from there.
    static std::ptrdiff_t place(std::ptrdiff_t middle, std::size_t i) {
        const auto n = std::ptrdiff_t(i);
        return n < kHalf ? middle - n : middle + 1 + n - kHalf;
    }
    static Point point(double at) {
        const double middle = std::floor(at);
        const double sine = std::sin(std::numbers::pi * (at - middle)) / std::numbers::pi;
        Point p{at, 0.0, {}};
        for (std::size_t i = 0; i < p.weight.size(); ++i) {
            const auto k = place(std::ptrdiff_t(middle), i);
            const double d = at - double(k), u = d / double(kHalf), window = (1.0 - u * u) * (1.0 - u * u);
            const double turned = (k - std::ptrdiff_t(middle)) % 2 == 0 ? sine : -sine; // sin(pi (d + 1))
            p.weight[i] = (std::abs(d) < 1e-9 ? 1.0 : turned / d) * window;
            p.weights += p.weight[i];
        }
        return p;
    }

    std::vector<Point> points_;
};

/// Straighteners that were made before: hits are tried with the same glides.
class Straighteners {
public:
    Straighteners(double rate_hz, std::size_t size) : rate_hz_(rate_hz), size_(size) {}
    [[nodiscard]] std::vector<float> run(std::span<const float> x, const Glide& glide) {
        const std::pair key{glide.rise, glide.fall_s};
        if (const auto known = made_.find(key); known != made_.end()) return known->second.run(x);
        Straightener made(rate_hz_, glide, size_);
        auto out = made.run(x);
        if (made_.size() < kMost) made_.emplace(key, std::move(made));
        return out;
    }

private:
    static constexpr std::size_t kMost = 64; // keeps them under 10 MB or so
    double rate_hz_;
    std::size_t size_;
    std::map<std::pair<double, double>, Straightener> made_;
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
        if (hit.onset >= hit.samples.size() ||
            double(hit.samples.size() - hit.onset) < kShortestMs * rate_hz / 1000.0)
            continue;
        Prepared p{decimator.run(hit.samples), hit.onset / decimator.step()};
        high_pass(p.samples, a.rate_hz, kRumbleHz);
        a.hits.push_back(std::move(p));
    }
    return a;
}

double mean_square(std::span<const float> x) {
    double sum = 0.0;
    for (const float v : x) sum += double(v) * v;
    return x.empty() ? 0.0 : sum / double(x.size());
}

/// The quietest moment of all hits, before or after: what the mic has in the band without this drum.
double floor_of(const Analysis& a) {
    const auto window = std::size_t(kFloorWindowMs * a.rate_hz / 1000.0);
    double least = std::numeric_limits<double>::infinity();
    for (const auto& hit : a.hits) {
        const std::span x(hit.samples);
        for (std::size_t at = 0; at + window <= x.size(); at += window / 2)
            if (at + window <= hit.onset || at > hit.onset)
                least = std::min(least, mean_square(x.subspan(at, window)));
    }
    return std::isfinite(least) ? least : 0.0;
}

/// The floor under one decay: the common one, or where this one has come to rest (another drum still
/// sounding).
double floor_under(std::span<const double> energy, double common) {
    const auto quarter = energy.size() / 4;
    if (quarter < 8) return 0.0;
    const auto mean = [&](std::size_t from, std::size_t count) {
        return std::accumulate(energy.begin() + std::ptrdiff_t(from),
                               energy.begin() + std::ptrdiff_t(from + count), 0.0) /
               double(count);
    };
    const double before = mean(energy.size() - quarter, quarter / 2),
                 last = mean(energy.size() - quarter / 2, quarter / 2);
    const bool at_rest = before < 1.4 * last; // 1.5 dB in an eighth of the stretch
    if (at_rest) return last;
    return last > 4.0 * common ? 0.0 : common; // not reached: nothing to take out
}

/// The decay until something starts in it: a rise of 4 dB within 16 ms. Partials that beat rise more slowly.
void cut_at_next_event(std::vector<double>& energy) {
    constexpr std::size_t width = 10, ahead = 8; // blocks: averages of 20 ms, 16 ms apart
    for (std::size_t i = 15; i + ahead + width < energy.size(); ++i) {
        const auto mean = [&](std::size_t from) {
            return std::accumulate(energy.begin() + std::ptrdiff_t(from),
                                   energy.begin() + std::ptrdiff_t(from + width), 0.0);
        };
        if (mean(i + ahead) < 2.5 * mean(i)) continue;
        energy.resize(i + ahead);
        return;
    }
}

std::vector<double> blocks_from_loudest(const Prepared& hit, double rate_hz) {
    const double block = kCurveStepMs * rate_hz / 1000.0;
    std::vector<double> energy;
    for (std::size_t i = 0;; ++i) {
        const auto from = hit.onset + std::size_t(double(i) * block),
                   to = hit.onset + std::size_t(double(i + 1) * block);
        if (to > hit.samples.size()) break;
        energy.push_back(mean_square(std::span(hit.samples).subspan(from, to - from)));
    }
    const auto attack =
        energy.begin() + std::min<std::ptrdiff_t>(15, std::ssize(energy)); // loudest within 30 ms
    energy.erase(energy.begin(), std::max_element(energy.begin(), attack));
    cut_at_next_event(energy);
    return energy;
}

void measure_decay(const Analysis& a, RingResult& result) {
    const double common = floor_of(a);
    std::vector<DecayFit> fits;
    double longest = 0.0;
    for (const auto& hit : a.hits) {
        const auto energy = blocks_from_loudest(hit, a.rate_hz);
        const double floor = floor_under(energy, common);
        const auto fit = fit_decay(energy, kCurveStepMs, floor);
        if (!fit.judged) continue;
        if (fit.range_db > longest) {
            longest = fit.range_db;
            result.curve_db = backward_integral_db(energy, kCurveStepMs, floor);
        }
        fits.push_back(fit);
    }
    if (fits.empty()) return;
    // T30 where it could be had from enough hits; T20 and T10 only without it.
    std::sort(fits.begin(), fits.end(),
              [](const auto& x, const auto& y) { return x.fit_to_db < y.fit_to_db; });
    const double to = fits[std::min<std::size_t>(2, fits.size() - 1)].fit_to_db;
    std::erase_if(fits, [=](const DecayFit& f) { return f.fit_to_db > to; });
    const auto over = [&](double DecayFit::*member) {
        std::vector<double> values;
        for (const auto& f : fits) values.push_back(f.*member);
        return median(std::move(values));
    };
    result.decay = {over(&DecayFit::ring_ms),
                    over(&DecayFit::range_db),
                    over(&DecayFit::fit_from_db),
                    over(&DecayFit::fit_to_db),
                    over(&DecayFit::curvature),
                    over(&DecayFit::floor_db),
                    true};
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
                   float((0.5 + 0.5 * std::cos(std::numbers::pi * double(n) / double(length))) /
                         std::sqrt(energy));
        fft.forward(x, bins);
        for (std::size_t k = 0; k < bins.size(); ++k) sum[k] += std::norm(bins[k]);
    }
    for (auto& value : sum) value = 10.0 * std::log10(value + 1e-20);
    return sum;
}

/// Centres of bands that tile the range and hold something, the loudest first. Peaks alone would miss damped
/// modes that have grown together.
std::vector<double> tiles_of(const Analysis& a) {
    double bin_hz = 0.0;
    const auto level = common_spectrum(a, bin_hz);
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

/// The glide that leaves the fewest modes round the loudest partial. None unless it helps clearly.
Glide find_glide(std::span<const float> x, double rate_hz, double loudest_hz, Straighteners& straighteners) {
    x = x.first(std::min(x.size(), std::size_t(kGlideSeconds * rate_hz)));
    const auto skip = std::size_t(kFreeAfterMs * rate_hz / 1000.0);
    const auto spread = [&](const Glide& glide) {
        auto bent = glide.rise == 0.0 ? std::vector(x.begin(), x.end()) : straighteners.run(x, glide);
        bent.resize(std::max(skip, x.size() * 9 / 10)); // the same length for every glide
        return mode_spread(std::span(bent).subspan(skip), rate_hz, loudest_hz + kGlideBandHz / 3.0,
                           kGlideBandHz / 2.0);
    };
    const double straight = spread({});
    double least = straight - kGlideHelps;
    Glide best;
    for (const double fall_s : {0.02, 0.035, 0.06, 0.1}) {
        Glide here{0.0, fall_s};
        double here_least = straight;
        for (double step = 0.012; step > 0.0007; step /= 2.0)
            for (const double rise : step == 0.012 ? std::vector{0.012, 0.024, 0.036, 0.048}
                                                   : std::vector{here.rise - step, here.rise + step}) {
                if (rise < 0.0) continue;
                const double value = spread({rise, fall_s});
                if (value < here_least) here_least = value, here.rise = rise;
            }
        if (here_least < least) least = here_least, best = here;
    }
    return best;
}

struct FoundMode {
    std::size_t hit;
    RingMode mode;
    double weight = 0.0; // of its hit
};

/// A decay is known the better the longer it was seen: the variance falls with the cube of the length.
double weight_of(const Prepared& hit) { return std::pow(double(hit.samples.size() - hit.onset), 2.0); }

std::vector<FoundMode> modes_of_all_hits(const Analysis& a) {
    std::vector<FoundMode> found;
    const auto tiles = tiles_of(a);
    Straighteners straighteners(a.rate_hz, std::size_t(kGlideSeconds * a.rate_hz));
    for (std::size_t h = 0; h < a.hits.size(); ++h) {
        const auto from_onset = std::span(a.hits[h].samples).subspan(a.hits[h].onset);
        const auto glide = find_glide(from_onset, a.rate_hz, tiles.front(), straighteners);
        const auto x = glide.rise == 0.0 ? std::vector(from_onset.begin(), from_onset.end())
                                         : Straightener(a.rate_hz, glide, from_onset.size()).run(from_onset);
        const auto skip = std::min(x.size(), std::size_t(kFreeAfterMs * a.rate_hz / 1000.0));
        for (const double centre : tiles)
            for (auto mode : find_modes(std::span(x).subspan(skip), a.rate_hz, centre, kHalfWidthHz)) {
                if (mode.range_db < kHeardFallDb || mode.hz * mode.ring_ms() < 1000.0 * kLeastPeriods)
                    continue;
                mode.amplitude *= std::exp(mode.decay_per_s * kFreeAfterMs / 1000.0); // back to the onset
                found.push_back({h, mode, weight_of(a.hits[h])});
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
    for (const auto& hit : a.hits) all += weight_of(hit);
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
    constexpr int kRounds = 6;
    constexpr double kLeastSpread = 0.02;
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
    p.level_db = over([](const RingMode& m) { return 20.0 * std::log10(m.amplitude); }, 0.5);
    p.range_db = over([](const RingMode& m) { return m.range_db; }, 0.5);
    p.spread = (over(ring, 0.75) - over(ring, 0.25)) / 2.0 / middle_ms;
    p.ring_ms = common_ring_ms(modes, middle_ms, p.spread);
    p.hits = modes.size();
    p.judged = p.hits >= kJudgedHits && p.range_db >= kJudgedFallDb &&
               kErrorOfSpread * p.spread <= kJudgedWithin * std::sqrt(static_cast<double>(p.hits));
    return p;
}

/// Side by side with a partial that was found, what only mends the fit shows up as well.
bool near_one_of(const std::vector<RingPartial>& partials, double hz) {
    return std::any_of(partials.begin(), partials.end(),
                       [=](const RingPartial& p) { return std::abs(p.hz - hz) < 0.08 * hz; });
}

/// Of what was found, all that the hits don't agree on or that no hit shows for long enough.
void leave_open(const Cluster& found, const Analysis& a, double strongest_db, RingResult& result) {
    for (const auto& cluster : clusters(found, a)) {
        auto p = merged(cluster);
        p.level_db -= strongest_db, p.judged = false;
        if (p.level_db > kLeftOpenDb && p.level_db < kLoudestOpenDb && !near_one_of(result.partials, p.hz))
            result.left_open.push_back(p);
    }
}

void measure_partials(const Analysis& a, RingResult& result) {
    auto& partials = result.partials;
    const auto found = modes_of_all_hits(a);
    auto fallen = found;
    std::erase_if(fallen, [](const FoundMode& m) { return m.mode.range_db < kLeastPartialFallDb; });
    for (const auto& cluster : clusters(std::move(fallen), a)) partials.push_back(merged(cluster));
    if (partials.empty()) return;
    std::sort(partials.begin(), partials.end(),
              [](const auto& x, const auto& y) { return x.level_db > y.level_db; });
    const double strongest = partials.front().level_db;
    for (auto& p : partials) p.level_db -= strongest;
    std::erase_if(partials,
                  [](const RingPartial& p) { return p.level_db < -kPartialRangeDb || p.spread > kUnsure; });
    leave_open(found, a, strongest, result);
    if (partials.size() > kMaxPartials) partials.resize(kMaxPartials);
    std::sort(partials.begin(), partials.end(), [](const auto& x, const auto& y) { return x.hz < y.hz; });
}

} // namespace

std::vector<RingPartial> heard_partials(const RingResult& ring) {
    auto all = ring.partials;
    all.insert(all.end(), ring.left_open.begin(), ring.left_open.end());
    std::sort(all.begin(), all.end(), [](const auto& x, const auto& y) { return x.hz < y.hz; });
    return all;
}

RingResult analyse_ring(std::span<const RingHit> hits, double rate_hz, const RingBandLimits& band) {
    RingResult result;
    const auto a = prepare(hits, rate_hz, band);
    result.hits = a.hits.size();
    if (a.hits.empty() || a.band.high_hz <= 2.0 * a.band.low_hz) return result;
    measure_decay(a, result);
    measure_partials(a, result);
    return result;
}

} // namespace kitfold::dsp
