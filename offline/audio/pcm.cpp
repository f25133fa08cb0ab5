#include "offline/audio/pcm.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <bit>
#include <cmath>
#include <cstring>
#include <iterator>

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

constexpr std::size_t kPacked = 256; ///< samples of 24 bits that are taken at a time

/// Four samples from every three words.
KITFOLD_VECTOR_CLONES void decode_int24_mono(const unsigned char* from, float* out) noexcept {
    std::uint32_t w[kPacked / 4 * 3];
    std::memcpy(w, from, sizeof w);
    for (std::size_t g = 0; g < kPacked / 4; ++g) {
        const std::uint32_t a = w[3 * g], b = w[3 * g + 1], c = w[3 * g + 2];
        out[4 * g] = static_cast<float>(static_cast<std::int32_t>(a << 8)) * 0x1p-31f;
        out[4 * g + 1] = static_cast<float>(static_cast<std::int32_t>(a >> 24 << 8 | b << 16)) * 0x1p-31f;
        out[4 * g + 2] = static_cast<float>(static_cast<std::int32_t>(b >> 16 << 8 | c << 24)) * 0x1p-31f;
        out[4 * g + 3] = static_cast<float>(static_cast<std::int32_t>(c & 0xffff'ff00u)) * 0x1p-31f;
    }
}

void decode_int24(const unsigned char* from, std::size_t step, float* out, std::size_t frames) noexcept {
    std::size_t done = 0;
    if (step == 3)
        for (; done + kPacked <= frames; done += kPacked, from += 3 * kPacked)
            decode_int24_mono(from, out + done);
    for (std::size_t n = done; n < frames; ++n, from += step) {
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

/// A number whose bits have nothing left to do with each other or with those of its neighbours (the final mix
/// of MurmurHash3, in the public domain). 32 bits, so that it runs in SIMD lanes.
inline std::uint32_t scattered(std::uint32_t x) noexcept {
    x = (x ^ (x >> 16)) * 0x85eb'ca6bu;
    x = (x ^ (x >> 13)) * 0xc2b2'ae35u;
    return x ^ (x >> 16);
}

struct Range {
    double full_scale, top, bottom, dither_scale;
};

/// Rounds `in` to integers; `place` is that of the first sample, times two, and carries the seed. Returns how
/// many were beyond the range.
KITFOLD_VECTOR_CLONES int quantise(const float* in, std::int32_t* out, std::size_t frames,
                                   std::uint32_t place, Range range) noexcept {
    constexpr double kWhole = 0x1.8p52; // a double this large has no room for fractions: adding it rounds
    int clipped = 0;
    for (std::size_t n = 0; n < frames; ++n) {
        const std::uint32_t even = place + 2 * static_cast<std::uint32_t>(n);
        const auto a = static_cast<std::int32_t>(scattered(even) >> 1);
        const auto b = static_cast<std::int32_t>(scattered(even + 1) >> 1);
        const double scaled = in[n] * range.full_scale;
        const double dithered = scaled + static_cast<double>(a - b) * range.dither_scale;
        const double low = dithered > range.top ? range.top : dithered;
        const double bounded = low < range.bottom ? range.bottom : low;
        clipped += static_cast<int>(scaled > range.top) + static_cast<int>(scaled < range.bottom);
        out[n] = static_cast<std::int32_t>((bounded + kWhole) - kWhole);
    }
    return clipped;
}

/// Three words from every four samples.
KITFOLD_VECTOR_CLONES void pack_int24_words(const std::int32_t* values, unsigned char* bytes) noexcept {
    std::uint32_t w[kPacked / 4 * 3];
    for (std::size_t g = 0; g < kPacked / 4; ++g) {
        const auto v = [&](std::size_t k) { return static_cast<std::uint32_t>(values[4 * g + k]); };
        w[3 * g] = (v(0) & 0xff'ffffu) | v(1) << 24;
        w[3 * g + 1] = (v(1) >> 8 & 0xffffu) | v(2) << 16;
        w[3 * g + 2] = (v(2) >> 16 & 0xffu) | v(3) << 8;
    }
    std::memcpy(bytes, w, sizeof w);
}

void pack_int24(const std::int32_t* values, unsigned char* bytes, std::size_t count) noexcept {
    std::size_t n = 0;
    for (; n + kPacked <= count; n += kPacked) pack_int24_words(values + n, bytes + 3 * n);
    for (; n < count; ++n) std::memcpy(bytes + 3 * n, values + n, 3);
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

Oddities clear_non_finite(float* samples, std::size_t count) noexcept {
    constexpr auto kLargest =
        std::bit_cast<std::uint32_t>(kLargestSample); // bits of floats are in their order
    std::size_t broken_ones = 0, beyond = 0;
    for (std::size_t n = 0; n < count; ++n) {
        const auto size = std::bit_cast<std::uint32_t>(samples[n]) & 0x7fff'ffffu;
        const bool broken = size >= 0x7f80'0000u;
        broken_ones += broken, beyond += size > kLargest;
        samples[n] = broken ? 0.0f : samples[n];
    }
    return {broken_ones, beyond - broken_ones};
}

void pack(Pcm pcm, const std::int32_t* values, unsigned char* bytes, std::size_t count) noexcept {
    if (pcm == Pcm::int24) return pack_int24(values, bytes, count);
    for (std::size_t n = 0; n < count; ++n) std::memcpy(bytes + 2 * n, values + n, 2);
}

Quantiser::Quantiser(int bits, bool dither, std::uint32_t seed) noexcept
    : full_scale_(std::ldexp(1.0, bits - 1)), dither_scale_(dither ? 0x1p-31 : 0.0), seed_(seed) {}

void Quantiser::process(const float* in, std::int32_t* out, std::size_t step, std::size_t frames) noexcept {
    const Range range{full_scale_, full_scale_ - 1.0, -full_scale_, dither_scale_};
    std::int32_t values[512];
    for (std::size_t done = 0; done < frames; done += std::size(values)) {
        const std::size_t count = std::min(std::size(values), frames - done);
        // the numbers come again after 2^31 samples, half a day: with the half days mixed in they do not
        const std::uint32_t half_day = scattered(seed_ + 256 * static_cast<std::uint32_t>(at_ >> 31));
        clipped_ += static_cast<std::uint64_t>(
            quantise(in + done, values, count, half_day + 2 * static_cast<std::uint32_t>(at_), range));
        for (std::size_t n = 0; n < count; ++n) out[(done + n) * step] = values[n];
        at_ += count;
    }
}

} // namespace kitfold::offline
