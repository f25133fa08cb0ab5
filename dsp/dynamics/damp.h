#pragma once
// The drum as a blanket, a ring or a patch of tape would leave it: the same stroke, a shorter and darker
// tail. A drum is a sum of decaying modes, sum A_k exp(-alpha_k t) cos(w_k t); damping it raises alpha_k. So
// each ring band is multiplied by exp(-(alpha' - alpha) t) from the stroke on:
//
//     out = in - sum (1 - g_b) band_b, after the top and before the tail.
//
// The resonators of the bands are told apart by what each of them makes of every ring (DampCoupling), so
// bands may be wide enough for a pitch that glides and still not take from each other's rings; with g = 1 the
// output is the input. What drives g is not a clock that a trigger restarts: the phasor z of a ring is known,
// and so is what it would be without a stroke, z0. A stroke that makes it z leaves g z0 + (z - z0) of it, as
// it would on a damped head, whatever the phase. A ghost note under a loud ring, a roll or a false alarm
// therefore can't make the sound jump. In the top and the tail, which have no one phase, energies add
// instead. What rises without a stroke (cymbal swell, bleed) or stays when the ring has gone (noise) is not
// the drum's and passes at unity.
#include "core/lanes.h"
#include "core/moving.h"
#include "dynamics/damp_design.h"
#include "dynamics/damp_state.h"
#include <array>
#include <cstddef>
#include <utility>

namespace kitfold::dsp {

/// Damp for one channel (V = float) or one mic per lane (batches of float: what rounds here is part of a band
/// that is taken away, and never louder than that). Latency 0. Never allocates, locks or throws. Rate 8
/// kHz..384 kHz, any number of frames per call, the same output at any block size. NaN and Inf are taken as
/// silence. A lane whose amount is 0 or that is switched to open is its input, bit for bit. Settings glide in
/// 20 ms; the first ones after prepare() or reset() are taken at once. Gains are set on a grid from the last
/// reset() on (2/3 ms at 48 kHz, 0.37 to 0.74 ms elsewhere) and go in straight lines between.
template <class V> class Damp : DampRules {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;
    static constexpr std::size_t kHigh = kRingBands, kTail = kRingBands + 1; ///< streams after the bands

    Damp() noexcept { (void)prepare(48'000.0); }

    /// False, and nothing changed, when the rate is out of range. Keeps the settings.
    [[nodiscard]] bool prepare(double rate_hz) noexcept;

    /// No stroke yet, silence in the bands. Moves end at once.
    void reset() noexcept;

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const DampSettings& settings, std::size_t lane = 0) noexcept;

    /// Gain in dB that a band (0..5, kHigh, kTail) has now, for meters and tests; 0 when open.
    [[nodiscard]] double gain_db(std::size_t stream, std::size_t lane = 0) const noexcept;

    /// in and out: frames * kLanes samples; they may be the same memory. in_use: the first lanes, which have
    /// a mic; what comes out of the others does not matter.
    void process(const float* in, float* out, std::size_t frames, std::size_t in_use = kLanes) noexcept;

private:
    using Mask = typename Lanes<V>::Mask;

    static constexpr std::size_t kBands = 0, kBroad = 1; ///< streams of strokes
    using Band = typename DampState<V>::Band;
    using Rise = typename DampState<V>::Rise;
    using Ring = typename DampState<V>::Ring;
    using Broad = typename DampState<V>::Broad;
    using Ramp = typename DampState<V>::Ramp;
    using Shelf = typename DampState<V>::Shelf;
    // damp_moves.h: settings on their way
    double power_per_hop(double db_per_s) const noexcept;
    bool engaged(std::size_t lane) const noexcept;
    void snap(std::size_t lane, const DampSettings& settings) noexcept;
    void forget(std::size_t lane) noexcept;
    void move() noexcept;
    void update(std::size_t lane) noexcept;
    void couple(std::size_t lane) noexcept;
    void choose_bands() noexcept;
    void update_band(std::size_t b, std::size_t lane) noexcept;
    template <class Followed>
    static void set_follow(Followed& to, std::size_t lane, const DampFollow& f) noexcept;
    void fade() noexcept;
    double faded(double now, bool in) const noexcept;
    // damp_samples.h: the audio between two hops
    void copy(const float* in, float* out, std::size_t frames) noexcept;
    void run(const float* in, float* out, std::size_t frames, std::size_t in_use) noexcept;
    void run_used(const float* in, float* out, std::size_t frames) noexcept;
    struct BandInLoop;
    struct ShelfInLoop;
    template <std::size_t... B> auto in_loop(std::index_sequence<B...>) const noexcept;
    template <std::size_t N> void run_bands(const float* in, float* out, std::size_t frames) noexcept;
    static V every(double x) noexcept { return dsp::every<V>(x); }

    // damp_strokes.h, once per hop
    void follow() noexcept;
    Mask count(PerLane<V>& since, Mask stroke) noexcept;
    V level2_of(Broad& b) noexcept;
    void tell_apart(std::array<V, kRingBands>& re, std::array<V, kRingBands>& im) const noexcept;
    void take_apart() noexcept;
    template <class Followed> Mask rises(Followed& f, V level2, V times, V over_noise, Mask quiet) noexcept;
    void remember(Ring& ring, V re, V im, Mask calm) noexcept;
    void follow_ring(Ring& f, V re, V im, V level2) noexcept;
    V meet(Ring& f, V re, V im, V level2, Mask open, V& gain, V& ring2, V& own, V& settled) noexcept;
    V follow_level(Broad& f, V level2) noexcept;
    V meet(Broad& f, V level2, Mask open, V& gain2, V& ring2) noexcept;
    void aim(Ramp& ramp, V to) noexcept { aim(ramp.now, ramp.step, ramp.to, to); }
    void aim(PerLane<V>& now, PerLane<V>& step, PerLane<V>& to, V next) noexcept;

    double rate_hz_ = 48'000.0;
    std::size_t hop_ = 16, position_ = 0;
    double hold_ = 1.0, slew_ = 1.0, glide_ = 1.0, rise_ = 1.0, own_rise_ = 0.0, least_rise_ = 1.0,
           least_find_ = 1.0, least_fall_ = 0.0, ramp_ = 1.0, quiet_ = 30.0;
    bool idle_ = true, steady_ = false, at_rest_ = false; // at_rest_: nothing moves, and move() knows
    std::array<Moving<DampSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{}, asleep_{};
    std::array<std::array<bool, kLanes>, kRingBands> wanted_{};
    std::array<std::size_t, kRingBands> used_{};
    std::size_t used_count_ = 0;
    std::array<Band, kRingBands> bands_{};
    std::array<Ring, kRingBands> rings_{};
    std::array<Broad, 2> broad_{}; // top, everything
    std::array<std::array<DampBandDesign, kRingBands>, kLanes> designs_{};
    std::array<std::array<PerLane<V>, DampCoupling::kSize>, DampCoupling::kSize> apart_{}; // DampCoupling
    PerLane<V> wet_;
    PerLane<V> exact_;                // 1 where a lane is open: its output is its input
    std::array<PerLane<V>, 2> since_; // kBands, kBroad
    Shelf high_;
    Ramp tail_, most_;
    alignas(64) float open_[kLongestHop * kLanes]; ///< what came in, for lanes that are open
};

/// Compiled once, in damp.cpp; for lanes of mics a source file per instruction set includes damp_of.h.
extern template class Damp<float>;

} // namespace kitfold::dsp
