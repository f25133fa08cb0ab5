#include "offline/pcm.h"
#include <bit>
#include <cmath>
#include <cstring>

namespace kitfold::offline {
namespace {

static_assert(std::endian::native == std::endian::little, "decode() loads little-endian words as they are");

void decode_int16(const unsigned char* from, std::size_t step, float* out, std::size_t frames) noexcept {
    for (std::size_t n = 0; n < frames; ++n, from += step) {
        std::int16_t value = 0;
        std::memcpy(&value, from, 2);
        out[n] = static_cast<float>(value) * 0x1p-15f;
    }
}

void decode_int24(const unsigned char* from, std::size_t step, float* out, std::size_t frames) noexcept {
    for (std::size_t n = 0; n < frames; ++n, from += step) {
        std::uint16_t low = 0;
        std::memcpy(&low, from, 2);
        const std::int32_t value =
            low | (static_cast<std::int32_t>(static_cast<std::int8_t>(from[2])) * 0x10000);
        out[n] = static_cast<float>(value) * 0x1p-23f;
    }
}

void decode_float32(const unsigned char* from, std::size_t step, float* out, std::size_t frames) noexcept {
    for (std::size_t n = 0; n < frames; ++n, from += step) std::memcpy(out + n, from, 4);
}

/// Two uniform 32-bit numbers in one, from a counter (the output function of SplitMix64: Steele, Lea and
/// Flood, "Fast Splittable Pseudorandom Number Generators", OOPSLA 2014).
std::uint64_t scatter(std::uint64_t counter) noexcept {
    std::uint64_t z = counter * 0x9e3779b97f4a7c15u;
    z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
    z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
    return z ^ (z >> 31);
}

} // namespace

void decode(Pcm pcm, const unsigned char* bytes, std::size_t channels, std::size_t channel, float* out,
            std::size_t frames) noexcept {
    const unsigned char* from = bytes + channel * bytes_of(pcm);
    const std::size_t step = channels * bytes_of(pcm);
    switch (pcm) {
    case Pcm::int16:
        return decode_int16(from, step, out, frames);
    case Pcm::int24:
        return decode_int24(from, step, out, frames);
    case Pcm::float32:
        return decode_float32(from, step, out, frames);
    }
}

std::size_t clear_non_finite(float* samples, std::size_t count) noexcept {
    std::size_t found = 0;
    for (std::size_t n = 0; n < count; ++n) {
        const bool broken = (std::bit_cast<std::uint32_t>(samples[n]) & 0x7f80'0000u) == 0x7f80'0000u;
        found += broken;
        samples[n] = broken ? 0.0f : samples[n];
    }
    return found;
}

Quantiser::Quantiser(int bits, bool dither, std::uint64_t seed) noexcept
    : full_scale_(std::ldexp(1.0, bits - 1)), dither_scale_(dither ? 0x1p-32 : 0.0), counter_(seed << 40) {}

void Quantiser::process(const float* in, std::int32_t* out, std::size_t frames) noexcept {
    const double top = full_scale_ - 1.0, bottom = -full_scale_;
    std::size_t clipped = 0;
    for (std::size_t n = 0; n < frames; ++n) {
        const std::uint64_t random = scatter(++counter_);
        const auto a = static_cast<std::int64_t>(random >> 32),
                   b = static_cast<std::int64_t>(random & 0xffff'ffffu);
        const double scaled = in[n] * full_scale_;
        clipped += scaled > top || scaled < bottom;
        const double dithered = scaled + static_cast<double>(a - b) * dither_scale_;
        const double bounded = dithered > top ? top : dithered < bottom ? bottom : dithered;
        out[n] = static_cast<std::int32_t>(std::lrint(bounded));
    }
    clipped_ += clipped;
}

} // namespace kitfold::offline
