#pragma once
// Random numbers that are the same on every machine: the standard library fixes its engines but not its
// distributions.
#include <cmath>
#include <cstdint>
#include <numbers>
#include <random>

namespace kitfold::dsp {

/// Steele, Lea and Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014: the finaliser of
/// SplitMix64.
constexpr std::uint64_t scramble(std::uint64_t x) noexcept {
    x += 0x9e3779b97f4a7c15ull;
    x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9ull;
    x = (x ^ (x >> 27)) * 0x94d049bb133111ebull;
    return x ^ (x >> 31);
}

/// One independent stream for each (seed, stream).
constexpr std::uint64_t stream_seed(std::uint64_t seed, std::uint64_t stream) noexcept {
    return scramble(scramble(seed) ^ scramble(stream + 0x5bd1e995u));
}

/// For decisions: few numbers, well mixed.
class Random {
public:
    explicit Random(std::uint64_t seed) : engine_(seed) {}
    double uniform() { return static_cast<double>(engine_() >> 11) * 0x1p-53; } ///< 0 <= x < 1
    double uniform(double low, double high) { return low + (high - low) * uniform(); }
    double normal() { // Box and Muller, 1958
        const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
        return radius * std::cos(2.0 * std::numbers::pi * uniform());
    }
    bool chance(double probability) { return uniform() < probability; }

private:
    std::mt19937_64 engine_;
};

/// White noise, variance 1: the sum of four 16-bit numbers is close to normal and cheap.
class WhiteNoise {
public:
    explicit WhiteNoise(std::uint64_t seed) noexcept : state_(seed) {}
    float next() noexcept {
        state_ += 0x9e3779b97f4a7c15ull;
        std::uint64_t x = state_;
        x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9ull;
        x ^= x >> 27;
        const auto sum =
            static_cast<std::int32_t>((x & 0xffff) + ((x >> 16) & 0xffff) + ((x >> 32) & 0xffff) + (x >> 48));
        return static_cast<float>(sum - 131'070) * kScale;
    }

private:
    static constexpr float kScale = 2.6430e-5f; // 1 / sqrt(4 (2^32 - 1) / 12)
    std::uint64_t state_;
};

} // namespace kitfold::dsp
