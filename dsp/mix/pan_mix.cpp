#include "mix/pan_mix.h"
#include "core/finite.h"
#include "core/flush_denormals.h"
#include "core/units.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <numbers>

namespace kitfold::dsp {
namespace {

KITFOLD_VECTOR_CLONES void add_scaled(const float* in, double* __restrict left, double* __restrict right,
                                      std::size_t frames, StereoGain gain) {
    for (std::size_t n = 0; n < frames; ++n) {
        const double x = finite_or_silence(in[n]);
        left[n] += gain.left * x;
        right[n] += gain.right * x;
    }
}

/// Four mics in one pass over the sums; added one after the other, as add_scaled() would.
KITFOLD_VECTOR_CLONES void add_four(const float* const* in, double* __restrict left, double* __restrict right,
                                    std::size_t frames, const StereoGain* gains) {
    const float *a = in[0], *b = in[1], *c = in[2], *d = in[3];
    const StereoGain ga = gains[0], gb = gains[1], gc = gains[2], gd = gains[3];
    for (std::size_t n = 0; n < frames; ++n) {
        const double xa = finite_or_silence(a[n]), xb = finite_or_silence(b[n]), xc = finite_or_silence(c[n]),
                     xd = finite_or_silence(d[n]);
        left[n] = (((left[n] + ga.left * xa) + gb.left * xb) + gc.left * xc) + gd.left * xd;
        right[n] = (((right[n] + ga.right * xa) + gb.right * xb) + gc.right * xc) + gd.right * xd;
    }
}

KITFOLD_VECTOR_CLONES void fold(const double* left, const double* right, float* out_left, float* out_right,
                                std::size_t frames, double own, double other) {
    for (std::size_t n = 0; n < frames; ++n) {
        const double l = left[n], r = right[n];
        out_left[n] = static_cast<float>(own * l + other * r);
        out_right[n] = static_cast<float>(own * r + other * l);
    }
}

} // namespace

StereoGain pan_gain(double pan, PanLaw law) noexcept {
    if (pan <= -1.0) return {1.0, 0.0};
    if (pan >= 1.0) return {0.0, 1.0};
    const double right = (pan + 1.0) / 2.0, left = 1.0 - right;
    const double angle = right * std::numbers::pi / 2.0;
    if (law == PanLaw::db_0) return {std::min(1.0, 1.0 - pan), std::min(1.0, 1.0 + pan)};
    if (law == PanLaw::db_6) return {left, right};
    if (law == PanLaw::db_3) return {std::cos(angle), std::sin(angle)};
    return {std::sqrt(left * std::cos(angle)), std::sqrt(right * std::sin(angle))};
}

StereoGain widened(StereoGain gain, double width) noexcept {
    if (width == 1.0) return gain;
    const double mid = (gain.left + gain.right) / 2.0, side = width * (gain.left - gain.right) / 2.0;
    return {mid + side, mid - side};
}

bool PanMix::prepare(double rate_hz, std::size_t mics) {
    if (!rate_allowed(rate_hz) || mics == 0 || mics > kMaxMics) return false;
    move_length_ = static_cast<std::size_t>(std::lround(rate_hz * kMoveMs / 1000.0));
    lines_.assign(mics, Line());
    reset();
    return true;
}

void PanMix::reset() noexcept {
    fresh_ = true;
    settle();
}

const Parameter* PanMix::set(std::size_t mic, const MicSettings& settings) noexcept {
    if (const auto* refused = first_refused(settings)) return refused;
    lines_[mic].settings = settings;
    return nullptr;
}

const Parameter* PanMix::set(const SumSettings& settings) noexcept {
    if (const auto* refused = first_refused(settings)) return refused;
    sum_ = settings;
    return nullptr;
}

StereoGain PanMix::target(const Line& line, bool any_solo) const noexcept {
    const auto& s = line.settings;
    if (s.mute || (any_solo && !s.solo)) return {};
    const double level = gain_from_db(s.level_db);
    auto gain = pan_gain(s.pan, sum_.pan_law_db);
    if (s.role == Role::overhead_left || s.role == Role::overhead_right)
        gain = widened(gain, sum_.overhead_width);
    if (s.role == Role::room_left || s.role == Role::room_right) gain = widened(gain, sum_.room_width);
    return {gain.left * level, gain.right * level};
}

void PanMix::settle() noexcept {
    bool any_solo = false;
    for (const auto& l : lines_) any_solo = any_solo || l.settings.solo;
    for (auto& l : lines_) aim(l, target(l, any_solo), move_length_, fresh_);
    aim(mono_, sum_.mono ? StereoGain{0.5, 0.5} : StereoGain{1.0, 0.0}, move_length_, fresh_);
}

void PanMix::aim(Line& line, StereoGain gain, std::size_t length, bool fresh) noexcept {
    line.next = gain;
    if (fresh) line.from = line.to = gain, line.left = 0;
    if (line.left == 0 && !(line.next == line.to))
        line.from = line.to, line.to = line.next, line.left = length;
}

void PanMix::process(const float* const* mics, float* left, float* right, std::size_t frames) noexcept {
    const FlushDenormals guard;
    if (frames == 0) return;
    fresh_ = false;
    std::fill_n(left_.begin(), frames, 0.0);
    std::fill_n(right_.begin(), frames, 0.0);
    for (std::size_t m = 0; m < lines_.size();) m += add(m, mics, frames);
    std::size_t n = 0;
    for (; n < frames && mono_.left > 0; ++n) {
        const auto g = step(mono_);
        fold(&left_[n], &right_[n], left + n, right + n, 1, g.left, g.right);
    }
    if (n < frames)
        fold(&left_[n], &right_[n], left + n, right + n, frames - n, mono_.to.left, mono_.to.right);
}

/// One sample further on the move.
StereoGain PanMix::step(Line& line) noexcept {
    --line.left;
    const double old = static_cast<double>(line.left) / static_cast<double>(move_length_);
    const StereoGain now{line.to.left + old * (line.from.left - line.to.left),
                         line.to.right + old * (line.from.right - line.to.right)};
    if (line.left == 0 && !(line.next == line.to))
        line.from = line.to, line.to = line.next, line.left = move_length_;
    return now;
}

/// Adds mic m, or the four from m on when none of them moves. Returns how many.
std::size_t PanMix::add(std::size_t m, const float* const* mics, std::size_t frames) noexcept {
    if (m + 4 <= lines_.size()) {
        std::array<StereoGain, 4> gains;
        bool still = true;
        for (std::size_t k = 0; k < 4; ++k)
            gains[k] = lines_[m + k].to, still = still && lines_[m + k].left == 0;
        if (still) return add_four(mics + m, left_.data(), right_.data(), frames, gains.data()), 4;
    }
    auto& line = lines_[m];
    std::size_t n = 0;
    for (; n < frames && line.left > 0; ++n) add_scaled(mics[m] + n, &left_[n], &right_[n], 1, step(line));
    if (n < frames) add_scaled(mics[m] + n, &left_[n], &right_[n], frames - n, line.to);
    return 1;
}

} // namespace kitfold::dsp
