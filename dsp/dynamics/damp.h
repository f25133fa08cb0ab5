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
    static DampFollow broad(double rate_hz, std::size_t hop, double db_per_s,
                            double slowest_db_per_s) noexcept;
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
        ramp_ = static_cast<double>(hop_) * 1000.0 / (kMoveMs * rate_hz);
        quiet_ = kQuietMs * rate_hz / (1000.0 * static_cast<double>(hop_));
        reset();
        return true;
    }

    /// No stroke yet, silence in the bands. Moves end at once.
    void reset() noexcept {
        bands_ = {}, follows_ = {}, shelf_ = {}, shelf2_ = {};
        high_ = {}, tail_ = {}, high_sum_ = {}, tail_sum_ = {}, held_ = {};
        since_.fill(1e9), position_ = 0;
        for (auto& f : follows_) f.gain2.fill(1.0), f.credit2.fill(1.0), f.shown.fill(1.0);
        for (auto* r : {&high_, &tail_}) r->now.fill(1.0), r->to.fill(1.0);
        for (std::size_t k = 0; k < kLanes; ++k) {
            moving_[k].snap(moving_[k].aimed());
            update(k);
            wet_[k] = engaged(k) ? 1.0 : 0.0, exact_[k] = wet_[k] == 0.0;
        }
        fresh_.fill(true);
    }

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const DampSettings& settings, std::size_t lane = 0) noexcept {
        if (const auto* refused = first_refused(settings)) return refused;
        if (!fresh_[lane]) {
            moving_[lane].aim(settings);
            return nullptr;
        }
        moving_[lane].snap(settings), update(lane);
        wet_[lane] = engaged(lane) ? 1.0 : 0.0, exact_[lane] = wet_[lane] == 0.0;
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
    static constexpr double kFloor = 1e-12;      ///< mean square under which nothing is a stroke

    struct Band {
        PerLane<V> pole_re, pole_im, feed, re, im;                 // resonator
        PerLane<V> now_re, now_im, step_re, step_im, to_re, to_im; // what is taken of it, moving
        PerLane<V> take_re, take_im, slow_re, slow_im, slow_feed, wide_re, wide_im, settle;
    };
    struct Follow {
        PerLane<V> slowest, fastest, step, margin, window, surplus; // DampFollow
        PerLane<V> ring2, gain2, credit2, before2;
        PerLane<V> settled, settled2; // of a new stroke, and of all there is (squared)
        PerLane<V> shown;
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

    /// At the start of a hop: moves of settings, and whether anything is to be done at all.
    void move() noexcept {
        idle_ = true;
        for (std::size_t k = 0; k < kLanes; ++k) {
            if (!moving_[k].still()) moving_[k].step(), update(k);
            const auto& s = moving_[k];
            idle_ = idle_ && exact_[k] && s.still() && s.to().amount == 0.0;
        }
    }

    void update(std::size_t lane) noexcept {
        const auto& s = moving_[lane].now();
        const double amount = std::max(0.0, s.amount);
        for (std::size_t b = 0; b < kRingBands; ++b) update_band(b, lane);
        set_follow(kHigh, lane, DampFollow::broad(rate_hz_, hop_, amount * s.high_db_per_s, 60.0));
        set_follow(kTail, lane, DampFollow::broad(rate_hz_, hop_, amount * s.tail_db_per_s, 30.0));
        used_count_ = 0;
        for (std::size_t b = 0; b < kRingBands; ++b) {
            bool used = false;
            for (std::size_t k = 0; k < kLanes; ++k) used = used || used_band_[b][k];
            if (used)
                used_[used_count_++] = b;
            else
                bands_[b].re = {}, bands_[b].im = {}, bands_[b].wide_re = {}, bands_[b].wide_im = {};
        }
    }

    void update_band(std::size_t b, std::size_t lane) noexcept {
        const auto& s = moving_[lane].now();
        const double tail = std::max(0.0, s.amount) * s.tail_db_per_s * 0.1151292546497023; // ln 10 / 20
        const auto d =
            DampBandDesign::make(rate_hz_, hop_, s.bands[b], b < s.band_count ? s.amount : 0.0, tail);
        auto& band = bands_[b];
        band.pole_re[lane] = d.pole_re, band.pole_im[lane] = d.pole_im, band.feed[lane] = d.feed;
        band.take_re[lane] = d.take_re, band.take_im[lane] = d.take_im;
        band.slow_re[lane] = d.slow_re, band.slow_im[lane] = d.slow_im, band.slow_feed[lane] = d.slow_feed;
        band.settle[lane] = d.settle;
        used_band_[b][lane] = d.used || !moving_[lane].still();
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
        const V hop(static_cast<double>(hop_)), since = since_.load() + V(1.0);
        level2[kHigh] = held(0, high_sum_, hop), level2[kTail] = held(1, tail_sum_, hop);
        Mask stroke = either(rises(kHigh, level2[kHigh]), rises(kTail, level2[kTail]));
        for (std::size_t i = 0; i < used_count_; ++i) {
            level2[used_[i]] = slow_level2(bands_[used_[i]]);
            stroke = either(stroke, rises(used_[i], level2[used_[i]]));
        }
        const Mask quiet = since < V(quiet_);
        const V now = select(stroke, select(quiet, since, V(0.0)), since);
        since_.store(now);
        for (std::size_t k = 0; k < kLanes; ++k) ramp_wet(k);
        const V wet = wet_.load();
        for (std::size_t i = 0; i < used_count_; ++i) follow_band(used_[i], level2[used_[i]], now, wet);
        aim(high_, V(1.0) - (V(1.0) - root(follow_level(kHigh, level2[kHigh], level2[kHigh], now))) * wet);
        aim(tail_, V(1.0) - (V(1.0) - follow_level(kTail, level2[kTail], level2[kTail], now)) * wet);
    }

    /// Mean square of the hop, which then falls no faster than a half-wave of the lowest drum needs.
    V held(std::size_t which, PerLane<V>& sum, V hop) noexcept {
        const V level2 = larger(sum.load() / hop, held_[which].load() * V(hold_));
        sum.fill(0.0), held_[which].store(level2);
        return level2;
    }

    /// Twice the power that a swell could have reached since the level was last this low?
    Mask rises(std::size_t stream, V level2) noexcept {
        auto& before = follows_[stream].before2;
        const V grown = before.load() * V(rise_) + V(kFloor);
        const Mask quiet = since_.load()<V(quiet_), stroke = level2> V(2.0) * grown;
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
    V follow_level(std::size_t stream, V level2, V fast2, V since) noexcept {
        auto& f = follows_[stream];
        const V before = f.ring2.load(), step = f.step.load();
        V ring2 = larger(before * f.fastest.load(), smaller(level2, before * f.slowest.load()));
        V gain2 = smaller(larger(f.gain2.load() * step, V(1e-8)), V(1e3));
        const V credit = select(since < V(0.5), V(1.0), f.credit2.load() * step);
        const V settled = select(since < V(0.5), V(0.0), f.settled.load());
        const V brought = level2 - ring2 * f.surplus.load();
        const Mask up = both(since<f.window.load(), brought> V(0.0));
        const V total = level2 + V(1e-30), kept = total - brought;
        gain2 = select(up, (gain2 * kept + brought * credit) / total, gain2);
        f.settled2.store(
            select(up, (f.settled2.load() * kept + brought * settled * settled) / total, f.settled2.load()));
        ring2 = select(up, level2, ring2);
        f.ring2.store(ring2), f.gain2.store(gain2), f.credit2.store(credit), f.settled.store(settled);
        const V own = smaller(V(1.0), f.margin.load() * ring2 / (fast2 + V(1e-30)));
        const V gain = root(V(1.0) - (V(1.0) - gain2) * own);
        f.shown.store(gain);
        return gain;
    }

    void follow_band(std::size_t b, V level2, V since, V wet) noexcept {
        auto& band = bands_[b];
        auto& f = follows_[b];
        const V re = band.re.load(), im = band.im.load();
        const V gain = follow_level(b, level2, re * re + im * im, since);
        const V settle = band.settle.load();
        const V settled = f.settled.load(), all = root(f.settled2.load());
        f.settled.store(settled + (V(1.0) - settled) * settle);
        const V next = all + (V(1.0) - all) * settle;
        f.settled2.store(next * next);
        // A resonator that has just been struck holds only part of the ring yet: take that much more of it.
        const V part = smaller((V(1.0) - gain) / larger(next, V(1e-3)), V(1.0)) * wet;
        aim(band.now_re, band.step_re, band.to_re, part * band.take_re.load());
        aim(band.now_im, band.step_im, band.to_im, part * band.take_im.load());
    }

    void aim(Ramp& ramp, V to) noexcept { aim(ramp.now, ramp.step, ramp.to, to); }
    /// From where the last line was to end, not from where rounding left it, to `next` in one hop.
    void aim(PerLane<V>& now, PerLane<V>& step, PerLane<V>& to, V next) noexcept {
        const V from = to.load();
        now.store(from), step.store((next - from) / V(static_cast<double>(hop_))), to.store(next);
    }

    void ramp_wet(std::size_t k) noexcept {
        const double to = engaged(k) ? 1.0 : 0.0;
        exact_[k] = wet_[k] == 0.0 && to == 0.0;
        wet_[k] = wet_[k] < to ? std::min(to, wet_[k] + ramp_) : std::max(to, wet_[k] - ramp_);
    }

    double rate_hz_ = 48'000.0;
    std::size_t hop_ = 16, position_ = 0;
    double high_step_ = 0.0, hold_ = 1.0, rise_ = 1.0, ramp_ = 1.0, quiet_ = 30.0;
    bool idle_ = true;
    std::array<Moving<DampSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{}, exact_{};
    std::array<std::array<bool, kLanes>, kRingBands> used_band_{};
    std::array<std::size_t, kRingBands> used_{};
    std::size_t used_count_ = 0;
    std::array<Band, kRingBands> bands_{};
    std::array<Follow, kStreams> follows_{};
    std::array<PerLane<V>, 2> held_{};
    PerLane<V> shelf_, shelf2_, high_sum_, tail_sum_, since_, wet_;
    Ramp high_, tail_;
    std::array<float, kLongestHop * kLanes> kept_{};
};

} // namespace kitfold::dsp
