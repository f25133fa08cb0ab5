#include "ring/glide.h"
#include "ring/modes.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <numbers>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr double kGlideBandHz = 300.0; // the lowest modes of a head, which glide the most
constexpr double kGlideSeconds = 0.25; // five time constants of a usual glide
constexpr double kGlideHelps = 3.0;    // of mode_spread; chosen, not derived: at 0 noise bends any stroke

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

} // namespace

std::vector<std::vector<float>> straightened(std::span<const std::span<const float>> strokes, double rate_hz,
                                             double loudest_hz) {
    Straighteners straighteners(rate_hz, std::size_t(kGlideSeconds * rate_hz));
    std::vector<std::vector<float>> out;
    for (const auto x : strokes) {
        const auto glide = find_glide(x, rate_hz, loudest_hz, straighteners);
        out.push_back(glide.rise == 0.0 ? std::vector(x.begin(), x.end())
                                        : Straightener(rate_hz, glide, x.size()).run(x));
    }
    return out;
}

} // namespace kitfold::dsp
