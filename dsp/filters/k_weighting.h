#pragma once
// K weighting, how a loudness meter hears.
#include "core/flush_denormals.h"
#include "filters/state_variable.h"

namespace kitfold::dsp {

/// The two filters of ITU-R BS.1770-4, annex 1: the shelf of a head, then the low cut. The standard tabulates
/// them at 48 kHz; these are the analogue filters whose bilinear transforms they are, so that every rate gets
/// its own.
struct KWeightingDesign {
    Section head, low_cut;
    static KWeightingDesign make(double rate_hz) noexcept;
};

/// K weighting of one channel (V = double) or of one channel per lane. Never allocates, locks or throws; the
/// same output at any block size; NaN and Inf are taken as silence.
template <class V> class KWeighting {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;

    explicit KWeighting(double rate_hz) noexcept { ///< 8 kHz..384 kHz
        const auto design = KWeightingDesign::make(rate_hz);
        const auto head = DirectSection::make(design.head), low_cut = DirectSection::make(design.low_cut);
        for (std::size_t k = 0; k < kLanes; ++k) head_.set(k, head), low_cut_.set(k, low_cut);
        gain_ = head.gain * low_cut.gain;
    }

    /// in and out: frames * kLanes samples; they may be the same memory.
    void process(const float* in, float* out, std::size_t frames) noexcept {
        run(in, frames, [out](std::size_t n, V y) { Lanes<V>::store(out + n * kLanes, y); });
    }

    /// Adds the squares of what comes out of every lane to `sum`.
    void add_power(const float* in, std::size_t frames, PerLane<V>& sum) noexcept {
        V so_far = sum.load();
        run(in, frames, [&so_far](std::size_t, V y) { so_far = so_far + y * y; });
        sum.store(so_far);
    }

private:
    template <class Use> void run(const float* in, std::size_t frames, Use use) noexcept {
        const FlushDenormals guard;
        DirectInLoop<V> head(head_), low_cut(low_cut_);
        for (std::size_t n = 0; n < frames; ++n)
            use(n, low_cut.tick(head.tick(load_finite<V>(in + n * kLanes))) * every<V>(gain_));
        head.keep(head_), low_cut.keep(low_cut_);
    }

    DirectFilter<V> head_, low_cut_;
    double gain_;
};

} // namespace kitfold::dsp
