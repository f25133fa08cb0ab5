#include "dynamics/kit_key.h"
#include "core/finite.h"
#include "core/flush_denormals.h"
#include "core/units.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>

namespace kitfold::dsp {
namespace {

constexpr double kStepsPerSecond = 6000.0;
constexpr double kKeyFallDbPerS = 500.0; // bridges the zeros of a 70 Hz wave
constexpr double kLongestMs = 72.0;      // delay, margin of fractional delays and wait together
constexpr double kQ = 1.0;
constexpr float kUnlimited = 3.4028234663852886e38f;

// Comparisons on the bits, which order like the numbers as long as these are positive: a loop with a
// floating-point comparison is not made vector code.
std::int32_t bits_of(float x) noexcept { return std::bit_cast<std::int32_t>(x); }
float larger_of(float a, float b) noexcept { return std::bit_cast<float>(std::max(bits_of(a), bits_of(b))); }
float positive_part(float x) noexcept { return std::bit_cast<float>(bits_of(x) & ~(bits_of(x) >> 31)); }

float power_from_db(double db) noexcept { return static_cast<float>(std::pow(10.0, db / 10.0)); }

/// What a step works on: [band][mic] with `stride` mics to a band, bleed [source][band][mic].
struct StepArrays {
    std::size_t stride, sources;
    const std::size_t* source;
    const float *low, *bleed, *noise, *weight, *wash;
    float *band1, *low1, *band2, *low2, *power, *left, *held, *top;
};
struct BandFilter {
    float a1, a2, a3, k;
};

/// One band of every mic: two band-passes, what bleed explains of their power, what is left, what is held.
KITFOLD_VECTOR_CLONES void step_band(const StepArrays& s, const BandFilter& f, std::size_t band, float hold,
                                     float* __restrict fresh) {
    const std::size_t at = band * s.stride;
    const float* __restrict low = s.low;
    float* __restrict b1 = s.band1 + at, * __restrict l1 = s.low1 + at;
    float* __restrict b2 = s.band2 + at, * __restrict l2 = s.low2 + at;
    float* __restrict power = s.power + at, * __restrict left = s.left + at, * __restrict held = s.held + at;
    for (std::size_t m = 0; m < s.stride; ++m) {
        const float v3 = low[m] - l1[m];
        const float x1 = f.a1 * b1[m] + f.a2 * v3, y1 = l1[m] + f.a2 * b1[m] + f.a3 * v3;
        b1[m] = x1 + x1 - b1[m], l1[m] = y1 + y1 - l1[m];
        const float w3 = f.k * x1 - l2[m];
        const float x2 = f.a1 * b2[m] + f.a2 * w3, y2 = l2[m] + f.a2 * b2[m] + f.a3 * w3;
        b2[m] = x2 + x2 - b2[m], l2[m] = y2 + y2 - l2[m];
        power[m] = f.k * x2 * (f.k * x2);
        left[m] = s.noise[at + m] + s.wash[at + m] * s.top[m];
    }
    for (std::size_t i = 0; i < s.sources; ++i) {
        const std::size_t j = s.source[i];
        const float* __restrict bleed = s.bleed + (j * kKeyBands + band) * s.stride;
        const float h = held[j];
        for (std::size_t m = 0; m < s.stride; ++m) left[m] += bleed[m] * h;
    }
    const float* __restrict weight = s.weight + at;
    for (std::size_t m = 0; m < s.stride; ++m) {
        const float u = positive_part(power[m] - left[m]);
        left[m] = u;
        held[m] = larger_of(u, hold * held[m]);
        fresh[m] += weight[m] * u;
    }
}

/// The signal, held to ±most.
KITFOLD_VECTOR_CLONES void limit(const float* in, float most, float* out, std::size_t frames) {
    const std::int32_t most_bits = bits_of(most);
    for (std::size_t n = 0; n < frames; ++n) {
        const std::int32_t x = bits_of(finite_or_silence(in[n]));
        const std::int32_t size = x & 0x7FFFFFFF;
        out[n] = std::bit_cast<float>((size < most_bits ? size : most_bits) | (x & ~0x7FFFFFFF));
    }
}

} // namespace

bool KitKey::prepare(double rate_hz, std::size_t mics) {
    if (!rate_allowed(rate_hz) || mics == 0 || mics > kMaxMics) return false;
    rate_hz_ = rate_hz, mics_ = mics, stride_ = (mics + kPad - 1) / kPad * kPad;
    step_ = std::max<std::size_t>(1, static_cast<std::size_t>(std::lround(rate_hz / kStepsPerSecond)));
    const auto s = static_cast<float>(step_ * step_);
    now_ = {}, later_ = {};
    for (std::size_t n = 0; n < step_; ++n) {
        now_[n] = static_cast<float>(step_ - n) / s; // triangle of two steps, sum 1
        later_[n] = static_cast<float>(n) / s;
    }
    stage_.assign(mics * kMaxStep, 0.0f), carry_.assign(mics, 0.0f), low_.assign(stride_, 0.0f);
    for (auto* v : {&band1_, &low1_, &band2_, &low2_, &power_, &left_, &held_, &noise_, &weight_, &wash_})
        v->assign(kKeyBands * stride_, 0.0f);
    bleed_.assign(mics * kKeyBands * stride_, 0.0f);
    sources_.reserve(mics);
    top_.assign(stride_, 0.0f), key_.assign(stride_, 0.0f), limit_.assign(stride_, 0.0f),
        known_.assign(mics, 0);
    ring_ = std::bit_ceil(static_cast<std::size_t>(kLongestMs / 1000.0 * step_rate_hz()) + 2);
    lows_.assign(ring_ * stride_, 0.0f), limits_.assign(ring_ * stride_, 0.0f);
    delay_.assign(mics, 0), wait_.assign(mics, 0);
    hold_ = power_from_db(-kHoldDbPerS / step_rate_hz());
    fall_ = power_from_db(-kKeyFallDbPerS / step_rate_hz());
    make_filters();
    set({});
    reset();
    return true;
}

void KitKey::make_filters() noexcept {
    for (std::size_t b = 0; b < kKeyBands; ++b) {
        const auto s = Section::band_pass(step_rate_hz(), kKeyBandHz[b], kQ);
        const double d = 1.0 / (1.0 + s.g * (s.g + s.k));
        filter_[b] = {static_cast<float>(d), static_cast<float>(s.g * d), static_cast<float>(s.g * s.g * d),
                      static_cast<float>(s.k)};
    }
}

void KitKey::reset() noexcept {
    for (auto* v : {&stage_, &carry_, &low_, &band1_, &low1_, &band2_, &low2_, &power_, &left_, &held_, &top_,
                    &key_, &limit_, &lows_, &limits_})
        std::fill(v->begin(), v->end(), 0.0f);
    position_ = 0, write_ = 0;
}

void KitKey::set(const KitKeyTable& table) noexcept {
    std::fill(bleed_.begin(), bleed_.end(), 0.0f);
    std::fill(noise_.begin(), noise_.end(), 0.0f);
    std::fill(weight_.begin(), weight_.end(), 0.0f);
    std::fill(wash_.begin(), wash_.end(), 0.0f);
    for (std::size_t m = 0; m < mics_; ++m) {
        known_[m] = table.knows(m);
        if (m >= table.mics.size()) continue;
        const auto& mic = table.mics[m];
        for (std::size_t b = 0; b < kKeyBands; ++b) {
            noise_[b * stride_ + m] = power_from_db(mic.noise_db[b]);
            wash_[b * stride_ + m] = b + 1 < kKeyBands ? power_from_db(mic.wash_db[b]) : 0.0f;
            weight_[b * stride_ + m] = power_from_db(mic.weight_db[b] + mic.level_db);
        }
    }
    sources_.clear();
    for (const auto& e : table.bleed) {
        if (e.source >= mics_ || e.mic >= mics_ || e.source == e.mic) continue;
        if (std::find(sources_.begin(), sources_.end(), e.source) == sources_.end())
            sources_.push_back(e.source);
        for (std::size_t b = 0; b < kKeyBands; ++b)
            bleed_[(e.source * kKeyBands + b) * stride_ + e.mic] = power_from_db(e.gain_db[b]);
    }
}

void KitKey::set_delay(std::size_t mic, double delay_ms, double key_wait_ms) noexcept {
    const auto steps = [this](double ms) { // rather early than late
        return std::min(static_cast<std::size_t>(std::max(0.0, ms) / 1000.0 * step_rate_hz()), ring_ - 1);
    };
    delay_[mic] = steps(delay_ms), wait_[mic] = steps(key_wait_ms);
}

float KitKey::low(const float* samples, float& carry) const noexcept {
    constexpr std::size_t kWide = 8; // partial sums in a fixed order
    float now[kWide]{}, later[kWide]{};
    for (std::size_t n = 0; n < step_; n += kWide)
        for (std::size_t k = 0; k < kWide; ++k) {
            const float x = finite_or_silence(samples[n + k]);
            now[k] += now_[n + k] * x;
            later[k] += later_[n + k] * x;
        }
    float sum = carry, next = 0.0f;
    for (std::size_t k = 0; k < kWide; ++k) sum += now[k], next += later[k];
    carry = next;
    return sum;
}

void KitKey::advance(const float* low) noexcept {
    const StepArrays arrays{stride_,       sources_.size(), sources_.data(), low,
                            bleed_.data(), noise_.data(),   weight_.data(),  wash_.data(),
                            band1_.data(), low1_.data(),    band2_.data(),   low2_.data(),
                            power_.data(), left_.data(),    held_.data(),    top_.data()};
    alignas(64) float fresh[2 * kMaxMics]{};
    for (std::size_t b = kKeyBands; b-- > 0;) { // the top band first
        const auto& f = filter_[b];
        step_band(arrays, {f.a1, f.a2, f.a3, f.k}, b, hold_, fresh);
        if (b + 1 == kKeyBands)
            for (std::size_t m = 0; m < stride_; ++m)
                top_[m] = larger_of(top_[m] * hold_, power_[b * stride_ + m]);
    }
    for (std::size_t m = 0; m < stride_; ++m) key_[m] = larger_of(key_[m] * fall_, fresh[m]);
}

void KitKey::end_step() noexcept {
    for (std::size_t m = 0; m < mics_; ++m)
        lows_[write_ * stride_ + m] = low(&stage_[m * kMaxStep], carry_[m]);
    for (std::size_t m = 0; m < mics_; ++m)
        low_[m] = lows_[((write_ - delay_[m]) & (ring_ - 1)) * stride_ + m];
    advance(low_.data());
    for (std::size_t m = 0; m < mics_; ++m) limits_[write_ * stride_ + m] = std::sqrt(key_[m]);
    for (std::size_t m = 0; m < mics_; ++m)
        limit_[m] = limits_[((write_ - wait_[m]) & (ring_ - 1)) * stride_ + m];
    write_ = (write_ + 1) & (ring_ - 1);
}

void KitKey::write_keys(const float* const* signals, float* const* keys, std::size_t at,
                        std::size_t frames) noexcept {
    for (std::size_t m = 0; m < mics_; ++m)
        if (keys[m] != nullptr)
            limit(signals[m] + at, known_[m] ? limit_[m] : kUnlimited, keys[m] + at, frames);
}

void KitKey::process(const float* const* inputs, const float* const* signals, float* const* keys,
                     std::size_t frames) noexcept {
    const FlushDenormals guard;
    for (std::size_t n = 0; n < frames;) {
        const std::size_t count = std::min(frames - n, step_ - position_);
        for (std::size_t m = 0; m < mics_; ++m)
            std::copy_n(inputs[m] + n, count, &stage_[m * kMaxStep + position_]);
        write_keys(signals, keys, n, count);
        n += count, position_ += count;
        if (position_ == step_) end_step(), position_ = 0;
    }
}

} // namespace kitfold::dsp
