#include "dynamics/bus_compressor.h"
#include "core/finite.h"
#include "core/level_math.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <numbers>

namespace kitfold::dsp {
namespace {

constexpr double kQuickReleaseMs = 60.0, kSlowAttackMs = 300.0, kSlowReleaseMs = 1200.0;
constexpr double kSilence = 1e-10; // -200 dBFS: what the logarithm sees of digital silence

double kept_per_sample(double rate_hz, double time_ms) noexcept {
    return std::exp(-1000.0 / (rate_hz * time_ms));
}

/// Level (linear) to dB of reduction wanted, in place.
KITFOLD_VECTOR_CLONES void reduction_from_level(double* x, std::size_t frames, double threshold_db,
                                                double slope, double knee_db, double inverse_twice_knee) {
    for (std::size_t n = 0; n < frames; ++n) {
        const double over = kDbPerLog2 * level_log2(x[n]) - threshold_db;
        const double into_knee = std::clamp(over + 0.5 * knee_db, 0.0, knee_db);
        const double above_knee = std::max(over - 0.5 * knee_db, 0.0);
        x[n] = slope * (into_knee * into_knee * inverse_twice_knee + above_knee);
    }
}

/// dB of reduction to the gain of the blend, in place.
KITFOLD_VECTOR_CLONES void gain_from_reduction(double* x, std::size_t frames, double dry, double wet) {
    for (std::size_t n = 0; n < frames; ++n) x[n] = dry + wet * level_exp2(x[n] * (-1.0 / kDbPerLog2));
}

KITFOLD_VECTOR_CLONES void apply(const double* gain, const float* in, float* out, std::size_t frames) {
    for (std::size_t n = 0; n < frames; ++n) {
        out[n] = static_cast<float>(gain[n] * finite_or_silence(in[n]));
    }
}

} // namespace

double static_reduction_db(const BusSettings& s, double level_db) noexcept {
    const double over = level_db - s.threshold_db, slope = 1.0 - 1.0 / s.ratio;
    if (2.0 * over < -s.knee_db) return 0.0;
    if (2.0 * over > s.knee_db) return slope * over;
    if (s.knee_db == 0.0) return 0.0;
    return slope * (over + s.knee_db / 2.0) * (over + s.knee_db / 2.0) / (2.0 * s.knee_db);
}

bool BusCompressor::prepare(double rate_hz) noexcept {
    if (!rate_allowed(rate_hz)) return false;
    rate_hz_ = rate_hz;
    moving_.prepare(rate_hz);
    reset();
    return true;
}

void BusCompressor::reset() noexcept {
    moving_.snap(moving_.aimed());
    key_state_ = {};
    peak_ = slow_ = smoothed_ = largest_ = total_ = frames_ = 0.0;
    fresh_ = true;
    update();
}

const Parameter* BusCompressor::set(const BusSettings& settings) noexcept {
    if (const auto* refused = first_refused(settings)) return refused;
    if (fresh_)
        moving_.snap(settings), update();
    else
        moving_.aim(settings);
    return nullptr;
}

void BusCompressor::update() noexcept {
    const auto& s = moving_.now();
    const bool programme = s.release_ms == kProgrammeRelease;
    c_.threshold_db = s.threshold_db, c_.slope = 1.0 - 1.0 / s.ratio, c_.knee_db = s.knee_db;
    c_.inverse_twice_knee = s.knee_db > 0.0 ? 1.0 / (2.0 * s.knee_db) : 0.0;
    c_.attack = kept_per_sample(rate_hz_, s.attack_ms);
    c_.release = kept_per_sample(rate_hz_, programme ? kQuickReleaseMs : s.release_ms);
    c_.slow_attack = programme ? kept_per_sample(rate_hz_, kSlowAttackMs) : 1.0; // 1: never charges
    c_.slow_release = kept_per_sample(rate_hz_, kSlowReleaseMs);
    c_.dry = 1.0 - s.blend, c_.wet = s.blend * gain_from_db(s.makeup_db);

    const auto design = [this](double hz) {
        return hz == kFilterOff ? Section{} : Section::high_pass(rate_hz_, hz, std::numbers::sqrt2 / 2.0);
    };
    auto key = design(s.key_high_pass_hz);
    const auto from = design(moving_.from().key_high_pass_hz), to = design(moving_.to().key_high_pass_hz);
    if (from.passes_through() != to.passes_through()) key = between(from, to, moving_.progress());
    key_filter_.set(0, key);
    key_filtered_ = !key.passes_through();
}

void BusCompressor::process(const float* in_left, const float* in_right, const float* key_left,
                            const float* key_right, float* out_left, float* out_right,
                            std::size_t frames) noexcept {
    const FlushDenormals guard;
    if (frames > 0) fresh_ = false;
    for (std::size_t n = 0; n < frames;) {
        std::size_t count = std::min(kBlock, frames - n);
        if (!moving_.still()) moving_.step(), update(), count = 1;
        run(in_left + n, in_right + n, key_left + n, key_right + n, out_left + n, out_right + n, count);
        n += count;
    }
}

void BusCompressor::run(const float* in_left, const float* in_right, const float* key_left,
                        const float* key_right, float* out_left, float* out_right,
                        std::size_t frames) noexcept {
    key_filtered_ ? measure<true>(key_left, key_right, frames) : measure<false>(key_left, key_right, frames);
    reduction_from_level(work_.data(), frames, c_.threshold_db, c_.slope, c_.knee_db, c_.inverse_twice_knee);
    c_.slow_attack < 1.0 ? detect<true>(frames) : detect<false>(frames);
    gain_from_reduction(work_.data(), frames, c_.dry, c_.wet);
    apply(work_.data(), in_left, out_left, frames);
    apply(work_.data(), in_right, out_right, frames);
}

/// Level of the linked key, linear.
template <bool kFilter>
void BusCompressor::measure(const float* key_left, const float* key_right, std::size_t frames) noexcept {
    SectionInLoop<double> left(key_filter_, key_state_[0]), right(key_filter_, key_state_[1]);
    for (std::size_t n = 0; n < frames; ++n) {
        double l = load_finite<double>(key_left + n), r = load_finite<double>(key_right + n);
        if constexpr (kFilter) l = left.tick(l), r = right.tick(r);
        work_[n] = larger(larger(std::fabs(l), std::fabs(r)), kSilence);
    }
    if constexpr (kFilter) left.keep(key_state_[0]), right.keep(key_state_[1]);
}

template <bool kProgramme> void BusCompressor::detect(std::size_t frames) noexcept {
    double peak = peak_, slow = slow_, smoothed = smoothed_, largest = largest_, total = 0.0;
    for (std::size_t n = 0; n < frames; ++n) {
        const double x = work_[n];
        peak = larger(x, c_.release * peak + (1.0 - c_.release) * x);
        double wanted = peak;
        if constexpr (kProgramme) {
            const double kept = x > slow ? c_.slow_attack : c_.slow_release;
            slow = kept * slow + (1.0 - kept) * x;
            wanted = larger(peak, slow);
        }
        smoothed = c_.attack * smoothed + (1.0 - c_.attack) * wanted;
        work_[n] = smoothed;
        largest = larger(largest, smoothed);
        total += smoothed;
    }
    peak_ = peak, slow_ = kProgramme ? slow : 0.0, smoothed_ = smoothed, largest_ = largest;
    total_ += total, frames_ += static_cast<double>(frames);
}

} // namespace kitfold::dsp
