#pragma once
// How loud the key of a gate is: key filters, then the peak over the last few milliseconds.
#include "core/flush_denormals.h"
#include "core/moving.h"
#include "filters/state_variable.h"
#include <array>
#include <limits>

namespace kitfold::dsp {

/// The sections of the key filters, 12 dB per octave each; for the detector, plots and tests.
struct KeyDesign {
    Section high_pass, low_pass;
    /// From key_high_pass_hz and key_low_pass_hz; kFilterOff makes a section that passes through, as does a
    /// low-pass at 0.49 of the rate or above.
    static KeyDesign make(double rate_hz, const GateSettings& settings) noexcept;
};

/// The softest and the loudest level of some samples, in every lane.
template <class V> struct LevelRange { PerLane<V> softest, loudest; };

/// Level of the key per sample: the largest |key| of the last 12 to 16 ms, linear. The window spans half a
/// period down to 42 Hz, so that the level of a decaying drum only falls: no ripple to chatter on. Rises at
/// once. One channel (V = float) or a mic per lane; rules as for KickConditioner. float is within 0.001 dB of
/// double down to 80 dB under the loudest, key filters at 20 Hz and 384 kHz included.
template <class V> class KeyDetector {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;

    KeyDetector() noexcept { reset(); }

    [[nodiscard]] bool prepare(double rate_hz) noexcept {
        if (!rate_allowed(rate_hz)) return false;
        rate_hz_ = rate_hz;
        part_length_ = static_cast<std::size_t>(std::lround(rate_hz * kPartMs / 1000.0));
        for (auto& m : moving_) m.prepare(rate_hz);
        reset();
        return true;
    }

    void reset() noexcept {
        high_state_ = {}, low_state_ = {}, newest_ = {}, parts_ = {}, position_ = 0;
        for (std::size_t k = 0; k < kLanes; ++k) moving_[k].snap(moving_[k].aimed()), update(k);
        fresh_.fill(true);
    }

    /// Reads the key filters of `settings`, which must be in range.
    void set(const GateSettings& settings, std::size_t lane = 0) noexcept {
        if (fresh_[lane])
            moving_[lane].snap(settings), update(lane);
        else
            moving_[lane].aim(settings);
    }

    /// key: frames * kLanes samples; level: as many, linear, >= 0. filtered: the key as it is measured, or
    /// nullptr. Returns the range of the levels.
    LevelRange<V> process(const float* key, float* level, float* filtered, std::size_t frames) noexcept {
        const FlushDenormals guard;
        LevelRange<V> range;
        range.softest.fill(std::numeric_limits<double>::infinity());
        if (frames > 0) fresh_.fill(false);
        for (std::size_t n = 0; n < frames;) {
            std::size_t run_length = std::min(frames - n, part_length_ - position_);
            if (step_moving()) run_length = 1;
            run(key + n * kLanes, level + n * kLanes, filtered == nullptr ? nullptr : filtered + n * kLanes,
                run_length);
            // up to next_part() the level only rises
            widen(range, level + n * kLanes, level + (n + run_length - 1) * kLanes);
            n += run_length, position_ += run_length;
            if (position_ == part_length_) next_part();
        }
        return range;
    }

private:
    static constexpr double kPartMs = 4.0;
    static constexpr std::size_t kOldParts = 3;

    static void widen(LevelRange<V>& range, const float* softest, const float* loudest) noexcept {
        range.softest.store(smaller(range.softest.load(), Lanes<V>::load(softest)));
        range.loudest.store(larger(range.loudest.load(), Lanes<V>::load(loudest)));
    }

    bool step_moving() noexcept {
        bool any = false;
        for (std::size_t k = 0; k < kLanes; ++k)
            if (!moving_[k].still()) moving_[k].step(), update(k), any = true;
        return any;
    }

    void update(std::size_t lane) noexcept {
        const auto& m = moving_[lane];
        auto design = KeyDesign::make(rate_hz_, m.now());
        if (!m.still()) { // from off or to off: fade
            const auto from = KeyDesign::make(rate_hz_, m.from()), to = KeyDesign::make(rate_hz_, m.to());
            if (from.high_pass.passes_through() || to.high_pass.passes_through())
                design.high_pass = between(from.high_pass, to.high_pass, m.progress());
            if (from.low_pass.passes_through() || to.low_pass.passes_through())
                design.low_pass = between(from.low_pass, to.low_pass, m.progress());
        }
        high_.set(lane, design.high_pass), low_.set(lane, design.low_pass);
        filtering_[lane] = !design.high_pass.passes_through() || !design.low_pass.passes_through();
    }

    void run(const float* key, float* level, float* filtered, std::size_t frames) noexcept {
        bool any = false;
        for (const bool f : filtering_) any = any || f;
        if (filtered != nullptr) return run_as<true, true>(key, level, filtered, frames);
        any ? run_as<true, false>(key, level, filtered, frames)
            : run_as<false, false>(key, level, filtered, frames);
    }

    template <bool kFilter, bool kGive>
    void run_as(const float* key, float* level, float* filtered, std::size_t frames) noexcept {
        SectionInLoop<V> high(high_, high_state_), low(low_, low_state_);
        V newest = newest_.load();
        const V older = larger(parts_[0].load(), larger(parts_[1].load(), parts_[2].load()));
        for (std::size_t n = 0; n < frames; ++n) {
            V x = load_finite<V>(key + n * kLanes);
            if constexpr (kFilter) x = low.tick(high.tick(x));
            newest = larger(newest, magnitude(x));
            Lanes<V>::store(level + n * kLanes, larger(newest, older));
            if constexpr (kGive) Lanes<V>::store(filtered + n * kLanes, x);
        }
        newest_.store(newest);
        if constexpr (kFilter) high.keep(high_state_), low.keep(low_state_);
    }

    void next_part() noexcept {
        parts_[2] = parts_[1], parts_[1] = parts_[0], parts_[0] = newest_;
        newest_ = {};
        position_ = 0;
    }

    double rate_hz_ = 48'000.0;
    std::size_t part_length_ = 192, position_ = 0;
    std::array<Moving<GateSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{}, filtering_{};
    SectionCoefficients<V> high_, low_;
    SectionState<V> high_state_, low_state_;
    PerLane<V> newest_;
    std::array<PerLane<V>, kOldParts> parts_;
};

} // namespace kitfold::dsp
