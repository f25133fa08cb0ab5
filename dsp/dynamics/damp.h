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
#include "core/finite.h"
#include "core/flush_denormals.h"
#include "core/lanes.h"
#include "core/moving.h"
#include "core/units.h"
#include <algorithm>
#include <array>
#include <limits>
#include <utility>

namespace kitfold::dsp {

/// 1/s at which an amplitude falls when its level falls by 60 dB in `ring_ms`: ln(1000) / T60.
inline double decay_rate(double ring_ms) noexcept { return 6907.755278982137 / ring_ms; }
/// And back: T60 in ms.
inline double ring_time(double alpha) noexcept { return decay_rate(alpha); } // its own inverse

/// The numbers behind one ring band, for the block, for plots and for tests.
struct DampBandDesign {
    bool used = false;
    double alpha = 0.0, extra = 0.0;                 ///< 1/s: of the open ring, and what the band adds to it
    double width = 0.0;                              ///< half bandwidth in rad/s
    double omega = 0.0;                              ///< rad/s
    double pole_re = 0.0, pole_im = 0.0, feed = 0.0; ///< resonator at the audio rate
    double turn_re = 1.0, turn_im = 0.0;             ///< what the open ring does in a hop
    double settle = 1.0; ///< part of the way to the settled state that a hop brings
    /// `amount` -1..1 goes from mirrored (open²/ring) over open to ring, in octaves of ring time.
    /// `tail_alpha` is what the tail takes already.
    static DampBandDesign make(double rate_hz, std::size_t hop, const RingBand& band, double amount,
                               double tail_alpha) noexcept;
};

/// Takes what the resonators hold apart into rings. Each resonator answers to every ring a little; once
/// settled, (re, im) of all of them are a linear function of the rings' phasors, of which this is the inverse
/// (least squares with a trace of damping, so that two equal bands share a ring instead of dividing by 0).
struct DampCoupling {
    static constexpr std::size_t kSize = 2 * kRingBands;
    /// ring phasor 2k (re), 2k+1 (im) from resonator state 2b (re), 2b+1 (im); 0 where a band is not used
    std::array<std::array<double, kSize>, kSize> from{};
    static DampCoupling make(double rate_hz, const std::array<DampBandDesign, kRingBands>& bands) noexcept;
};

/// How one decay is followed from hop to hop; powers per hop.
struct DampFollow {
    double slowest = 1.0, fastest = 1.0; ///< what still counts as the drum's own decay
    double gain = 1.0;                   ///< extra decay, of a ring in amplitude; above 1 it opens up
    double margin = 1.0;                 ///< how far above its own decay a band still counts as ring
    double window = 0.0;                 ///< hops after a stroke in which its energy arrives
    double surplus = 1.0;                ///< rise that ripple explains
    static DampFollow ring(double rate_hz, std::size_t hop, const DampBandDesign& band) noexcept;
    static DampFollow broad(double rate_hz, std::size_t hop, double db_per_s, double slowest_db_per_s,
                            double fastest_db_per_s) noexcept;
};

/// Damp for one channel (V = float) or one mic per lane (batches of float: what rounds here is part of a band
/// that is taken away, and never louder than that). Latency 0. Never allocates, locks or throws. Rate 8
/// kHz..384 kHz, any number of frames per call, the same output at any block size. NaN and Inf are taken as
/// silence. A lane whose amount is 0 or that is switched to open is its input, bit for bit. Settings glide in
/// 20 ms; the first ones after prepare() or reset() are taken at once. Gains are set on a grid of 2/3 ms from
/// the last reset() on and go in straight lines between.
template <class V> class Damp {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;
    static constexpr std::size_t kHigh = kRingBands, kTail = kRingBands + 1; ///< streams after the bands

    Damp() noexcept { (void)prepare(48'000.0); }

    /// False, and nothing changed, when the rate is out of range. Keeps the settings.
    [[nodiscard]] bool prepare(double rate_hz) noexcept {
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

    /// No stroke yet, silence in the bands. Moves end at once.
    void reset() noexcept {
        position_ = 0;
        for (std::size_t k = 0; k < kLanes; ++k) snap(k, moving_[k].aimed());
        fresh_.fill(true);
    }

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const DampSettings& settings, std::size_t lane = 0) noexcept {
        if (const auto* refused = first_refused(settings)) return refused;
        if (fresh_[lane])
            snap(lane, settings);
        else
            moving_[lane].aim(settings), at_rest_ = false;
        return nullptr;
    }

    /// Gain in dB that a band (0..5, kHigh, kTail) has now, for meters and tests; 0 when open.
    [[nodiscard]] double gain_db(std::size_t stream, std::size_t lane = 0) const noexcept {
        const double part = static_cast<double>(position_) / static_cast<double>(hop_);
        double gain =
            stream == kHigh ? 1.0 - (high_.top.now[lane] - high_.g * high_.band.now[lane]) : tail_.now[lane];
        if (stream < kRingBands) {
            const auto& r = rings_[stream];
            gain = 1.0 - (1.0 - r.was[lane] - part * (r.shown[lane] - r.was[lane])) * wet_[lane];
        }
        return db_from_gain(std::max(1e-6, gain));
    }

    /// in and out: frames * kLanes samples; they may be the same memory. in_use: the first lanes, which have
    /// a mic; what comes out of the others does not matter.
    void process(const float* in, float* out, std::size_t frames, std::size_t in_use = kLanes) noexcept {
        const FlushDenormals guard;
        if (frames > 0) fresh_.fill(false);
        while (frames > 0) {
            if (position_ == 0) move();
            const std::size_t n = std::min(frames, hop_ - position_);
            if (idle_)
                copy(in, out, n);
            else
                run(in, out, n, in_use);
            in += n * kLanes, out += n * kLanes, frames -= n, position_ += n;
            if (position_ < hop_) continue;
            position_ = 0;
            if (!idle_) follow();
        }
    }

private:
    using Mask = typename Lanes<V>::Mask;

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
    static constexpr std::size_t kBands = 0, kBroad = 1;
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

    double power_per_hop(double db_per_s) const noexcept {
        return std::pow(10.0, -0.1 * db_per_s * static_cast<double>(hop_) / rate_hz_);
    }
    bool engaged(std::size_t lane) const noexcept {
        const auto& s = moving_[lane].to();
        return s.deadened != 0.0 && s.amount != 0.0;
    }

    void snap(std::size_t lane, const DampSettings& settings) noexcept {
        moving_[lane].snap(settings);
        forget(lane);
        for (auto& band : bands_) band.there[lane] = 0.0;
        update(lane);
        for (std::size_t b = 0; b < kRingBands; ++b) bands_[b].there[lane] = wanted_[b][lane] ? 1.0 : 0.0;
        wet_[lane] = engaged(lane) ? 1.0 : 0.0, exact_[lane] = engaged(lane) ? 0.0 : 1.0,
        asleep_[lane] = false;
    }
    void forget(std::size_t lane) noexcept {
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
    void move() noexcept {
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

    void update(std::size_t lane) noexcept {
        const auto& s = moving_[lane].now();
        const double amount = std::max(0.0, s.amount);
        for (std::size_t b = 0; b < kRingBands; ++b) update_band(b, lane);
        couple(lane);
        set_follow(broad_[0], lane, DampFollow::broad(rate_hz_, hop_, amount * s.high_db_per_s, 60.0, 240.0));
        set_follow(broad_[1], lane, DampFollow::broad(rate_hz_, hop_, amount * s.tail_db_per_s, 30.0, 120.0));
        choose_bands();
        steady_ = at_rest_ = false;
    }
    void couple(std::size_t lane) noexcept {
        for (std::size_t b = 0; b < kRingBands; ++b) {
            double nearest_hz = 1e9;
            for (std::size_t k = 0; k < kRingBands; ++k)
                if (k != b && designs_[lane][k].used)
                    nearest_hz =
                        std::min(nearest_hz, std::abs(designs_[lane][k].omega - designs_[lane][b].omega) /
                                                 6.283185307179586);
            const double blur_ms = std::max(kBlurMs, 1000.0 * kBlurPeriods / std::max(nearest_hz, 1.0));
            rings_[b].sharpen[lane] = std::exp(-1000.0 * static_cast<double>(hop_) / (rate_hz_ * blur_ms));
        }
        const auto coupling = DampCoupling::make(rate_hz_, designs_[lane]);
        for (std::size_t r = 0; r < DampCoupling::kSize; ++r)
            for (std::size_t c = 0; c < DampCoupling::kSize; ++c) apart_[r][c][lane] = coupling.from[r][c];
    }
    void choose_bands() noexcept {
        used_count_ = 0;
        for (std::size_t b = 0; b < kRingBands; ++b) {
            bool used = false;
            for (std::size_t k = 0; k < kLanes; ++k) used = used || wanted_[b][k] || bands_[b].there[k] > 0.0;
            if (used) used_[used_count_++] = b;
        }
    }

    void update_band(std::size_t b, std::size_t lane) noexcept {
        const auto& s = moving_[lane].now();
        const double tail = std::max(0.0, s.amount) * s.tail_db_per_s * 0.1151292546497023; // ln 10 / 20
        const auto d =
            DampBandDesign::make(rate_hz_, hop_, s.bands[b], b < s.band_count ? s.amount : 0.0, tail);
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

    template <class Followed>
    static void set_follow(Followed& to, std::size_t lane, const DampFollow& f) noexcept {
        to.slowest[lane] = f.slowest, to.fastest[lane] = f.fastest, to.step[lane] = f.gain;
        to.margin[lane] = f.margin, to.window[lane] = f.window, to.surplus[lane] = f.surplus;
    }

    void copy(const float* in, float* out, std::size_t frames) noexcept {
        for (std::size_t n = 0; n < frames * kLanes; ++n) out[n] = finite_or_silence(in[n]);
    }

    /// Part of a hop. An open lane gets its input itself: arithmetic would lose denormals and -0.
    void run(const float* in, float* out, std::size_t frames, std::size_t in_use) noexcept {
        bool some_open = false;
        for (std::size_t k = 0; k < in_use; ++k) some_open = some_open || exact_[k] > 0.5;
        if (!some_open) return run_used(in, out, frames);
        copy(in, open_, frames);
        run_used(in, out, frames);
        for (std::size_t k = 0; k < in_use; ++k)
            for (std::size_t n = 0; exact_[k] > 0.5 && n < frames; ++n)
                out[n * kLanes + k] = open_[n * kLanes + k];
    }
    void run_used(const float* in, float* out, std::size_t frames) noexcept {
        switch (used_count_) {
        case 0:
            run_bands<0>(in, out, frames);
            break;
        case 1:
            run_bands<1>(in, out, frames);
            break;
        case 2:
            run_bands<2>(in, out, frames);
            break;
        case 3:
            run_bands<3>(in, out, frames);
            break;
        case 4:
            run_bands<4>(in, out, frames);
            break;
        case 5:
            run_bands<5>(in, out, frames);
            break;
        default:
            run_bands<6>(in, out, frames);
        }
    }

    struct BandInLoop {
        V pole_re, pole_im, re, im, now_re, now_im, step_re, step_im;
        explicit BandInLoop(const Band& b) noexcept
            : pole_re(b.pole_re.load()), pole_im(b.pole_im.load()), re(b.re.load()), im(b.im.load()),
              now_re(b.now_re.load()), now_im(b.now_im.load()), step_re(b.step_re.load()),
              step_im(b.step_im.load()) {}
        /// What is to be taken from x.
        V tick(V x) noexcept {
            const V next = pole_re * re - pole_im * im + x;
            im = pole_re * im + pole_im * re;
            re = next;
            now_re = now_re + step_re, now_im = now_im + step_im;
            return now_re * re + now_im * im;
        }
        void keep(Band& b) const noexcept {
            b.re.store(re), b.im.store(im), b.now_re.store(now_re), b.now_im.store(now_im);
        }
    };
    struct ShelfInLoop {
        V scale, rise, by_first, by_high, first, fed_back, top, top_step, band, band_step;
        explicit ShelfInLoop(const Shelf& s) noexcept
            : scale(s.scale.load()), rise(s.rise.load()), by_first(s.by_first.load()),
              by_high(s.by_high.load()), first(s.first.load()), fed_back(s.fed_back.load()),
              top(s.top.now.load()), top_step(s.top.step.load()), band(s.band.now.load()),
              band_step(s.band.step.load()) {}
        /// x without what is to be taken from it; adds the energy of the top.
        V tick(V x, V& sum) noexcept {
            top = top + top_step, band = band + band_step;
            const V high = scale * x - fed_back, was = first;
            fed_back = fed_back + by_first * was + by_high * high;
            first = was + rise * high;
            sum = sum + high * high;
            return x - top * high - band * was;
        }
        void keep(Shelf& s) const noexcept {
            s.first.store(first), s.fed_back.store(fed_back), s.top.now.store(top), s.band.now.store(band);
        }
    };
    template <std::size_t... B> auto in_loop(std::index_sequence<B...>) const noexcept {
        return std::array<BandInLoop, sizeof...(B)>{BandInLoop(bands_[used_[B]])...};
    }

    template <std::size_t N> void run_bands(const float* in, float* out, std::size_t frames) noexcept {
        auto bands = in_loop(std::make_index_sequence<N>{});
        ShelfInLoop shelf(high_);
        V tail = tail_.now.load();
        V high_sum = broad_[0].sum.load(), tail_sum = broad_[1].sum.load();
        const V tail_step = tail_.step.load();
        V most = most_.now.load();
        const V most_step = most_.step.load();
        for (std::size_t n = 0; n < frames; ++n) {
            V x = load_finite<V>(in + n * kLanes);
            tail_sum = tail_sum + x * x;
            tail = tail + tail_step;
            x = shelf.tick(x, high_sum);
            if constexpr (N > 0) {
                V less = bands[0].tick(x);
                for (std::size_t b = 1; b < N; ++b) less = less + bands[b].tick(x);
                most = most + most_step;
                x = x - larger(-most, smaller(most, less));
            }
            Lanes<V>::store(out + n * kLanes, x * tail);
        }
        for (std::size_t b = 0; b < N; ++b) bands[b].keep(bands_[used_[b]]);
        shelf.keep(high_), tail_.now.store(tail), most_.now.store(most);
        broad_[0].sum.store(high_sum), broad_[1].sum.store(tail_sum);
    }
    static V every(double x) noexcept { return dsp::every<V>(x); }

    // ---- once per hop
    // --------------------------------------------------------------------------------------------------
    void follow() noexcept {
        const V high2 = level2_of(broad_[0]), all2 = level2_of(broad_[1]);
        std::array<V, kRingBands> re, im, level2; // of the bands in use
        tell_apart(re, im);
        // A stroke in the top or in everything counts for all; one in a band for the bands, which only a
        // stroke that is nearly all tone reaches before the others.
        const Mask broad_quiet = since_[kBroad].load() < every(quiet_),
                   quiet = since_[kBands].load() < every(quiet_);
        const Mask broad = either(rises(broad_[0], high2, every(4.0), every(kOverNoise), broad_quiet),
                                  rises(broad_[1], all2, every(4.0), every(kOverNoise), broad_quiet));
        const Mask struck = count(since_[kBroad], broad);
        // A stroke right after a false alarm of the bands is news to them all the same.
        const Mask calm = both(quiet, since_[kBroad].load() > every(0.5));
        Mask tone = since_[kBands].load() < every(0.0);
        for (std::size_t i = 0; i < used_count_; ++i) {
            auto& ring = rings_[used_[i]];
            level2[i] = re[i] * re[i] + im[i] * im[i];
            // A band is too slow to tell a second stroke from the partials that beat in it while it fills.
            const Mask filled = since_[kBands].load() > ring.window.load();
            tone = either(tone, both(rises(ring, level2[i], every(4.0), every(kOverNarrow), quiet), filled));
            remember(ring, re[i], im[i], either(calm, level2[i] <= ring.rise.met2.load()));
        }
        (void)count(since_[kBands], tone);
        since_[kBands].store(select(struck, every(0.0), since_[kBands].load()));
        if (!steady_) fade();
        for (std::size_t i = 0; i < used_count_; ++i) follow_ring(rings_[used_[i]], re[i], im[i], level2[i]);
        take_apart();
        const V wet = wet_.load(), one(1.0);
        const V high = follow_level(broad_[0], high2), tail = follow_level(broad_[1], all2);
        const V of_band = (one - root(high)) * wet * every(kRoot2);
        aim(high_.band, of_band), aim(high_.top, (one - high) * wet + of_band * every(high_.g));
        aim(tail_, one - (one - tail) * wet);
    }

    /// Hops since the last stroke; during the first few no other is looked for. Is this one?
    Mask count(PerLane<V>& since, Mask stroke) noexcept {
        const V next = since.load() + every(1.0);
        since.store(select(stroke, select(next < every(quiet_), next, every(0.0)), next));
        return since.load() < every(0.5);
    }

    /// Mean square of the hop, which then falls no faster than a half-wave of the lowest drum needs.
    V level2_of(Broad& b) noexcept {
        const V level2 =
            larger(b.sum.load() * every(1.0 / static_cast<double>(hop_)), b.held.load() * every(hold_));
        b.sum.fill(0.0), b.held.store(level2);
        return level2;
    }

    /// Phasors of the rings, from the resonators.
    void tell_apart(std::array<V, kRingBands>& re, std::array<V, kRingBands>& im) const noexcept {
        for (std::size_t i = 0; i < used_count_; ++i) {
            const auto &to_re = apart_[2 * used_[i]], &to_im = apart_[2 * used_[i] + 1];
            V r(0.0), m(0.0);
            for (std::size_t j = 0; j < used_count_; ++j) {
                const auto b = used_[j];
                const V x = bands_[b].re.load(), y = bands_[b].im.load();
                r = r + to_re[2 * b].load() * x + to_re[2 * b + 1].load() * y;
                m = m + to_im[2 * b].load() * x + to_im[2 * b + 1].load() * y;
            }
            re[i] = r, im[i] = m;
        }
    }
    /// The other way round: what is to be taken of each resonator, so that of each ring its part goes.
    void take_apart() noexcept {
        std::array<V, kRingBands> part;
        V most(0.0); // A stroke inside the coming hop is not to be taken for ring.
        for (std::size_t i = 0; i < used_count_; ++i) {
            const V there = wet_.load() * bands_[used_[i]].there.load();
            part[i] = (every(1.0) - rings_[used_[i]].shown.load()) * there;
            most = most + rings_[used_[i]].most.load() * there;
        }
        aim(most_, most * every(kMost) + every(1e-9));
        for (std::size_t j = 0; j < used_count_; ++j) {
            const auto b = used_[j];
            V r(0.0), m(0.0);
            for (std::size_t i = 0; i < used_count_; ++i) {
                const auto& from = apart_[2 * used_[i]];
                r = r + part[i] * from[2 * b].load(), m = m + part[i] * from[2 * b + 1].load();
            }
            auto& band = bands_[b];
            aim(band.now_re, band.step_re, band.to_re, r);
            aim(band.now_im, band.step_im, band.to_im, m);
        }
    }

    /// `times` the power that a swell could have reached since the level was last this low.
    template <class Followed> Mask rises(Followed& f, V level2, V times, V over_noise, Mask quiet) noexcept {
        const V grown = f.rise.before2.load() * every(rise_) + every(kFloor), least = f.rise.least2.load();
        f.rise.met2.store(grown);
        const V up = select(level2 > every(kOverNarrow) * least, every(least_find_), every(least_rise_));
        const V tracked = select(level2 > least, least * up, least + (level2 - least) * every(least_fall_));
        f.rise.least2.store(larger(tracked, every(kNothing)));
        const Mask news = both(level2 > over_noise * least, level2 > f.surplus.load() * f.ring2.load());
        const Mask stroke = both(level2 > times * grown, news);
        f.rise.before2.store(select(either(stroke, quiet), larger(level2, grown), smaller(level2, grown)));
        return stroke;
    }
    /// The ring before anything rose, turned on as an open ring goes on.
    void remember(Ring& ring, V re, V im, Mask calm) noexcept {
        const V was_re = ring.met_re.load(), was_im = ring.met_im.load();
        const V turn_re = ring.turn_re.load(), turn_im = ring.turn_im.load();
        ring.met_re.store(select(calm, re, turn_re * was_re - turn_im * was_im));
        ring.met_im.store(select(calm, im, turn_re * was_im + turn_im * was_re));
    }

    /// Energy of the ring and the gain that it is to have, one hop on.
    void follow_ring(Ring& f, V re, V im, V level2) noexcept {
        const V one(1.0), past = since_[kBands].load(), before = f.ring2.load();
        const Mask open = past < f.window.load();
        V gain = smaller(larger(f.gain.load() * f.step.load(), every(1e-4)), every(31.0));
        V ring2 = larger(before * f.fastest.load(), smaller(level2, before * f.slowest.load()));
        V own = smaller(smaller(one, f.margin.load() * ring2 / (level2 + every(1e-30))),
                        f.own.load() + every(own_rise_));
        V settled = f.settled.load();
        settled = settled + (one - settled) * f.settle.load();
        V kept(1.0); // of the amplitude: what is not new
        if (some(open)) kept = root(one - meet(f, re, im, level2, open, gain, ring2, own, settled));
        f.gain.store(gain), f.ring2.store(ring2), f.own.store(own), f.settled.store(settled);
        const V less = smaller(one, (one - gain) / larger(settled, every(kLeastSettled))) * own;
        const V was = f.shown.load(),
                up = select(open, was + every(glide_), larger(was, every(1e-3)) * every(slew_));
        const V shown = larger(smaller(one - less, up), was - every(glide_));
        f.was.store(was), f.shown.store(shown);
        // While a band that was closed opens for a stroke, only what rang before is still to be taken.
        const V late = larger(every(0.0), one - less - shown);
        f.most.store((magnitude(less) + late * kept) * root(level2));
    }

    /// While a stroke comes in: what was there goes on as it was, what came with it counts from the stroke
    /// on. Returns the part of the energy that is new.
    V meet(Ring& f, V re, V im, V level2, Mask open, V& gain, V& ring2, V& own, V& settled) noexcept {
        const V one(1.0), tiny = every(1e-30), step = f.step.load(), settle = f.settle.load();
        const Mask stroke = since_[kBands].load() < every(0.5);
        const V turn_re = f.turn_re.load(), turn_im = f.turn_im.load();
        const V was_re = f.old_re.load(), was_im = f.old_im.load();
        const V old_re = select(stroke, f.met_re.load(), turn_re * was_re - turn_im * was_im);
        const V old_im = select(stroke, f.met_im.load(), turn_re * was_im + turn_im * was_re);
        const V old_gain = select(stroke, gain, f.old_gain.load() * step);
        const V old_own = select(stroke, f.own.load(), f.old_own.load());
        const V credit = select(stroke, one, f.credit.load() * step);
        // A resonator that has just been struck holds only part of the ring yet: that much more of it is
        // taken. But not before the bands can tell the partials apart: at once, each would answer to all of
        // the stroke.
        V old_settled = select(stroke, f.settled.load(), f.old_settled.load());
        V new_settled = select(stroke, every(0.0), f.new_settled.load());
        old_settled = old_settled + (one - old_settled) * settle;
        new_settled = new_settled + (one - new_settled) * settle;
        const V blurred = select(stroke, one, f.blurred.load() * f.sharpen.load());
        const V told = smaller(one, new_settled + blurred);

        const V diff_re = re - old_re, diff_im = im - old_im;
        const V diff2 = diff_re * diff_re + diff_im * diff_im, old2 = old_re * old_re + old_im * old_im;
        // How much of the difference is news: a ring is foreseen well, noise not at all.
        const V noise2 = select(stroke, every(0.2 * kOverNarrow) * f.rise.least2.load(), f.noise2.load());
        const V sure = larger(every(0.0), one - (every(kUnsure2) * old2 + noise2) / (diff2 + tiny));
        const V new_re = sure * diff_re, new_im = sure * diff_im, rest_re = re - new_re,
                rest_im = im - new_im;
        const V along_new = new_re * re + new_im * im, along_rest = rest_re * re + rest_im * im;
        const V new2 = sure * sure * diff2, rest2 = rest_re * rest_re + rest_im * rest_im;
        const V part = new2 / (new2 + rest2 + tiny), steady = every(kSteady) * (new2 + rest2);
        const V by_energy = old_gain + (credit - old_gain) * part;
        const V left =
            (old_gain * along_rest + credit * along_new + by_energy * steady) / (level2 + steady + tiny);
        gain = select(open, larger(every(1e-4), smaller(left, larger(old_gain, credit))), gain);
        own = select(open, old_own + (one - old_own) * part, own);
        ring2 = select(open, larger(ring2, own * level2), ring2);
        settled = select(open, old_settled + (told - old_settled) * part, settled);
        f.old_re.store(old_re), f.old_im.store(old_im), f.old_gain.store(old_gain), f.old_own.store(old_own);
        f.credit.store(credit), f.noise2.store(noise2), f.blurred.store(blurred);
        f.old_settled.store(old_settled), f.new_settled.store(new_settled);
        return select(open, part, every(0.0));
    }

    /// Energy of the ring and gain of the top or of everything, one hop on. Returns the gain.
    V follow_level(Broad& f, V level2) noexcept {
        const V one(1.0), before = f.ring2.load();
        const Mask open = since_[kBroad].load() < f.window.load();
        V gain2 = smaller(larger(f.gain2.load() * f.step.load(), every(1e-8)), every(1e3));
        V ring2 = larger(before * f.fastest.load(), smaller(level2, before * f.slowest.load()));
        V new_own(0.0);
        if (some(open)) new_own = meet(f, level2, open, gain2, ring2);
        f.ring2.store(ring2), f.gain2.store(gain2);

        const V now = smaller(one, f.margin.load() * ring2 / (level2 + every(1e-30)));
        const V own = select(open, new_own, smaller(now, f.own.load() + every(own_rise_)));
        f.own.store(own);
        const V goal = root(one - (one - gain2) * own), was = f.shown.load();
        const V gain = smaller(goal, select(open, one, larger(was, every(1e-3)) * every(slew_)));
        f.shown.store(gain);
        return gain;
    }

    /// While a stroke comes in, by energies: what was there goes on, what came with it counts from the
    /// stroke on. Returns the part of all there is that is ring.
    V meet(Broad& f, V level2, Mask open, V& gain2, V& ring2) noexcept {
        const V one(1.0), step = f.step.load();
        const Mask stroke = since_[kBroad].load() < every(0.5);
        const V old2 = select(stroke, larger(ring2, f.rise.met2.load()), f.old2.load() * f.slowest.load());
        const V old_gain2 = select(stroke, gain2, f.old_gain2.load() * step);
        const V credit2 = select(stroke, one, f.credit2.load() * step);
        const V old_own = select(stroke, f.own.load(), f.old_own.load());
        // Ripple and beats are no news: a rise of less than 1.7 dB counts for nothing, one of 10 dB for what
        // it is.
        const V kept = old2 / (level2 + every(1e-30));
        const V old_part =
            smaller(select(stroke, one, f.old_part.load()),
                    smaller(f.surplus.load() * kept * (one + kept * kept), every(kSudden) * kept));
        // Of what was there, only the ring's own part is damped; noise that a stroke rises from is not.
        const V old_ring = old_own * old_part, new_own = old_ring + (one - old_part);
        gain2 = select(open,
                       (old_gain2 * old_ring + credit2 * (one - old_part) + every(1e-30)) /
                           (new_own + every(1e-30)),
                       gain2);
        const V old_ring2 = select(stroke, ring2, f.old_ring2.load() * f.slowest.load());
        ring2 = select(open, larger(ring2, smaller(level2, old_ring2 + (one - old_part) * level2)), ring2);
        f.old_ring2.store(old_ring2), f.old2.store(old2), f.old_gain2.store(old_gain2);
        f.credit2.store(credit2), f.old_part.store(old_part), f.old_own.store(old_own);
        return new_own;
    }

    void aim(Ramp& ramp, V to) noexcept { aim(ramp.now, ramp.step, ramp.to, to); }
    /// From where the last line was to end, not from where rounding left it, to `next` in one hop.
    void aim(PerLane<V>& now, PerLane<V>& step, PerLane<V>& to, V next) noexcept {
        const V from = to.load();
        now.store(from), step.store((next - from) * every(1.0 / static_cast<double>(hop_))), to.store(next);
    }

    void fade() noexcept {
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
    double faded(double now, bool in) const noexcept {
        return in ? std::min(1.0, now + ramp_) : std::max(0.0, now - ramp_);
    }

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

} // namespace kitfold::dsp
