#include "take/mic_scan.h"
#include "core/vector_clones.h"
#include "take/frames.h"
#include <algorithm>
#include <bit>
#include <cmath>
#include <numbers>
#include <utility>

namespace kitfold::dsp {

namespace {

constexpr double kBandQ = 1.2;      ///< -3 dB 1.2 octaves apart: neighbours meet
constexpr double kTopOfBand = 0.45; ///< of the rate; a band with its centre above stays silent

std::uint16_t upper_half(float x) noexcept {
    // Rounded to nearest; energies are finite and not negative, so the carry can't spoil the sign.
    return static_cast<std::uint16_t>((std::bit_cast<std::uint32_t>(x) + 0x8000u) >> 16);
}

} // namespace

MicScan::MicScan(double rate_hz, double expected_seconds)
    : rate_hz_(rate_hz), hop_(static_cast<std::size_t>(frame_start(1, rate_hz))) {
    out_.energy_.reserve(static_cast<std::size_t>(expected_seconds * 1000.0 + 2.0) * kScanBands);
    for (std::size_t b = 0; b < kScanBands; ++b) {
        if (kScanBandHz[b] > kTopOfBand * rate_hz) continue;
        // Trapezoidal state-variable band-pass, unity at its centre (Zavalishin, The Art of VA Filter
        // Design).
        const double g = std::tan(std::numbers::pi * kScanBandHz[b] / rate_hz);
        const double a1 = 1.0 / (1.0 + g * (g + 1.0 / kBandQ));
        // Twice as large each, as the states take twice the outputs: doubling rounds nothing.
        a1_[b] = 2.0f * static_cast<float>(a1);
        a2_[b] = 2.0f * static_cast<float>(g * a1);
        a3_[b] = 2.0f * static_cast<float>(g * g * a1);
        k_[b] = 0.5f * static_cast<float>(1.0 / kBandQ);
    }
}

void MicScan::push(std::span<const float> block) {
    while (!block.empty()) {
        const auto part = block.first(std::min(block.size(), hop_ - filled_));
        run(part);
        filled_ += part.size();
        if (filled_ == hop_) close_frame();
        block = block.subspan(part.size());
    }
}

// Lane by lane the same arithmetic with either instruction set, so the same bits.
KITFOLD_VECTOR_CLONES void MicScan::run(std::span<const float> part) {
    Lanes s1 = s1_, s2 = s2_, t1 = t1_, t2 = t2_, sum = sum_;
    const Lanes a1 = a1_, a2 = a2_, a3 = a3_, k = k_;
    for (const float in : part) {
        const float x = std::isfinite(in) ? in : 0.0f;
        for (std::size_t b = 0; b < kScanBands; ++b) {
            const float v3 = x - s2[b];
            const float v1 = a1[b] * s1[b] + a2[b] * v3;
            const float v2 = (s2[b] + s2[b]) + a2[b] * s1[b] + a3[b] * v3;
            s1[b] = v1 - s1[b];
            s2[b] = v2 - s2[b];
            const float y = k[b] * v1;
            const float w3 = y - t2[b];
            const float w1 = a1[b] * t1[b] + a2[b] * w3;
            const float w2 = (t2[b] + t2[b]) + a2[b] * t1[b] + a3[b] * w3;
            t1[b] = w1 - t1[b];
            t2[b] = w2 - t2[b];
            const float z = k[b] * w1;
            sum[b] += z * z;
        }
    }
    s1_ = s1, s2_ = s2, t1_ = t1, t2_ = t2, sum_ = sum;
}

void MicScan::close_frame() {
    const float scale = 1.0f / static_cast<float>(filled_);
    for (float& e : sum_) {
        out_.energy_.push_back(upper_half(e * scale));
        e = 0.0f;
    }
    filled_ = 0;
    ++frame_;
    hop_ = static_cast<std::size_t>(frame_start(frame_ + 1, rate_hz_) - frame_start(frame_, rate_hz_));
}

ScanFeatures MicScan::finish() {
    if (filled_ > 0) close_frame();
    return std::exchange(out_, {});
}

} // namespace kitfold::dsp
