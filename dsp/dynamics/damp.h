#pragma once
// The drum as a blanket, a ring or a patch of tape would leave it: the same stroke, a shorter and darker
// tail. A drum is a sum of decaying modes, sum A_k exp(-alpha_k t) cos(w_k t); damping it raises alpha_k. So
// each ring band is multiplied by exp(-(alpha' - alpha) t) from the stroke on:
//
//     out = in - (1 - g_b) band_b, one band after the other, then the top, then everything.
//
// The bands are in series, so two that overlap never take more than each does alone, and with g = 1 the
// output is the input. What drives g is not a clock that a trigger restarts but the energy in the band: a
// stroke that brings E to a band which still holds R leaves g² = (g² R + E) / (R + E), as two strokes on a
// damped head would. A ghost note under a loud ring, a roll or a false alarm therefore can't make g jump.
// What rises in a band without a stroke (cymbal swell, bleed) or stays when the ring has gone (noise) is not
// the drum's and passes at unity.
#include "core/flush_denormals.h"
#include "core/lanes.h"
#include "core/moving.h"
#include "core/units.h"
#include <algorithm>
#include <array>
#include <utility>

namespace kitfold::dsp {

/// 1/s at which an amplitude falls when its level falls by 60 dB in `ring_ms`: ln(1000) / T60.
inline double decay_rate(double ring_ms) noexcept { return 6907.755278982137 / ring_ms; }

/// The numbers behind one ring band, for the block, for plots and for tests.
struct DampBandDesign {
    bool used = false;
    double alpha = 0.0, extra = 0.0;                 ///< 1/s: of the open ring, and what the band adds to it
    double width = 0.0;                              ///< half bandwidth in rad/s
    double pole_re = 0.0, pole_im = 0.0, feed = 0.0; ///< resonator at the audio rate
    double take_re = 0.0, take_im = 0.0; ///< Re(take * resonator) is the ring itself, exactly, once settled
    double slow_re = 0.0, slow_im = 0.0, slow_feed = 0.0; ///< second resonator, one step per hop
    double settle = 1.0; ///< part of the way to the settled state that a hop brings
    /// `amount` -1..1 goes from mirrored (open²/ring) over open to ring, in octaves of ring time.
    /// `tail_alpha` is what the tail takes already.
    static DampBandDesign make(double rate_hz, std::size_t hop, const RingBand& band, double amount,
                               double tail_alpha) noexcept;
};

/// How one decay is followed from hop to hop; powers per hop.
struct DampFollow {
    double slowest = 1.0, fastest = 1.0; ///< what still counts as the drum's own decay
    double gain = 1.0;                   ///< extra decay; above 1 the band opens up
    double margin = 1.0;                 ///< how far above its own decay a band still counts as ring
    double window = 0.0;                 ///< hops after a stroke in which its energy arrives
    double surplus = 1.0;                ///< rise that ripple explains
    static DampFollow ring(double rate_hz, std::size_t hop, const DampBandDesign& band) noexcept;
    static DampFollow broad(double rate_hz, std::size_t hop, double db_per_s, double slowest_db_per_s,
                            double fastest_db_per_s) noexcept;
};

/// Damp for one channel (V = double) or one mic per lane. Latency 0. Never allocates, locks or throws. Rate
/// 8 kHz..384 kHz, any number of frames per call, the same output at any block size. NaN and Inf are taken as
/// silence. A lane whose amount is 0 or that is switched to open is its input, bit for bit. Settings glide in
/// 20 ms; the first ones after prepare() or reset() are taken at once. Gains are set on a grid of 1/3 ms from
/// the last reset() on and go in straight lines between.
template <class V> class Damp {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;
    static constexpr std::size_t kHigh = kRingBands, kTail = kRingBands + 1, kStreams = kRingBands + 2;

    Damp() noexcept { (void)prepare(48'000.0); }

    /// False, and nothing changed, when the rate is out of range. Keeps the settings.
    [[nodiscard]] bool prepare(double rate_hz) noexcept {
        if (!rate_allowed(rate_hz)) return false;
        rate_hz_ = rate_hz;
        hop_ = 4;
        while (static_cast<double>(2 * hop_) <= kHopSeconds * rate_hz) hop_ *= 2;
        for (auto& m : moving_) m.prepare(rate_hz / static_cast<double>(hop_));
        const double g = std::tan(3.14159265358979324 * std::min(kHighHz / rate_hz, 0.45));
        high_step_ = g / (1.0 + g);
        hold_ = power_per_hop(kHoldDbPerS), rise_ = 1.0 / power_per_hop(kRiseDbPerS);
        const double hop_ms = 1000.0 * static_cast<double>(hop_) / rate_hz;
        own_rise_ = hop_ms / kOwnRiseMs, mean_rise_ = hop_ms / kMeanRiseMs, mean_fall_ = hop_ms / kMeanFallMs;
        sharpen_ = std::exp(-hop_ms / kBlurMs);
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
            moving_[lane].aim(settings);
        return nullptr;
    }

    /// Gain in dB that a band (0..5, kHigh, kTail) has now, for meters and tests; 0 when open.
    [[nodiscard]] double gain_db(std::size_t stream, std::size_t lane = 0) const noexcept {
        return db_from_gain(std::max(1e-6, 1.0 - (1.0 - follows_[stream].shown[lane]) * wet_[lane]));
    }

    /// in and out: frames * kLanes samples; they may be the same memory.
    void process(const float* in, float* out, std::size_t frames) noexcept {
        const FlushDenormals guard;
        if (frames > 0) fresh_.fill(false);
        while (frames > 0) {
            if (position_ == 0) move();
            const std::size_t n = std::min(frames, hop_ - position_);
            if (idle_)
                copy(in, out, n);
            else
                run(in, out, n);
            in += n * kLanes, out += n * kLanes, frames -= n, position_ += n;
            if (position_ < hop_) continue;
            position_ = 0;
            if (!idle_) follow();
        }
    }

private:
    static constexpr double kHopSeconds = 0.00037; ///< longest hop but at 8 kHz
    static constexpr std::size_t kLongestHop = 128;
    static constexpr double kHighHz = 2'000.0;   ///< the top begins here
    static constexpr double kHoldDbPerS = 240.0; ///< fall of the envelopes of the top and of everything
    static constexpr double kRiseDbPerS = 150.0; ///< a stroke rises faster, a swell does not
    static constexpr double kQuietMs = 10.0;     ///< after a stroke no other is looked for
    static constexpr double kOwnRiseMs = 150.0;  ///< from taken for noise to taken for ring, without a stroke
    static constexpr double kGlideMs = 1.0;
    static constexpr double kSlewDbPerMs = 1.0; ///< of a gain that rises without a stroke
    static constexpr std::size_t kBands = 0, kBroad = 1;
    static constexpr double kBlurMs = 3.0;
    static constexpr double kSudden = 4.0; ///< rise of a band's level at once that ripple doesn't explain
    static constexpr double kMeanRiseMs = 1'000.0, kMeanFallMs = 50.0; ///< of what is usual in a band
    static constexpr double kFloor = 1e-12; ///< mean square under which nothing is a stroke

    struct Band {
        PerLane<V> pole_re, pole_im, feed, re, im;                 // resonator
        PerLane<V> now_re, now_im, step_re, step_im, to_re, to_im; // what is taken of it, moving
        PerLane<V> take_re, take_im, slow_re, slow_im, slow_feed, wide_re, wide_im, settle;
        PerLane<V> there; // 0..1: bands come and go in 20 ms
        void forget(std::size_t k) noexcept {
            for (auto* v :
                 {&re, &im, &wide_re, &wide_im, &now_re, &now_im, &step_re, &step_im, &to_re, &to_im})
                (*v)[k] = 0.0;
        }
    };
    struct Follow {
        PerLane<V> slowest, fastest, step, margin, window, surplus; // DampFollow
        PerLane<V> old_ring2;
        PerLane<V> ring2, gain2, own; // energy of the ring, extra decay so far, ring's part of all there is
        PerLane<V> old2, old_gain2, old_own,
            old_part;       // what the last stroke met, and its part of the energy since
        PerLane<V> credit2; // extra decay of what the last stroke brought
        PerLane<V> blurred, old_settled, new_settled, settled; // how much of the ring the resonator holds
        PerLane<V> before2, mean2, met2;                       // for the detector
        PerLane<V> shown;
        void forget(std::size_t k) noexcept {
            for (auto* v : {&ring2, &old_ring2, &own, &old2, &old_own, &blurred, &old_settled, &new_settled,
                            &settled, &before2, &mean2, &met2})
                (*v)[k] = 0.0;
            for (auto* v : {&gain2, &old_gain2, &credit2, &old_part, &shown}) (*v)[k] = 1.0;
        }
    };
    struct Ramp {
        PerLane<V> now, step, to;
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
        wet_[lane] = engaged(lane) ? 1.0 : 0.0, exact_[lane] = wet_[lane] == 0.0, asleep_[lane] = false;
    }
    void forget(std::size_t lane) noexcept {
        for (auto& band : bands_) band.forget(lane);
        for (auto& f : follows_) f.forget(lane);
        for (auto* r : {&high_, &tail_}) r->now[lane] = r->to[lane] = 1.0, r->step[lane] = 0.0;
        for (auto* v : {&shelf_, &shelf2_, &high_sum_, &tail_sum_, &held_[0], &held_[1]}) (*v)[lane] = 0.0;
        for (auto& s : since_) s[lane] = 1e9;
    }

    /// At the start of a hop: moves of settings, and whether anything is to be done at all. A lane whose
    /// amount is 0 sleeps and wakes with nothing in its memory, whether or not its neighbours kept the block
    /// running.
    void move() noexcept {
        idle_ = true;
        for (std::size_t k = 0; k < kLanes; ++k) {
            if (!moving_[k].still()) moving_[k].step(), update(k);
            const bool sleeps = exact_[k] && moving_[k].still() && moving_[k].to().amount == 0.0;
            if (asleep_[k] && !sleeps) forget(k);
            asleep_[k] = sleeps;
            idle_ = idle_ && sleeps;
        }
    }

    void update(std::size_t lane) noexcept {
        const auto& s = moving_[lane].now();
        const double amount = std::max(0.0, s.amount);
        for (std::size_t b = 0; b < kRingBands; ++b) update_band(b, lane);
        set_follow(kHigh, lane, DampFollow::broad(rate_hz_, hop_, amount * s.high_db_per_s, 60.0, 240.0));
        set_follow(kTail, lane, DampFollow::broad(rate_hz_, hop_, amount * s.tail_db_per_s, 30.0, 120.0));
        choose_bands();
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
        wanted_[b][lane] = d.used;
        if (!d.used) { // what is still to fade out stays where it is; no stroke is found in it
            follows_[b].surplus[lane] = 1e300;
            return;
        }
        if (band.there[lane] == 0.0) band.forget(lane), follows_[b].forget(lane);
        band.pole_re[lane] = d.pole_re, band.pole_im[lane] = d.pole_im, band.feed[lane] = d.feed;
        band.take_re[lane] = d.take_re, band.take_im[lane] = d.take_im;
        band.slow_re[lane] = d.slow_re, band.slow_im[lane] = d.slow_im, band.slow_feed[lane] = d.slow_feed;
        band.settle[lane] = d.settle;
        set_follow(b, lane, DampFollow::ring(rate_hz_, hop_, d));
    }

    void set_follow(std::size_t stream, std::size_t lane, const DampFollow& f) noexcept {
        auto& to = follows_[stream];
        to.slowest[lane] = f.slowest, to.fastest[lane] = f.fastest, to.step[lane] = f.gain;
        to.margin[lane] = f.margin, to.window[lane] = f.window, to.surplus[lane] = f.surplus;
    }

    void copy(const float* in, float* out, std::size_t frames) noexcept {
        for (std::size_t n = 0; n < frames * kLanes; ++n) out[n] = std::isfinite(in[n]) ? in[n] : 0.0f;
    }

    /// Part of a hop. Lanes that are open get their input itself: arithmetic would lose denormals and -0.
    void run(const float* in, float* out, std::size_t frames) noexcept {
        bool any = false;
        for (const bool e : exact_) any = any || e;
        if (any) copy(in, kept_.data(), frames);
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
        if (!any) return;
        for (std::size_t n = 0; n < frames; ++n)
            for (std::size_t k = 0; k < kLanes; ++k)
                if (exact_[k]) out[n * kLanes + k] = kept_[n * kLanes + k];
    }

    struct BandInLoop {
        V pole_re, pole_im, feed, re, im, now_re, now_im, step_re, step_im;
        explicit BandInLoop(const Band& b) noexcept
            : pole_re(b.pole_re.load()), pole_im(b.pole_im.load()), feed(b.feed.load()), re(b.re.load()),
              im(b.im.load()), now_re(b.now_re.load()), now_im(b.now_im.load()), step_re(b.step_re.load()),
              step_im(b.step_im.load()) {}
        V tick(V x) noexcept {
            const V next = pole_re * re - pole_im * im + feed * x;
            im = pole_re * im + pole_im * re;
            re = next;
            now_re = now_re + step_re, now_im = now_im + step_im;
            return x - (now_re * re + now_im * im);
        }
        void keep(Band& b) const noexcept {
            b.re.store(re), b.im.store(im), b.now_re.store(now_re), b.now_im.store(now_im);
        }
    };
    template <std::size_t... B> auto in_loop(std::index_sequence<B...>) const noexcept {
        return std::array<BandInLoop, sizeof...(B)>{BandInLoop(bands_[used_[B]])...};
    }

    template <std::size_t N> void run_bands(const float* in, float* out, std::size_t frames) noexcept {
        auto bands = in_loop(std::make_index_sequence<N>{});
        V shelf = shelf_.load(), shelf2 = shelf2_.load(), high = high_.now.load(), tail = tail_.now.load();
        V high_sum = high_sum_.load(), tail_sum = tail_sum_.load();
        const V high_step = high_.step.load(), tail_step = tail_.step.load(), follow(high_step_);
        for (std::size_t n = 0; n < frames; ++n) {
            V x = load_finite<V>(in + n * kLanes);
            tail_sum = tail_sum + x * x;
            high = high + high_step, tail = tail + tail_step;
            const V one = V(1.0) - high;
            V top = high_part(x, shelf, follow);
            high_sum = high_sum + top * top;
            x = x - one * top;
            top = high_part(x, shelf2, follow);
            x = x - one * top;
            for (auto& b : bands) x = b.tick(x);
            Lanes<V>::store(out + n * kLanes, x * tail);
        }
        for (std::size_t b = 0; b < N; ++b) bands[b].keep(bands_[used_[b]]);
        shelf_.store(shelf), shelf2_.store(shelf2), high_.now.store(high), tail_.now.store(tail);
        high_sum_.store(high_sum), tail_sum_.store(tail_sum);
    }
    /// One pole, trapezoidal: what is above the corner.
    static V high_part(V x, V& state, V step) noexcept {
        const V v = (x - state) * step;
        const V low = v + state;
        state = low + v;
        return x - low;
    }

    // ---- once per hop
    // --------------------------------------------------------------------------------------------------
    using Mask = typename Lanes<V>::Mask;

    void follow() noexcept {
        std::array<V, kStreams> level2{};
        const V hop(static_cast<double>(hop_));
        level2[kHigh] = held(0, high_sum_, hop), level2[kTail] = held(1, tail_sum_, hop);
        // A stroke in the top or in everything counts for all; one in a band for the bands, which only a
        // stroke that is nearly all tone reaches before the others.
        const Mask broad = either(rises(kHigh, level2[kHigh]), rises(kTail, level2[kTail]));
        const Mask struck = count(since_[kBroad], broad);
        Mask tone = since_[kBands].load() < V(0.0);
        for (std::size_t i = 0; i < used_count_; ++i) {
            const auto b = used_[i];
            level2[b] = slow_level2(bands_[b]);
            // A band is too slow to tell a second stroke from the partials that beat in it while it fills.
            tone = either(tone, both(rises(b, level2[b]), since_[kBands].load() > follows_[b].window.load()));
        }
        (void)count(since_[kBands], tone);
        since_[kBands].store(select(struck, V(0.0), since_[kBands].load()));
        for (std::size_t k = 0; k < kLanes; ++k) fade(k);
        const V wet = wet_.load();
        for (std::size_t i = 0; i < used_count_; ++i) follow_band(used_[i], level2[used_[i]], wet);
        const V high = follow_level(kHigh, level2[kHigh], level2[kHigh]);
        const V tail = follow_level(kTail, level2[kTail], level2[kTail]);
        aim(high_, V(1.0) - (V(1.0) - root(high)) * wet); // there are two of these shelves
        aim(tail_, V(1.0) - (V(1.0) - tail) * wet);
    }

    /// Hops since the last stroke; during the first few no other is looked for. Is this one?
    Mask count(PerLane<V>& since, Mask stroke) noexcept {
        const V next = since.load() + V(1.0);
        since.store(select(stroke, select(next < V(quiet_), next, V(0.0)), next));
        return since.load() < V(0.5);
    }
    const PerLane<V>& since(std::size_t stream) const noexcept {
        return since_[stream < kHigh ? kBands : kBroad];
    }

    /// Mean square of the hop, which then falls no faster than a half-wave of the lowest drum needs.
    V held(std::size_t which, PerLane<V>& sum, V hop) noexcept {
        const V level2 = larger(sum.load() / hop, held_[which].load() * V(hold_));
        sum.fill(0.0), held_[which].store(level2);
        return level2;
    }

    /// A band of twice, the top or everything of four times the power that a swell could have reached since
    /// the level was last this low.
    Mask rises(std::size_t stream, V level2) noexcept {
        auto& before = follows_[stream].before2;
        const V grown = before.load() * V(rise_) + V(kFloor);
        auto& f = follows_[stream];
        f.met2.store(grown);
        const V usual = f.mean2.load();
        f.mean2.store(usual + (level2 - usual) * select(level2 > usual, V(mean_rise_), V(mean_fall_)));
        const Mask quiet = since(stream).load() < V(quiet_);
        const Mask news = both(level2 > V(2.0) * usual, level2 > f.surplus.load() * f.ring2.load());
        const Mask stroke = both(level2 > V(stream < kHigh ? 2.0 : 4.0) * grown, news);
        before.store(select(either(stroke, quiet), larger(level2, grown), smaller(level2, grown)));
        return stroke;
    }

    V slow_level2(Band& b) noexcept {
        const V re = b.wide_re.load(), im = b.wide_im.load();
        const V slow_re = b.slow_re.load(), slow_im = b.slow_im.load(), feed = b.slow_feed.load();
        const V next_re = slow_re * re - slow_im * im + feed * b.re.load();
        const V next_im = slow_re * im + slow_im * re + feed * b.im.load();
        b.wide_re.store(next_re), b.wide_im.store(next_im);
        return next_re * next_re + next_im * next_im;
    }

    /// Energy of the ring and gain of one stream, one hop on. Returns the gain.
    V follow_level(std::size_t stream, V level2, V fast2) noexcept {
        auto& f = follows_[stream];
        const V one(1.0), step = f.step.load(), before = f.ring2.load(), past = since(stream).load();
        const Mask stroke = past < V(0.5), open = past < f.window.load();
        V gain2 = smaller(larger(f.gain2.load() * step, V(1e-8)), V(1e3));
        V ring2 = larger(before * f.fastest.load(), smaller(level2, before * f.slowest.load()));
        // What was there at the stroke goes on; what came with it counts from the stroke on.
        const V old2 = select(stroke, larger(ring2, f.met2.load()), f.old2.load() * f.slowest.load());
        const V old_gain2 = select(stroke, gain2, f.old_gain2.load() * step);
        const V credit2 = select(stroke, one, f.credit2.load() * step);
        const V old_own = select(stroke, f.own.load(), f.old_own.load());
        // Ripple and beats are no news: a rise of less than 1.7 dB counts for nothing, one of 10 dB for what
        // it is.
        const V kept = old2 / (level2 + V(1e-30));
        const V old_part = smaller(
            select(stroke, one, f.old_part.load()),
            smaller(f.surplus.load() * kept * (one + kept * kept), V(kSudden) * old2 / (fast2 + V(1e-30))));
        // Of what was there, only the ring's own part is damped; noise that a stroke rises from is not.
        const V old_ring = old_own * old_part, new_own = old_ring + (one - old_part);
        gain2 = select(open,
                       (old_gain2 * old_ring + credit2 * (one - old_part) + V(1e-30)) / (new_own + V(1e-30)),
                       gain2);
        const V old_ring2 = select(stroke, ring2, f.old_ring2.load() * f.slowest.load());
        ring2 = select(open, larger(ring2, smaller(level2, old_ring2 + (one - old_part) * level2)), ring2);
        f.old_ring2.store(old_ring2);
        f.old2.store(old2), f.old_gain2.store(old_gain2), f.credit2.store(credit2),
            f.old_part.store(old_part);
        f.ring2.store(ring2), f.gain2.store(gain2);

        const V now = smaller(one, f.margin.load() * ring2 / (fast2 + V(1e-30)));
        const V own = select(open, new_own, smaller(now, f.own.load() + V(own_rise_)));
        f.own.store(own), f.old_own.store(old_own);
        const V goal = root(one - (one - gain2) * own);
        const V was =
            f.shown.load(); // a band glides open in 1 ms: there is nothing of the stroke in it before
        const V gain = smaller(
            goal, select(open, was + V(stream < kHigh ? glide_ : 2.0), larger(was, V(1e-3)) * V(slew_)));
        f.shown.store(gain);
        return gain;
    }

    void follow_band(std::size_t b, V level2, V wet) noexcept {
        auto& band = bands_[b];
        auto& f = follows_[b];
        const V re = band.re.load(), im = band.im.load();
        const V gain = follow_level(b, level2, re * re + im * im);
        // A resonator that has just been struck holds only part of the ring yet: take that much more of it.
        const V one(1.0), settle = band.settle.load(), old_part = f.old_part.load();
        const Mask stroke = since(b).load() < V(0.5);
        const V all = f.settled.load();
        V old_settled = select(stroke, all, f.old_settled.load());
        V new_settled = select(stroke, V(0.0), f.new_settled.load());
        old_settled = old_settled + (one - old_settled) * settle;
        new_settled = new_settled + (one - new_settled) * settle;
        // ... but not before the bands can tell the partials apart: at once, each would answer to all of the
        // stroke.
        const V blurred = select(stroke, one, f.blurred.load() * V(sharpen_));
        f.blurred.store(blurred);
        const V told = smaller(one, new_settled + blurred);
        const V settled = root(old_settled * old_settled * old_part + told * told * (one - old_part));
        f.old_settled.store(old_settled), f.new_settled.store(new_settled), f.settled.store(settled);
        const V part = smaller((one - gain) / larger(settled, V(1e-3)), one) * wet * band.there.load();
        aim(band.now_re, band.step_re, band.to_re, part * band.take_re.load());
        aim(band.now_im, band.step_im, band.to_im, part * band.take_im.load());
    }

    void aim(Ramp& ramp, V to) noexcept { aim(ramp.now, ramp.step, ramp.to, to); }
    /// From where the last line was to end, not from where rounding left it, to `next` in one hop.
    void aim(PerLane<V>& now, PerLane<V>& step, PerLane<V>& to, V next) noexcept {
        const V from = to.load();
        now.store(from), step.store((next - from) / V(static_cast<double>(hop_))), to.store(next);
    }

    void fade(std::size_t k) noexcept {
        exact_[k] = wet_[k] == 0.0 && !engaged(k);
        wet_[k] = faded(wet_[k], engaged(k));
        for (std::size_t i = 0; i < used_count_; ++i) {
            auto& there = bands_[used_[i]].there;
            there[k] = faded(there[k], wanted_[used_[i]][k]);
        }
    }
    double faded(double now, bool in) const noexcept {
        return in ? std::min(1.0, now + ramp_) : std::max(0.0, now - ramp_);
    }

    double rate_hz_ = 48'000.0;
    std::size_t hop_ = 16, position_ = 0;
    double high_step_ = 0.0, hold_ = 1.0, slew_ = 1.0, glide_ = 1.0, sharpen_ = 1.0, rise_ = 1.0,
           own_rise_ = 0.0, mean_rise_ = 0.0, mean_fall_ = 0.0, ramp_ = 1.0, quiet_ = 30.0;
    bool idle_ = true;
    std::array<Moving<DampSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{}, exact_{}, asleep_{};
    std::array<std::array<bool, kLanes>, kRingBands> wanted_{};
    std::array<std::size_t, kRingBands> used_{};
    std::size_t used_count_ = 0;
    std::array<Band, kRingBands> bands_{};
    std::array<Follow, kStreams> follows_{};
    std::array<PerLane<V>, 2> held_{};
    PerLane<V> shelf_, shelf2_, high_sum_, tail_sum_, wet_;
    std::array<PerLane<V>, 2> since_; // kBands, kBroad
    Ramp high_, tail_;
    std::array<float, kLongestHop * kLanes> kept_{};
};

} // namespace kitfold::dsp
