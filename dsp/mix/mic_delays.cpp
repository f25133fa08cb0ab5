#include "mix/mic_delays.h"
#include "core/finite.h"
#include "core/vector_clones.h"
#include "core/windows.h"
#include <algorithm>
#include <bit>
#include <cmath>
#include <cstring>
#include <numbers>

namespace kitfold::dsp {
namespace {

constexpr double kBeta = 5.0; // of the Kaiser window: best for 16 taps up to 0.4 of the rate

/// Eight samples in a row. Loads of sixteen, which nearly all cross a cache line, take longer.
using Row = float __attribute__((vector_size(32)));

/// out[0..] = sum of h[k] newest[-k..], as many samples as X holds.
template <class X> [[gnu::always_inline]] inline void filter_at(const X* h, const float* newest, float* out) {
    static_assert(DelayTap::kTaps == 16);
    X sum[16];
#pragma GCC unroll 16
    for (int k = 0; k < 16; ++k) {
        std::memcpy(&sum[k], newest - k, sizeof(X));
        sum[k] *= h[k];
    }
    for (int k = 0; k < 16; k += 2) sum[k] += sum[k + 1];
    for (int k = 0; k < 16; k += 4) sum[k] += sum[k + 2];
    for (int k = 0; k < 16; k += 8) sum[k] += sum[k + 4];
    sum[0] += sum[8];
    std::memcpy(out, &sum[0], sizeof(X));
}

/// out[n] = sum of fir[k] newest[n - k]; newest points at the first frame's newest sample.
KITFOLD_VECTOR_CLONES void convolve(const float* newest, const float* fir, float* __restrict out,
                                    std::size_t frames) {
    constexpr std::size_t kRow = sizeof(Row) / sizeof(float);
    if (frames < kRow) {
        for (std::size_t n = 0; n < frames; ++n) filter_at(fir, newest + n, out + n);
        return;
    }
    Row rows[DelayTap::kTaps];
    for (std::size_t k = 0; k < DelayTap::kTaps; ++k) rows[k] = Row{} + fir[k];
    for (std::size_t n = 0; n + kRow <= frames; n += kRow) filter_at(rows, newest + n, out + n);
    if (frames % kRow != 0)
        filter_at(rows, newest + frames - kRow, out + frames - kRow); // some for the second time
}

KITFOLD_VECTOR_CLONES void copy_finite(const float* in, float* out, std::size_t frames) {
    for (std::size_t n = 0; n < frames; ++n) out[n] = finite_or_silence(in[n]);
}

KITFOLD_VECTOR_CLONES void scale(float* x, float gain, std::size_t frames) {
    for (std::size_t n = 0; n < frames; ++n) x[n] *= gain;
}

} // namespace

DelayTap DelayTap::make(double delay_samples, Polarity polarity) noexcept {
    DelayTap t;
    t.sign = polarity == Polarity::inverted ? -1.0f : 1.0f;
    const double nearest = std::round(delay_samples);
    if (std::abs(delay_samples - nearest) < 1e-3 || delay_samples < static_cast<double>(kBefore)) {
        t.whole = static_cast<std::size_t>(nearest);
        return t;
    }
    t.fractional = true;
    t.whole = static_cast<std::size_t>(delay_samples);
    const double centre = kBefore + (delay_samples - std::floor(delay_samples));
    double sum = 0.0;
    std::array<double, kTaps> h{};
    for (std::size_t k = 0; k < kTaps; ++k) {
        const double at = static_cast<double>(k) - centre;
        h[k] = std::abs(at) < kTaps / 2.0 ? sinc(at) * kaiser(kBeta, at / (kTaps / 2.0)) : 0.0;
        sum += h[k];
    }
    for (std::size_t k = 0; k < kTaps; ++k) t.fir[k] = static_cast<float>(h[k] / sum); // 0 dB at 0 Hz
    return t;
}

bool MicDelays::prepare(double rate_hz, std::span<const double> largest_delay_ms) {
    if (!rate_allowed(rate_hz) || largest_delay_ms.empty() || largest_delay_ms.size() > kMaxMics)
        return false;
    rate_hz_ = rate_hz;
    fade_length_ = static_cast<std::size_t>(std::lround(rate_hz * kMoveMs / 1000.0));
    lines_.assign(largest_delay_ms.size(), Line{});
    bool any = false;
    for (const double ms : largest_delay_ms) any = any || ms > 0.0;
    for (std::size_t m = 0; m < lines_.size(); ++m) {
        if (!any) continue; // nothing is ever delayed: no room for the margin either
        lines_[m].room =
            static_cast<std::size_t>(std::ceil(largest_delay_ms[m] * rate_hz / 1000.0)) + 2 * kMargin;
        lines_[m].past.assign(std::bit_ceil(lines_[m].room + kMaxFrames + DelayTap::kTaps), 0.0f);
    }
    margin_ = 0;
    reset();
    return true;
}

void MicDelays::reset() noexcept {
    for (auto& l : lines_) {
        std::fill(l.past.begin(), l.past.end(), 0.0f);
        l.from = l.to = l.next;
        l.left = 0, l.fresh = true;
    }
}

void MicDelays::set(std::size_t mic, double delay_ms, Polarity polarity, std::size_t extra_samples) noexcept {
    auto& line = lines_[mic];
    const double most = line.room < 2 * kMargin ? 0.0 : static_cast<double>(line.room - 2 * kMargin);
    line.wanted_samples =
        std::clamp(delay_ms * rate_hz_ / 1000.0 + static_cast<double>(extra_samples), 0.0, most);
    line.polarity = polarity;
}

void MicDelays::settle() noexcept {
    margin_ = 0;
    for (const auto& l : lines_) {
        const bool whole = std::abs(l.wanted_samples - std::round(l.wanted_samples)) < 1e-3;
        if (!whole && l.wanted_samples < static_cast<double>(kMargin)) margin_ = kMargin;
    }
    for (auto& l : lines_)
        aim(l, DelayTap::make(l.wanted_samples + static_cast<double>(margin_), l.polarity));
}

void MicDelays::aim(Line& line, const DelayTap& tap) noexcept {
    line.next = tap;
    if (line.fresh) line.from = line.to = tap;
    if (line.left == 0 && !(line.next == line.to)) line.to = line.next, line.left = fade_length_;
}

void MicDelays::process(std::size_t mic, const float* in, float* out, std::size_t frames) noexcept {
    auto& line = lines_[mic];
    if (frames == 0) return;
    line.fresh = false;
    float direct[kMaxFrames]; // a line without a past gives it out again
    if (line.past.empty()) {
        copy_finite(in, direct, frames);
    } else {
        const std::size_t size = line.past.size(), first = std::min(frames, size - line.write);
        copy_finite(in, line.past.data() + line.write, first);
        if (first < frames) copy_finite(in + first, line.past.data(), frames - first);
        line.write = (line.write + frames) & (size - 1);
    }
    for (std::size_t done = 0; done < frames;) {
        const bool fading = line.left > 0;
        const std::size_t count = fading ? std::min(line.left, frames - done) : frames - done;
        read(line, line.to, direct + done, frames - done, count, out + done);
        if (fading) crossfade(line, direct + done, frames - done, count, out + done);
        done += count;
    }
}

void MicDelays::crossfade(Line& line, const float* direct, std::size_t back, std::size_t frames,
                          float* out) const noexcept {
    float before[kMaxFrames];
    read(line, line.from, direct, back, frames, before);
    const float step = 1.0f / static_cast<float>(fade_length_);
    for (std::size_t n = 0; n < frames; ++n) {
        const float old = static_cast<float>(--line.left) * step; // part of the former tap
        out[n] += old * (before[n] - out[n]);
    }
    if (line.left > 0) return;
    line.from = line.to;
    if (!(line.next == line.to)) line.to = line.next, line.left = fade_length_;
}

/// What `tap` gives for frames that begin `back` samples before the write position; `direct`: the frames
/// themselves, for a line without a past.
void MicDelays::read(const Line& line, const DelayTap& tap, const float* direct, std::size_t back,
                     std::size_t frames, float* out) noexcept {
    if (line.past.empty()) {
        std::copy_n(direct, frames, out);
    } else {
        const std::size_t older = tap.fractional ? DelayTap::kTaps - DelayTap::kBefore - 1 : 0;
        const std::size_t length = tap.fractional ? frames + DelayTap::kTaps - 1 : frames;
        const std::size_t size = line.past.size();
        const std::size_t start = (line.write + 2 * size - back - tap.whole - older) & (size - 1);
        const std::size_t first = std::min(length, size - start);
        const float* from = line.past.data() + start;
        float joined[kMaxFrames + DelayTap::kTaps]; // where the ring's end is between
        if (first < length) {
            std::copy_n(from, first, joined);
            std::copy_n(line.past.data(), length - first, joined + first);
            from = joined;
        }
        if (tap.fractional)
            convolve(from + DelayTap::kTaps - 1, tap.fir.data(), out, frames);
        else
            std::copy_n(from, frames, out);
    }
    if (tap.sign < 0.0f) scale(out, tap.sign, frames);
}

} // namespace kitfold::dsp
