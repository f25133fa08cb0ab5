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
    key_filter_.set(0, key), key_filter_.set(1, key);
    key_filtered_ = !key.passes_through();
}

void BusCompressor::process(const float* in_left, const float* in_right, const float* key_left,
                            const float* key_right, float* out_left, float* out_right,
                            std::size_t frames) noexcept {
    const FlushDenormals guard;
    if (frames > 0) fresh_ = false;
    for (std::size_t n = 0; n < frames;) {
        std::size_t count = frames - n;
        if (!moving_.still()) moving_.step(), update(), count = 1;
        run(in_left + n, in_right + n, key_left + n, key_right + n, out_left + n, out_right + n, count);
        n += count;
    }
}

/// The linked key: level per sample, linear.
template <bool kFilter> class BusCompressor::Key {
public:
    explicit Key(const BusCompressor& b) noexcept : filter_(b.key_filter_, b.key_state_) {}
    double level(const float* left_and_right) noexcept {
        Stereo x = load_finite<Stereo>(left_and_right);
        if constexpr (kFilter) x = filter_.tick(x);
        PerLane<Stereo> each;
        each.store(magnitude(x));
        return larger(larger(each.lane[0], each.lane[1]), kSilence);
    }
    void keep(BusCompressor& b) const noexcept { filter_.keep(b.key_state_); }

private:
    SectionInLoop<Stereo> filter_;
};

/// From the reduction that is wanted at each sample to the one that is taken, in dB.
template <bool kProgramme> class BusCompressor::Detector {
public:
    explicit Detector(const BusCompressor& b) noexcept
        : c_(b.c_), peak_(b.peak_), slow_(b.slow_), smoothed_(b.smoothed_),
          largest_(b.largest_reduction_db()) {}
    double tick(double x) noexcept {
        peak_ = larger(x, c_.release * peak_ + (1.0 - c_.release) * x);
        double wanted = peak_;
        if constexpr (kProgramme) {
            const double kept = x > slow_ ? c_.slow_attack : c_.slow_release;
            slow_ = kept * slow_ + (1.0 - kept) * x;
            wanted = larger(peak_, slow_);
        }
        smoothed_ = c_.attack * smoothed_ + (1.0 - c_.attack) * wanted;
        largest_ = larger(largest_, smoothed_);
        total_ += smoothed_;
        return smoothed_;
    }
    void keep(BusCompressor& b) const noexcept {
        b.peak_ = peak_, b.slow_ = slow_, b.smoothed_ = smoothed_, b.largest_ = largest_, b.total_ += total_;
    }

private:
    Coefficients c_;
    double peak_, slow_, smoothed_, largest_, total_ = 0.0;
};

/// Reduction of `now`, and the level of the key for the block that follows: each waits for its last sample,
/// so both together take hardly longer than one.
template <bool kFilter, bool kProgramme>
void BusCompressor::detect(Levels& now, std::size_t frames, const float* key_left, const float* key_right,
                           Levels& next, std::size_t next_frames) noexcept {
    alignas(16) float both[2 * kBlock];
    const float* keys[] = {key_left, key_right};
    interleave<Stereo>(keys, both, 2, next_frames);
    Key<kFilter> key(*this);
    Detector<kProgramme> detector(*this);
    const std::size_t together = std::min(frames, next_frames);
    for (std::size_t n = 0; n < together; ++n)
        next[n] = key.level(&both[2 * n]), now[n] = detector.tick(now[n]);
    for (std::size_t n = together; n < next_frames; ++n) next[n] = key.level(&both[2 * n]);
    for (std::size_t n = together; n < frames; ++n) now[n] = detector.tick(now[n]);
    key.keep(*this), detector.keep(*this);
    frames_ += static_cast<double>(frames);
}

void BusCompressor::run(const float* in_left, const float* in_right, const float* key_left,
                        const float* key_right, float* out_left, float* out_right,
                        std::size_t frames) noexcept {
    const bool programme = c_.slow_attack < 1.0;
    const auto detect_as =
        key_filtered_ ? programme ? &BusCompressor::detect<true, true> : &BusCompressor::detect<true, false>
        : programme ? &BusCompressor::detect<false, true>
                      : &BusCompressor::detect<false, false>;
    const std::size_t block = std::min(kBlock, (frames + 1) / 2); // a short call has two blocks as well
    std::size_t count = block;
    (this->*detect_as)(work_[1], 0, key_left, key_right, work_[0], count);
    for (std::size_t at = 0, next = 0; at < frames; at += count, count = next) {
        auto &now = work_[at / block % 2], &later = work_[(at / block + 1) % 2];
        reduction_from_level(now.data(), count, c_.threshold_db, c_.slope, c_.knee_db, c_.inverse_twice_knee);
        next = std::min(block, frames - at - count);
        (this->*detect_as)(now, count, key_left + at + count, key_right + at + count, later, next);
        gain_from_reduction(now.data(), count, c_.dry, c_.wet);
        apply(now.data(), in_left + at, out_left + at, count);
        apply(now.data(), in_right + at, out_right + at, count);
    }
}

} // namespace kitfold::dsp
