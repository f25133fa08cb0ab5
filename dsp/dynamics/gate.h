#pragma once
// A gate: opens when its key is loud, closes with hysteresis, hold and a release that is linear in dB.
#include "core/side_by_side.h"
#include "core/units.h"
#include "dynamics/key_detector.h"
#include <algorithm>
#include <array>
#include <bit>
#include <vector>

namespace kitfold::dsp {

/// What one gate's settings come to in samples and ratios.
struct GateDesign {
    double open_level;  ///< opens at or above, linear
    double close_level; ///< may close below, linear
    double hold;        ///< samples
    double floor;       ///< gain when closed; -100 dB stands for full mute while it moves
    double mute_at;     ///< at or under this gain the output is exactly silent; -1: never
    double up,
        down; ///< gain ratio per sample: attack runs from floor to 1, release from 1 to floor, linear in dB
    static GateDesign make(double rate_hz, const GateSettings& settings) noexcept;
};

/// The gain of a gate from its key's level. Rules as for KickConditioner. kStride: samples from frame to
/// frame.
template <class V, std::size_t kStride = Lanes<V>::width> class GateGain {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;

    GateGain() noexcept { reset(); }

    /// False: rate out of range.
    [[nodiscard]] bool prepare(double rate_hz) noexcept {
        if (!rate_allowed(rate_hz)) return false;
        rate_hz_ = rate_hz;
        for (auto& m : moving_) m.prepare(rate_hz);
        reset();
        return true;
    }

    /// Closed. Moves end at once.
    void reset() noexcept {
        for (std::size_t k = 0; k < kLanes; ++k) moving_[k].snap(moving_[k].aimed()), update(k);
        gain_ = floor_, open_ = {}, low_count_ = {}, open_count_ = {};
        fresh_.fill(true);
    }

    /// `settings` must be in range.
    void set(const GateSettings& settings, std::size_t lane = 0) noexcept {
        if (fresh_[lane])
            moving_[lane].snap(settings), update(lane), gain_[lane] = floor_[lane];
        else
            moving_[lane].aim(settings);
    }

    /// Gain at the last sample, linear, and the samples for which the lane's gate has been open since
    /// reset().
    [[nodiscard]] double gain(std::size_t lane = 0) const noexcept {
        return gain_[lane] <= mute_at_[lane] ? 0.0 : gain_[lane];
    }
    [[nodiscard]] double open_samples(std::size_t lane = 0) const noexcept { return open_count_[lane]; }

    /// level: from KeyDetector; gain: linear, of every sample. frames * kStride samples each.
    void process(const float* level, float* gain, std::size_t frames) noexcept {
        const FlushDenormals guard;
        if (frames > 0) fresh_.fill(false);
        std::size_t n = 0;
        for (; n < frames && step_moving(); ++n) run(level + n * kStride, gain + n * kStride, 1);
        if (n < frames) run(level + n * kStride, gain + n * kStride, frames - n);
    }

    /// Does every lane stay open, or shut, through so many samples of levels in this range? Then process()
    /// may be replaced by stay() and InLoop.
    [[nodiscard]] bool stays(const float* softest, const float* loudest, std::size_t frames) const noexcept {
        for (std::size_t k = 0; k < kLanes; ++k) {
            const bool held = held_low(loudest[k], k, frames) <= hold_[k] && loudest[k] < close_level_[k];
            const bool opens = loudest[k] >= open_level_[k];
            if (!moving_[k].still() || (open_[k] > 0.0 ? softest[k] < close_level_[k] && !held : opens))
                return false;
        }
        return true;
    }
    void stay(const float* loudest, std::size_t frames) noexcept {
        fresh_.fill(false);
        for (std::size_t k = 0; k < kLanes; ++k) { // of a gate that is shut low_count_ does not matter
            low_count_[k] = held_low(loudest[k], k, frames);
            open_count_[k] += open_[k] * static_cast<double>(frames);
        }
    }

    /// Gains in registers for samples in which nothing opens or closes.
    struct InLoop {
        V gain, ratio, floor, mute_at;
        explicit InLoop(const GateGain& g) noexcept
            : gain(larger(g.gain_.load(), g.floor_.load())),
              ratio(select(g.open_.load() > V(0.0), g.up_.load(), g.down_.load())), floor(g.floor_.load()),
              mute_at(g.mute_at_.load()) {}
        [[nodiscard]] V next() const noexcept { return smaller(larger(gain * ratio, floor), V(1.0)); }
        [[nodiscard]] bool still() const noexcept { return !some(either(gain > next(), next() > gain)); }
        void tick() noexcept { gain = next(); }
        void show(float* to) const noexcept { Lanes<V>::store(to, select(gain <= mute_at, V(0.0), gain)); }
        void keep(GateGain& g) const noexcept { g.gain_.store(gain); }
    };

private:
    double held_low(double loudest, std::size_t k, std::size_t frames) const noexcept {
        return loudest < close_level_[k] ? low_count_[k] + static_cast<double>(frames) : 0.0;
    }

    bool step_moving() noexcept {
        bool any = false;
        for (std::size_t k = 0; k < kLanes; ++k)
            if (!moving_[k].still()) moving_[k].step(), update(k), any = true;
        return any;
    }

    void update(std::size_t lane) noexcept {
        const auto d = GateDesign::make(rate_hz_, moving_[lane].now());
        open_level_[lane] = d.open_level, close_level_[lane] = d.close_level, hold_[lane] = d.hold;
        floor_[lane] = d.floor, mute_at_[lane] = d.mute_at, up_[lane] = d.up, down_[lane] = d.down;
    }

    void run(const float* level, float* out, std::size_t frames) noexcept {
        const V open_level = open_level_.load(), close_level = close_level_.load(), hold = hold_.load();
        const V floor = floor_.load(), mute_at = mute_at_.load(), up = up_.load(), down = down_.load();
        const V zero(0.0), one(1.0);
        V gain = gain_.load(), open = open_.load(), low_count = low_count_.load(),
          open_count = open_count_.load();
        for (std::size_t n = 0; n < frames; ++n) {
            const V key = Lanes<V>::load(level + n * kStride);
            low_count = select(key < close_level, low_count + one, zero);
            const auto stays = both(open > zero, low_count <= hold);
            const auto is_open = either(key >= open_level, stays);
            open = select(is_open, one, zero);
            open_count = open_count + open;
            gain = select(is_open, smaller(larger(gain, floor) * up, one), larger(gain * down, floor));
            Lanes<V>::store(out + n * kStride, select(gain <= mute_at, zero, gain));
        }
        gain_.store(gain), open_.store(open), low_count_.store(low_count), open_count_.store(open_count);
    }

    double rate_hz_ = 48'000.0;
    std::array<Moving<GateSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{};
    PerLane<V> open_level_, close_level_, hold_, floor_, mute_at_, up_, down_; // coefficients
    PerLane<V> gain_, open_, low_count_, open_count_;                          // state
};

/// The signal of a gate, late by its look-ahead, times its gain. A lane of float each. Rules as for
/// KickConditioner.
template <class V> class LookAhead {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;
    static constexpr std::size_t kMaxFrames = 64; ///< of one process() call

    /// Allocates room for `max_lookahead_ms` (0..10; look-ahead beyond it is held to it). The rate must be
    /// allowed.
    void prepare(double rate_hz, double max_lookahead_ms) {
        rate_hz_ = rate_hz;
        for (auto& m : moving_) m.prepare(rate_hz);
        room_ = static_cast<std::size_t>(std::lround(rate_hz * max_lookahead_ms / 1000.0));
        frames_ = room_ == 0 ? 0 : std::bit_ceil(room_ + kMaxFrames);
        past_.assign(frames_ * kLanes, 0.0f);
        reset();
    }
    void reset() noexcept {
        std::fill(past_.begin(), past_.end(), 0.0f);
        write_ = 0;
        for (auto& m : moving_) m.snap(m.aimed());
        fresh_.fill(true);
    }
    /// Reads the look-ahead of `settings`, which must be in range.
    void set(const GateSettings& settings, std::size_t lane = 0) noexcept {
        fresh_[lane] ? moving_[lane].snap(settings) : moving_[lane].aim(settings);
    }
    /// Look-ahead in samples, of the settings asked for last.
    [[nodiscard]] std::size_t latency(std::size_t lane = 0) const noexcept {
        return samples(moving_[lane].aimed());
    }

    /// in, out (which may be the same memory): frames * kLanes samples; gain: a row of them every `step`
    /// samples.
    void process(const float* in, const float* gain, std::size_t step, float* out,
                 std::size_t frames) noexcept {
        const FlushDenormals guard;
        if (frames > 0) fresh_.fill(false);
        const float* late = in;
        if (room_ > 0) delay(in, out, frames), late = out;
        for (std::size_t n = 0; n < frames; ++n)
            Lanes<V>::store(out + n * kLanes,
                            load_finite<V>(late + n * kLanes) * Lanes<V>::load(gain + n * step));
    }

private:
    [[nodiscard]] std::size_t samples(const GateSettings& s) const noexcept {
        return std::min(static_cast<std::size_t>(std::lround(s.lookahead_ms * rate_hz_ / 1000.0)), room_);
    }

    void delay(const float* in, float* out, std::size_t frames) noexcept {
        for (std::size_t n = 0; n < frames; ++n) {
            const V x = load_finite<V>(in + n * kLanes);
            Lanes<V>::store(row(write_ + n), x), Lanes<V>::store(out + n * kLanes, x);
        }
        for (std::size_t k = 0; k < kLanes; ++k) {
            auto& m = moving_[k];
            std::size_t n = 0;
            for (; n < frames && !m.still(); ++n) { // between two delays while they change
                m.step();
                const double from = row(write_ + n - samples(m.from()))[k],
                             to = row(write_ + n - samples(m.to()))[k];
                out[n * kLanes + k] = static_cast<float>(from + m.progress() * (to - from));
            }
            const std::size_t back = samples(m.to());
            for (; back > 0 && n < frames; ++n) out[n * kLanes + k] = row(write_ + n - back)[k];
        }
        write_ = (write_ + frames) & (frames_ - 1);
    }
    [[nodiscard]] float* row(std::size_t frame) noexcept {
        return past_.data() + (frame & (frames_ - 1)) * kLanes;
    }

    double rate_hz_ = 48'000.0;
    std::array<Moving<GateSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{};
    std::size_t room_ = 0, frames_ = 0, write_ = 0; ///< frames_: length of the ring, a power of two
    std::vector<float> past_;
};

/// Crossfade of a gate's output to its key and back, 20 ms. One channel, every `stride`th sample.
struct KeyListen {
    double part = 0.0, step = 1.0 / 960.0;
    void prepare(double rate_hz) noexcept { part = 0.0, step = 1000.0 / (rate_hz * kMoveMs); }
    void mix(bool listening, const float* key, float* out, std::size_t frames, std::size_t stride) noexcept {
        if (!listening && part == 0.0) return;
        for (std::size_t n = 0; n < frames; ++n) {
            part = listening ? std::min(part + step, 1.0) : std::max(part - step, 0.0);
            out[n * stride] += static_cast<float>(part) * (key[n * stride] - out[n * stride]);
        }
    }
};

/// Detector and gain together: a gate for one channel, Gate<float, double>, or one mic per lane: the detector
/// in lanes of float (Wide), the gains, which take up to 4 s at 384 kHz, beside each other in lanes of
/// double. Buffers are as wide as Wide; what is in lanes that no Deep has does not matter. Rules as for
/// KickConditioner.
template <class Wide, class... Deep> class Gate {
public:
    static constexpr std::size_t kStride = Lanes<Wide>::width, kLanes = (Lanes<Deep>::width + ...);
    static_assert(kLanes <= kStride);

    /// Allocates; see LookAhead::prepare. False: rate out of range.
    [[nodiscard]] bool prepare(double rate_hz, double max_lookahead_ms = 10.0) {
        if (!detector_.prepare(rate_hz)) return false;
        for (auto& l : listen_) l.prepare(rate_hz);
        gains_.each([&](auto& gain, std::size_t) { (void)gain.prepare(rate_hz); });
        signal_.prepare(rate_hz, max_lookahead_ms);
        return true;
    }
    void reset() noexcept {
        detector_.reset(), signal_.reset();
        gains_.each([](auto& gain, std::size_t) { gain.reset(); });
    }

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const GateSettings& settings, std::size_t lane = 0) noexcept {
        if (const auto* refused = first_refused(settings)) return refused;
        detector_.set(settings, lane), signal_.set(settings, lane);
        gains_.of(lane, [&](auto& gain, std::size_t k) { gain.set(settings, k); });
        listening_[lane] = settings.key_listen;
        return nullptr;
    }
    [[nodiscard]] std::size_t latency(std::size_t lane = 0) const noexcept { return signal_.latency(lane); }
    [[nodiscard]] double gain(std::size_t lane = 0) const noexcept {
        return of<double>(lane, [](const auto& gain, std::size_t k) { return gain.gain(k); });
    }
    [[nodiscard]] double open_samples(std::size_t lane = 0) const noexcept {
        return of<double>(lane, [](const auto& gain, std::size_t k) { return gain.open_samples(k); });
    }

    /// key: `in` itself or another signal. in, key and out may be the same memory; frames * kStride samples
    /// each.
    void process(const float* in, const float* key, float* out, std::size_t frames) noexcept {
        const FlushDenormals guard;
        for (std::size_t n = 0; n < frames; n += kBlock) {
            const std::size_t count = std::min(kBlock, frames - n), at = n * kStride;
            bool heard = false; // does anybody listen to the key?
            for (std::size_t k = 0; k < kLanes; ++k) heard = heard || listening_[k] || listen_[k].part > 0.0;
            const auto range = detector_.process(key + at, level_, heard ? key_ : nullptr, count);
            const std::size_t step = find_gains(range, count);
            signal_.process(in + at, gain_, step, out + at, count);
            for (std::size_t k = 0; heard && k < kLanes; ++k)
                listen_[k].mix(listening_[k], key_ + k, out + at + k, count, kStride);
        }
    }

private:
    static constexpr std::size_t kBlock = LookAhead<Wide>::kMaxFrames;

    /// Gains of some frames; returns how many samples one row is from the next, 0 when all are the same.
    std::size_t find_gains(const LevelRange<Wide>& range, std::size_t frames) noexcept {
        bool stay = true; // less to do while nothing opens or closes
        gains_.each([&](const auto& gain, std::size_t first) {
            stay = stay && gain.stays(range.softest.lane + first, range.loudest.lane + first, frames);
        });
        if (stay) {
            gains_.each(
                [&](auto& gain, std::size_t first) { gain.stay(range.loudest.lane + first, frames); });
            return follow(frames);
        }
        gains_.each(
            [&](auto& gain, std::size_t first) { gain.process(level_ + first, gain_ + first, frames); });
        return kStride;
    }
    /// All of the blocks of double in one loop, because each of them waits for its last gain.
    std::size_t follow(std::size_t frames) noexcept {
        return gains_.together([&](auto&... gain) {
            std::tuple loops{typename std::remove_reference_t<decltype(gain)>::InLoop(gain)...};
            const auto each = [&](auto use) { std::apply([&](auto&... g) { (use(g), ...); }, loops); };
            const auto show = [&](float* to) {
                each([&](auto& g) { g.show(to), to += Lanes<decltype(g.gain)>::width; });
            };
            bool still = true;
            each([&](auto& g) { still = still && g.still(); });
            if (still) return show(gain_), std::size_t{0};
            for (std::size_t n = 0; n < frames; ++n)
                each([](auto& g) { g.tick(); }), show(gain_ + n * kStride);
            std::apply([&](auto&... g) { (g.keep(gain), ...); }, loops);
            return kStride;
        });
    }

    template <class T, class Use> T of(std::size_t lane, Use use) const noexcept {
        T found{};
        gains_.of(lane, [&](const auto& gain, std::size_t k) { found = use(gain, k); });
        return found;
    }

    KeyDetector<Wide> detector_;
    SideBySide<GateGain<Deep, kStride>...> gains_;
    std::array<KeyListen, kLanes> listen_{};
    std::array<bool, kLanes> listening_{};
    LookAhead<Wide> signal_;
    alignas(64) float level_[kBlock * kStride]{};
    alignas(64) float gain_[kBlock * kStride]{}; ///< lanes that no Deep has stay 0
    alignas(64) float key_[kBlock * kStride]{};
};

} // namespace kitfold::dsp
