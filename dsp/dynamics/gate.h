#pragma once
// A gate: opens when its key is loud, closes with hysteresis, hold and a release that is linear in dB.
#include "core/side_by_side.h"
#include "core/units.h"
#include "dynamics/key_detector.h"
#include <algorithm>
#include <array>
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

/// The gain of a gate from its key's level, applied to the (looked-ahead) signal. Rules as for
/// KickConditioner; the look-ahead delays the signal by latency() samples. kStride: samples from frame to
/// frame.
template <class V, std::size_t kStride = Lanes<V>::width> class GateGain {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;

    GateGain() noexcept { reset(); }

    /// Allocates room for `max_lookahead_ms` (0..10; look-ahead beyond it is held to it). False: rate out of
    /// range.
    [[nodiscard]] bool prepare(double rate_hz, double max_lookahead_ms) {
        if (!rate_allowed(rate_hz)) return false;
        rate_hz_ = rate_hz;
        for (auto& m : moving_) m.prepare(rate_hz);
        room_ = static_cast<std::size_t>(std::lround(rate_hz * max_lookahead_ms / 1000.0));
        past_.assign(room_ == 0 ? 0 : (room_ + 1) * kLanes, 0.0f);
        reset();
        return true;
    }

    /// Closed, silence in the look-ahead. Moves end at once.
    void reset() noexcept {
        std::fill(past_.begin(), past_.end(), 0.0f);
        write_ = 0;
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

    /// Look-ahead in samples, of the settings asked for last.
    [[nodiscard]] std::size_t latency(std::size_t lane = 0) const noexcept {
        return lookahead(moving_[lane].aimed());
    }
    /// Gain at the last sample, linear, and the samples for which the lane's gate has been open since
    /// reset().
    [[nodiscard]] double gain(std::size_t lane = 0) const noexcept {
        return gain_[lane] <= mute_at_[lane] ? 0.0 : gain_[lane];
    }
    [[nodiscard]] double open_samples(std::size_t lane = 0) const noexcept { return open_count_[lane]; }

    /// level: from KeyDetector. in and out may be the same memory; frames * kStride samples each.
    void process(const float* in, const float* level, float* out, std::size_t frames) noexcept {
        const FlushDenormals guard;
        if (frames > 0) fresh_.fill(false);
        std::size_t n = 0;
        for (; n < frames && step_moving(); ++n)
            run(in + n * kStride, level + n * kStride, out + n * kStride, 1);
        if (n < frames) run(in + n * kStride, level + n * kStride, out + n * kStride, frames - n);
    }

    /// The same when the range of the levels in every lane is known: less work while nothing opens or closes.
    void process(const float* in, const float* level, const float* softest, const float* loudest, float* out,
                 std::size_t frames) noexcept {
        bool still = frames > 0;
        for (const auto& m : moving_) still = still && m.still();
        if (!still || !stays(softest, loudest, static_cast<double>(frames)))
            return process(in, level, out, frames);
        const FlushDenormals guard;
        fresh_.fill(false);
        follow(in, out, frames);
    }

private:
    /// Does every lane stay open, or shut, through so many samples? Then low_count_ and open_count_ are
    /// brought to their end.
    bool stays(const float* softest, const float* loudest, double frames) noexcept {
        for (std::size_t k = 0; k < kLanes; ++k) {
            const bool held = loudest[k] < close_level_[k] && low_count_[k] + frames <= hold_[k];
            const bool opens = loudest[k] >= open_level_[k];
            if (open_[k] > 0.0 ? softest[k] < close_level_[k] && !held : opens) return false;
        }
        for (std::size_t k = 0; k < kLanes; ++k) { // of a gate that is shut low_count_ does not matter
            low_count_[k] = loudest[k] < close_level_[k] ? low_count_[k] + frames : 0.0;
            open_count_[k] += open_[k] * frames;
        }
        return true;
    }

    /// run() for samples in which nothing opens or closes: only the gains move, or not even they.
    void follow(const float* in, float* out, std::size_t frames) noexcept {
        const V floor = floor_.load(), mute_at = mute_at_.load(), zero(0.0), one(1.0);
        const V ratio = select(open_.load() > zero, up_.load(), down_.load());
        V gain = larger(gain_.load(), floor);
        const V next = smaller(larger(gain * ratio, floor), one);
        if (!some(either(gain > next, next > gain))) { // and so it stays
            const V shown = select(gain <= mute_at, zero, gain);
            for (std::size_t n = 0; n < frames; ++n)
                Lanes<V>::store(out + n * kStride, looked_ahead(in + n * kStride) * shown);
        } else {
            for (std::size_t n = 0; n < frames; ++n) {
                const V x = looked_ahead(in + n * kStride);
                gain = smaller(larger(gain * ratio, floor), one);
                Lanes<V>::store(out + n * kStride, x * select(gain <= mute_at, zero, gain));
            }
        }
        gain_.store(gain);
    }

    bool step_moving() noexcept {
        bool any = false;
        for (std::size_t k = 0; k < kLanes; ++k)
            if (!moving_[k].still()) moving_[k].step(), update(k), any = true;
        return any;
    }

    [[nodiscard]] std::size_t lookahead(const GateSettings& s) const noexcept {
        return std::min(static_cast<std::size_t>(std::lround(s.lookahead_ms * rate_hz_ / 1000.0)), room_);
    }

    void update(std::size_t lane) noexcept {
        const auto& m = moving_[lane];
        const auto d = GateDesign::make(rate_hz_, m.now());
        open_level_[lane] = d.open_level, close_level_[lane] = d.close_level, hold_[lane] = d.hold;
        floor_[lane] = d.floor, mute_at_[lane] = d.mute_at, up_[lane] = d.up, down_[lane] = d.down;
        back_from_[lane] = lookahead(m.from()), back_to_[lane] = lookahead(m.to());
        fade_[lane] = m.progress();
        direct_ = true;
        for (std::size_t k = 0; k < kLanes; ++k) direct_ = direct_ && back_from_[k] == 0 && back_to_[k] == 0;
    }

    void run(const float* in, const float* level, float* out, std::size_t frames) noexcept {
        const V open_level = open_level_.load(), close_level = close_level_.load(), hold = hold_.load();
        const V floor = floor_.load(), mute_at = mute_at_.load(), up = up_.load(), down = down_.load();
        const V zero(0.0), one(1.0);
        V gain = gain_.load(), open = open_.load(), low_count = low_count_.load(),
          open_count = open_count_.load();
        for (std::size_t n = 0; n < frames; ++n) {
            const V x = looked_ahead(in + n * kStride);
            const V key = Lanes<V>::load(level + n * kStride);
            low_count = select(key < close_level, low_count + one, zero);
            const auto stays = both(open > zero, low_count <= hold);
            const auto is_open = either(key >= open_level, stays);
            open = select(is_open, one, zero);
            open_count = open_count + open;
            gain = select(is_open, smaller(larger(gain, floor) * up, one), larger(gain * down, floor));
            Lanes<V>::store(out + n * kStride, x * select(gain <= mute_at, zero, gain));
        }
        gain_.store(gain), open_.store(open), low_count_.store(low_count), open_count_.store(open_count);
    }

    /// The sample that leaves now, `latency` behind the one that comes in; between two delays while they
    /// change.
    V looked_ahead(const float* in) noexcept {
        if (room_ == 0) return load_finite<V>(in);
        float* newest = past_.data() + write_ * kLanes;
        Lanes<V>::store(newest, load_finite<V>(in));
        const V now = Lanes<V>::load(newest);
        const std::size_t at = write_, length = room_ + 1;
        write_ = write_ + 1 == length ? 0 : write_ + 1;
        if (direct_) return now;
        PerLane<V> x;
        for (std::size_t k = 0; k < kLanes; ++k) {
            const double a = past_[((at + length - back_from_[k]) % length) * kLanes + k];
            const double b = past_[((at + length - back_to_[k]) % length) * kLanes + k];
            x[k] = back_from_[k] == back_to_[k] ? b : a + fade_[k] * (b - a);
        }
        return x.load();
    }

    double rate_hz_ = 48'000.0;
    std::array<Moving<GateSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{};
    PerLane<V> open_level_, close_level_, hold_, floor_, mute_at_, up_, down_; // coefficients
    PerLane<V> gain_, open_, low_count_, open_count_;                          // state
    std::array<std::size_t, kLanes> back_from_{}, back_to_{};
    std::array<double, kLanes> fade_{};
    bool direct_ = true;
    std::size_t room_ = 0, write_ = 0;
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

    /// Allocates; see GateGain::prepare.
    [[nodiscard]] bool prepare(double rate_hz, double max_lookahead_ms = 10.0) {
        for (auto& l : listen_) l.prepare(rate_hz);
        bool ready = detector_.prepare(rate_hz);
        gains_.each(
            [&](auto& gain, std::size_t) { ready = gain.prepare(rate_hz, max_lookahead_ms) && ready; });
        return ready;
    }
    void reset() noexcept {
        detector_.reset();
        gains_.each([](auto& gain, std::size_t) { gain.reset(); });
    }

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const GateSettings& settings, std::size_t lane = 0) noexcept {
        if (const auto* refused = first_refused(settings)) return refused;
        detector_.set(settings, lane);
        gains_.of(lane, [&](auto& gain, std::size_t k) { gain.set(settings, k); });
        listening_[lane] = settings.key_listen != 0.0;
        return nullptr;
    }
    [[nodiscard]] std::size_t latency(std::size_t lane = 0) const noexcept {
        return of<std::size_t>(lane, [](const auto& gain, std::size_t k) { return gain.latency(k); });
    }
    [[nodiscard]] double gain(std::size_t lane = 0) const noexcept {
        return of<double>(lane, [](const auto& gain, std::size_t k) { return gain.gain(k); });
    }
    [[nodiscard]] double open_samples(std::size_t lane = 0) const noexcept {
        return of<double>(lane, [](const auto& gain, std::size_t k) { return gain.open_samples(k); });
    }

    /// key: `in` itself or another signal. in, key and out may be the same memory; frames * kStride samples
    /// each.
    void process(const float* in, const float* key, float* out, std::size_t frames) noexcept {
        for (std::size_t n = 0; n < frames; n += kBlock) {
            const std::size_t count = std::min(kBlock, frames - n), at = n * kStride;
            bool heard = false; // does anybody listen to the key?
            for (std::size_t k = 0; k < kLanes; ++k) heard = heard || listening_[k] || listen_[k].part > 0.0;
            const auto range = detector_.process(key + at, level_, heard ? key_ : nullptr, count);
            gains_.each([&](auto& gain, std::size_t first) {
                gain.process(in + at + first, level_ + first, range.softest.lane + first,
                             range.loudest.lane + first, out + at + first, count);
            });
            for (std::size_t k = 0; heard && k < kLanes; ++k)
                listen_[k].mix(listening_[k], key_ + k, out + at + k, count, kStride);
        }
    }

private:
    static constexpr std::size_t kBlock = 64;

    template <class T, class Use> T of(std::size_t lane, Use use) const noexcept {
        T found{};
        gains_.of(lane, [&](const auto& gain, std::size_t k) { found = use(gain, k); });
        return found;
    }

    KeyDetector<Wide> detector_;
    SideBySide<GateGain<Deep, kStride>...> gains_;
    std::array<KeyListen, kLanes> listen_{};
    std::array<bool, kLanes> listening_{};
    alignas(64) float level_[kBlock * kStride]{};
    alignas(64) float key_[kBlock * kStride]{};
};

} // namespace kitfold::dsp
