#pragma once
// What Damp remembers of each band, ring and level, one number per lane, and the rules by which it follows
// them.
#include "core/lanes.h"
#include <cstddef>

namespace kitfold::dsp {

struct DampRules {
    static constexpr double kHopSeconds = 0.00074; ///< longest hop
    static constexpr std::size_t kLongestHop = 256;
    static constexpr double kRoot2 = 1.41421356237309505;
    static constexpr double kHighHz = 900.0;     ///< the top begins here
    static constexpr double kHoldDbPerS = 240.0; ///< fall of the envelopes of the top and of everything
    static constexpr double kRiseDbPerS = 150.0; ///< a stroke rises faster, a swell does not
    static constexpr double kQuietMs = 10.0;     ///< after a stroke no other is looked for
    static constexpr double kOwnRiseMs = 150.0;  ///< from taken for noise to taken for ring, without a stroke
    static constexpr double kGlideMs = 1.7;      ///< a band opens or closes no faster
    static constexpr double kSlewDbPerMs = 1.0;  ///< of a gain that rises without a stroke
    static constexpr double kMost =
        1.5; ///< times what the rings amount to at the start of a hop may be taken in it
    static constexpr double kLeastSettled = 0.4;
    static constexpr double kSteady =
        0.1; ///< of the energies: where old and new cancel, their ratio says nothing
    static constexpr double kBlurMs =
        2.0; ///< at least; and as many periods of the distance to the next band:
    static constexpr double kBlurPeriods = 0.1;
    static constexpr double kUnsure2 = 0.03; ///< of a ring's energy: how well it is foreseen after a stroke
    static constexpr double kSudden = 4.0;   ///< rise of a band's level at once that ripple doesn't explain
    /// The least that was there in a while: noise. Narrow-band noise has an exponential power, of which this
    /// follower finds a tenth of the mean and kOverNarrow is exceeded once in many minutes.
    static constexpr double kLeastRiseDbPerS = 4.0, kLeastFindDbPerS = 12.0, kLeastFallMs = 50.0;
    static constexpr double kNothing = 1e-12;
    static constexpr double kOverNoise = 6.0, kOverNarrow = 150.0;
    static constexpr double kFloor = 1e-12; ///< mean square under which nothing is a stroke
};

template <class V> struct DampState : DampRules {
    struct Band {
        PerLane<V> pole_re, pole_im, re, im; // resonator; its input is not scaled by `feed`
        PerLane<V> now_re, now_im, step_re, step_im, to_re, to_im; // what is taken of it, moving
        PerLane<V> there;                                          // 0..1: bands come and go in 20 ms
        void forget(std::size_t k) noexcept {
            for (auto* v : {&re, &im, &now_re, &now_im, &step_re, &step_im, &to_re, &to_im}) (*v)[k] = 0.0;
        }
        /// Goes on in units `times` as large.
        void rescale(std::size_t k, double times) noexcept {
            for (auto* v : {&re, &im}) (*v)[k] = (*v)[k] / times;
            for (auto* v : {&now_re, &now_im, &step_re, &step_im, &to_re, &to_im}) (*v)[k] = (*v)[k] * times;
        }
    };
    /// The detector of one stream: level it rose from, and what is usual.
    struct Rise {
        PerLane<V> before2, least2, met2;
        void forget(std::size_t k) noexcept { before2[k] = met2[k] = 0.0, least2[k] = kNothing; }
    };
    /// One ring: its phasor is known, so what a stroke brings is told from what was there.
    struct Ring {
        PerLane<V> slowest, fastest, step, margin, window, surplus, turn_re, turn_im, settle,
            sharpen; // DampFollow, design
        Rise rise;
        PerLane<V> ring2, gain, own; // energy of the ring, extra decay so far, ring's part of all there is
        PerLane<V> met_re, met_im;   // the ring as it would be without the rise under way
        PerLane<V> old_re, old_im, old_gain, old_own, noise2;  // what the last stroke met
        PerLane<V> credit;                                     // extra decay of what it brought
        PerLane<V> blurred, old_settled, new_settled, settled; // how much of the ring the resonator holds
        PerLane<V> was, shown;                                 // gain at the start and at the end of the hop
        PerLane<V> most;                                       // that there is of it to be taken
        void forget(std::size_t k) noexcept {
            rise.forget(k);
            for (auto* v : {&ring2, &own, &met_re, &met_im, &old_re, &old_im, &old_own, &noise2, &blurred,
                            &new_settled, &most})
                (*v)[k] = 0.0;
            for (auto* v : {&gain, &old_gain, &credit, &old_settled, &settled, &was, &shown}) (*v)[k] = 1.0;
        }
    };
    /// The top, or everything: many tones, so strokes add by energy.
    struct Broad {
        PerLane<V> slowest, fastest, step, margin, window, surplus; // DampFollow
        Rise rise;
        PerLane<V> sum, held;
        PerLane<V> ring2, old_ring2, gain2, own; // as above, of energies
        PerLane<V> old2, old_gain2, old_own, old_part, credit2;
        PerLane<V> shown;
        void forget(std::size_t k) noexcept {
            rise.forget(k);
            for (auto* v : {&sum, &held, &ring2, &old_ring2, &own, &old2, &old_own}) (*v)[k] = 0.0;
            for (auto* v : {&gain2, &old_gain2, &credit2, &old_part, &shown}) (*v)[k] = 1.0;
        }
    };
    struct Ramp {
        PerLane<V> now, step, to;
    };
    /// Shelf with two poles, Butterworth, and zeros that go up as the gain G goes down:
    /// (G s² + sqrt(2 G) s + 1) / (s² + sqrt(2) s + 1), as what is taken of the high and the band output of
    /// a state variable filter (trapezoidal; Zavalishin, The Art of VA Filter Design, ch. 4). With `first`
    /// the state of its first integrator and h the high output, the band output is first + g h.
    struct Shelf {
        PerLane<V> first, fed_back; // fed_back: what both integrators take from x, scaled as h is
        Ramp top, band;             // taken of h and of `first`
        double g = 0.0;
        PerLane<V> scale, rise, by_first, by_high;
        void set(double tan_half_omega) noexcept {
            g = tan_half_omega;
            const double all = 1.0 / (1.0 + kRoot2 * g + g * g);
            scale.fill(all), rise.fill(2.0 * g), by_first.fill(2.0 * g * all);
            by_high.fill(2.0 * g * all * (kRoot2 + 2.0 * g));
        }
    };
};

} // namespace kitfold::dsp
