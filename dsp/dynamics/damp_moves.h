#pragma once
// Damp, its settings on their way: what they make of each lane, and which lanes have anything to do.
#include "core/units.h"
#include "dynamics/damp.h"
#include <algorithm>
#include <cmath>
#include <limits>

namespace kitfold::dsp {

template <class V> bool Damp<V>::prepare(double rate_hz) noexcept {
    if (!rate_allowed(rate_hz)) return false;
    rate_hz_ = rate_hz;
    hop_ = 4;
    while (static_cast<double>(2 * hop_) <= kHopSeconds * rate_hz) hop_ *= 2;
    for (auto& m : moving_) m.prepare(rate_hz / static_cast<double>(hop_));
    high_.set(std::tan(3.14159265358979324 * std::min(kHighHz / rate_hz, 0.45)));
    hold_ = power_per_hop(kHoldDbPerS), rise_ = 1.0 / power_per_hop(kRiseDbPerS);
    const double hop_ms = 1000.0 * static_cast<double>(hop_) / rate_hz;
    own_rise_ = hop_ms / kOwnRiseMs, least_rise_ = 1.0 / power_per_hop(kLeastRiseDbPerS),
    least_find_ = 1.0 / power_per_hop(kLeastFindDbPerS), least_fall_ = hop_ms / kLeastFallMs;
    glide_ = hop_ms / kGlideMs;
    slew_ = gain_from_db(kSlewDbPerMs * hop_ms);
    ramp_ = static_cast<double>(hop_) * 1000.0 / (kMoveMs * rate_hz);
    quiet_ = kQuietMs * rate_hz / (1000.0 * static_cast<double>(hop_));
    reset();
    return true;
}

template <class V> void Damp<V>::reset() noexcept {
    position_ = 0;
    for (std::size_t k = 0; k < kLanes; ++k) snap(k, moving_[k].aimed());
    fresh_.fill(true);
}

template <class V> const Parameter* Damp<V>::set(const DampSettings& settings, std::size_t lane) noexcept {
    if (const auto* refused = first_refused(settings)) return refused;
    if (fresh_[lane])
        snap(lane, settings);
    else
        moving_[lane].aim(settings), at_rest_ = false;
    return nullptr;
}

template <class V> double Damp<V>::gain_db(std::size_t stream, std::size_t lane) const noexcept {
    const double part = static_cast<double>(position_) / static_cast<double>(hop_);
    double gain =
        stream == kHigh ? 1.0 - (high_.top.now[lane] - high_.g * high_.band.now[lane]) : tail_.now[lane];
    if (stream < kRingBands) {
        const auto& r = rings_[stream];
        gain = 1.0 - (1.0 - r.was[lane] - part * (r.shown[lane] - r.was[lane])) * wet_[lane];
    }
    return db_from_gain(std::max(1e-6, gain));
}

template <class V> double Damp<V>::power_per_hop(double db_per_s) const noexcept {
    return std::pow(10.0, -0.1 * db_per_s * static_cast<double>(hop_) / rate_hz_);
}

template <class V> bool Damp<V>::engaged(std::size_t lane) const noexcept {
    const auto& s = moving_[lane].to();
    return s.heard == Tail::deadened && s.amount != 0.0;
}

template <class V> void Damp<V>::snap(std::size_t lane, const DampSettings& settings) noexcept {
    moving_[lane].snap(settings);
    forget(lane);
    for (auto& band : bands_) band.there[lane] = 0.0;
    update(lane);
    for (std::size_t b = 0; b < kRingBands; ++b) bands_[b].there[lane] = wanted_[b][lane] ? 1.0 : 0.0;
    wet_[lane] = engaged(lane) ? 1.0 : 0.0, exact_[lane] = engaged(lane) ? 0.0 : 1.0, asleep_[lane] = false;
}

template <class V> void Damp<V>::forget(std::size_t lane) noexcept {
    for (auto& band : bands_) band.forget(lane);
    for (auto& r : rings_) r.forget(lane);
    for (auto& b : broad_) b.forget(lane);
    tail_.now[lane] = tail_.to[lane] = 1.0, tail_.step[lane] = 0.0;
    for (auto* r : {&high_.top, &high_.band}) r->now[lane] = r->to[lane] = r->step[lane] = 0.0;
    high_.first[lane] = high_.fed_back[lane] = 0.0;
    most_.now[lane] = most_.to[lane] = most_.step[lane] = 0.0;
    for (auto& s : since_) s[lane] = 1e9;
}

/// At the start of a hop: moves of settings, and whether anything is to be done at all. A lane whose
/// amount is 0 sleeps and wakes with nothing in its memory, whether or not its neighbours kept the block
/// running.
template <class V> void Damp<V>::move() noexcept {
    if (at_rest_) return;
    idle_ = true;
    for (std::size_t k = 0; k < kLanes; ++k) {
        if (!moving_[k].still()) moving_[k].step(), update(k);
        const bool sleeps = exact_[k] == 1.0 && moving_[k].still() && moving_[k].to().amount == 0.0;
        if (asleep_[k] && !sleeps) forget(k);
        asleep_[k] = sleeps;
        idle_ = idle_ && sleeps;
    }
    at_rest_ = steady_ || idle_;
}

template <class V> void Damp<V>::update(std::size_t lane) noexcept {
    const auto& s = moving_[lane].now();
    const double amount = std::max(0.0, s.amount);
    for (std::size_t b = 0; b < kRingBands; ++b) update_band(b, lane);
    couple(lane);
    set_follow(broad_[0], lane, DampFollow::broad(rate_hz_, hop_, amount * s.high_db_per_s, 60.0, 240.0));
    set_follow(broad_[1], lane, DampFollow::broad(rate_hz_, hop_, amount * s.tail_db_per_s, 30.0, 120.0));
    choose_bands();
    steady_ = at_rest_ = false;
}

template <class V> void Damp<V>::couple(std::size_t lane) noexcept {
    for (std::size_t b = 0; b < kRingBands; ++b) {
        double nearest_hz = 1e9;
        for (std::size_t k = 0; k < kRingBands; ++k)
            if (k != b && designs_[lane][k].used)
                nearest_hz =
                    std::min(nearest_hz,
                             std::abs(designs_[lane][k].omega - designs_[lane][b].omega) / 6.283185307179586);
        const double blur_ms = std::max(kBlurMs, 1000.0 * kBlurPeriods / std::max(nearest_hz, 1.0));
        rings_[b].sharpen[lane] = std::exp(-1000.0 * static_cast<double>(hop_) / (rate_hz_ * blur_ms));
    }
    const auto coupling = DampCoupling::make(rate_hz_, designs_[lane]);
    for (std::size_t r = 0; r < DampCoupling::kSize; ++r)
        for (std::size_t c = 0; c < DampCoupling::kSize; ++c) apart_[r][c][lane] = coupling.from[r][c];
}

template <class V> void Damp<V>::choose_bands() noexcept {
    used_count_ = 0;
    for (std::size_t b = 0; b < kRingBands; ++b) {
        bool used = false;
        for (std::size_t k = 0; k < kLanes; ++k) used = used || wanted_[b][k] || bands_[b].there[k] > 0.0;
        if (used) used_[used_count_++] = b;
    }
}

template <class V> void Damp<V>::update_band(std::size_t b, std::size_t lane) noexcept {
    const auto& s = moving_[lane].now();
    const double tail = std::max(0.0, s.amount) * s.tail_db_per_s * 0.1151292546497023; // ln 10 / 20
    const auto d = DampBandDesign::make(rate_hz_, hop_, s.bands[b], b < s.band_count ? s.amount : 0.0, tail);
    auto& band = bands_[b];
    auto& ring = rings_[b];
    wanted_[b][lane] = d.used;
    if (!d.used) { // what is still to fade out stays as it is; no stroke is found in it
        ring.surplus[lane] = std::numeric_limits<double>::infinity();
        if (band.there[lane] == 0.0) designs_[lane][b].used = false;
        return;
    }
    if (band.there[lane] == 0.0)
        band.forget(lane), ring.forget(lane);
    else
        band.rescale(lane, d.feed / designs_[lane][b].feed);
    designs_[lane][b] = d;
    band.pole_re[lane] = d.pole_re, band.pole_im[lane] = d.pole_im;
    ring.turn_re[lane] = d.turn_re, ring.turn_im[lane] = d.turn_im, ring.settle[lane] = d.settle;
    set_follow(ring, lane, DampFollow::ring(rate_hz_, hop_, d));
}

template <class V> template <class Followed>
void Damp<V>::set_follow(Followed& to, std::size_t lane, const DampFollow& f) noexcept {
    to.slowest[lane] = f.slowest, to.fastest[lane] = f.fastest, to.step[lane] = f.gain;
    to.margin[lane] = f.margin, to.window[lane] = f.window, to.surplus[lane] = f.surplus;
}

template <class V> void Damp<V>::fade() noexcept {
    steady_ = true;
    for (std::size_t k = 0; k < kLanes; ++k) {
        exact_[k] = wet_[k] == 0.0 && !engaged(k) ? 1.0 : 0.0;
        wet_[k] = faded(wet_[k], engaged(k));
        steady_ = steady_ && moving_[k].still() && wet_[k] == (engaged(k) ? 1.0 : 0.0) &&
                  exact_[k] == (engaged(k) ? 0.0 : 1.0);
        for (std::size_t i = 0; i < used_count_; ++i) {
            auto& there = bands_[used_[i]].there;
            const bool in = wanted_[used_[i]][k];
            there[k] = faded(there[k], in);
            steady_ = steady_ && there[k] == (in ? 1.0 : 0.0);
        }
    }
}

template <class V> double Damp<V>::faded(double now, bool in) const noexcept {
    return in ? std::min(1.0, now + ramp_) : std::max(0.0, now - ramp_);
}

} // namespace kitfold::dsp
