#include "synth/room.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

namespace {

constexpr double kNearest = 0.04; ///< m
constexpr double kDullHz = 900.0; ///< corner of a wall's loss
constexpr double kDullTop = 0.7;  ///< what a wall leaves of the top end, re its low end

double pattern_gain(double pattern, Position axis, Position towards) {
    return pattern + (1.0 - pattern) * dot(axis, towards);
}

/// Gain and delay from `source` as it stands to the mic.
Arrival arrival(const Radiator& source, const SimulatedMic& mic, double speed_of_sound) {
    const Position way = mic.position - source.position;
    const double distance = std::max(length(way), kNearest);
    const Position towards = (1.0 / distance) * way;
    const double gain = source.gain * std::max(0.0, pattern_gain(source.pattern, source.axis, towards)) *
                        pattern_gain(mic.pattern, mic.axis, -1.0 * towards) / distance;
    return {(distance + source.behind_m) / speed_of_sound, gain, 0};
}

double window(double x) { // Blackman and Harris, four terms, -92 dB; x from -1 to 1
    const double a = std::numbers::pi * (x + 1.0);
    return 0.35875 - 0.48829 * std::cos(a) + 0.14128 * std::cos(2.0 * a) - 0.01168 * std::cos(3.0 * a);
}

using Kernel = std::array<float, 2 * kSincReach>;

/// Samples of a windowed sinc whose centre lies `fraction` (0..1) after sample kSincReach - 1.
Kernel sinc(double fraction) {
    Kernel kernel{};
    for (std::size_t i = 0; i < kernel.size(); ++i) {
        const double x = static_cast<double>(i) - (kSincReach - 1) - fraction;
        const double s = std::abs(x) < 1e-9 ? 1.0 : std::sin(std::numbers::pi * x) / (std::numbers::pi * x);
        const double w = std::abs(x) < kSincReach ? window(x / kSincReach) : 0.0;
        kernel[i] = static_cast<float>(s * w);
    }
    return kernel;
}

constexpr std::size_t kPhases = 256;
const Kernel& tabled_sinc(double fraction) {
    static const auto table = [] {
        std::vector<Kernel> kernels;
        for (std::size_t p = 0; p <= kPhases; ++p) kernels.push_back(sinc(static_cast<double>(p) / kPhases));
        return kernels;
    }();
    return table[static_cast<std::size_t>(std::lround(fraction * kPhases))];
}

void add(const Arrival& a, double rate_hz, std::size_t lead, std::span<float> response) {
    const double centre = a.delay_s * rate_hz + static_cast<double>(lead);
    const double whole = std::floor(centre);
    const auto first = static_cast<std::size_t>(whole) - (kSincReach - 1);
    if (first + 2 * kSincReach > response.size()) return;
    const auto place = [&](const Kernel& kernel) {
        for (std::size_t i = 0; i < kernel.size(); ++i)
            response[first + i] += static_cast<float>(a.gain) * kernel[i];
    };
    if (a.walls == 0)
        place(sinc(centre - whole));
    else
        place(tabled_sinc(centre - whole));
}

/// What a wall does to the top end: 1 at low frequencies, kDullTop at high ones.
void dull(std::span<float> response, double rate_hz) {
    const double step = 1.0 - std::exp(-2.0 * std::numbers::pi * kDullHz / rate_hz);
    double low = 0.0;
    for (float& x : response) {
        low += step * (static_cast<double>(x) - low);
        x = static_cast<float>(low + kDullTop * (static_cast<double>(x) - low));
    }
}

double power(double base, int exponent) { return std::pow(base, static_cast<double>(exponent)); }

/// One axis of the image lattice: where the image lies, which walls it met, whether it is a mirror image.
struct Image1 {
    double at;
    double gain;
    int walls;
    bool mirrored;
};

std::vector<Image1> images(double at, double size, double near_wall, double far_wall, int most) {
    std::vector<Image1> out;
    for (int n = -most; n <= most; ++n)
        for (const bool mirrored : {false, true}) {
            const int near_hits = std::abs(mirrored ? n - 1 : n), far_hits = std::abs(n);
            if (near_hits + far_hits > most) continue;
            out.push_back({2.0 * n * size + (mirrored ? -at : at),
                           power(near_wall, near_hits) * power(far_wall, far_hits), near_hits + far_hits,
                           mirrored});
        }
    return out;
}

} // namespace

double length(Position a) noexcept { return std::sqrt(dot(a, a)); }
Position unit(Position a) noexcept { return (1.0 / length(a)) * a; }

Arrival direct_arrival(const Radiator& source, const SimulatedMic& mic, double speed_of_sound) {
    return arrival(source, mic, speed_of_sound);
}

std::vector<Arrival> wall_arrivals(const Room& room, const Radiator& source, const SimulatedMic& mic,
                                   double speed_of_sound) {
    const Position at = room.kit + source.position;
    std::vector<Arrival> out;
    const auto xs = images(at.x, room.size.x, room.left, room.right, room.most_walls);
    const auto ys = images(at.y, room.size.y, room.back, room.front, room.most_walls);
    const auto zs = images(at.z, room.size.z, room.floor, room.ceiling, room.most_walls);
    for (const auto& x : xs)
        for (const auto& y : ys)
            for (const auto& z : zs) {
                const int walls = x.walls + y.walls + z.walls;
                if (walls == 0 || walls > room.most_walls) continue;
                Radiator image = source;
                image.position = Position{x.at, y.at, z.at} - room.kit;
                if (x.mirrored) image.axis.x = -image.axis.x;
                if (y.mirrored) image.axis.y = -image.axis.y;
                if (z.mirrored) image.axis.z = -image.axis.z;
                Arrival a = arrival(image, mic, speed_of_sound);
                a.gain *= x.gain * y.gain * z.gain;
                a.walls = walls;
                out.push_back(a);
            }
    return out;
}

void add_arrivals(std::span<const Arrival> arrivals, double rate_hz, std::size_t lead,
                  std::span<float> response) {
    int most = 0;
    for (const auto& a : arrivals) most = std::max(most, a.walls);
    // Horner: response = h0 + D(h1 + D(h2 + ...)), D being what one wall does.
    std::vector<float> sum(response.size(), 0.0f);
    for (int walls = most; walls >= 0; --walls) {
        for (const auto& a : arrivals)
            if (a.walls == walls) add(a, rate_hz, lead, sum);
        if (walls > 0) dull(sum, rate_hz);
    }
    for (std::size_t i = 0; i < response.size(); ++i) response[i] += sum[i];
}

} // namespace kitfold::dsp
