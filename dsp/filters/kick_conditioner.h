#pragma once
// What the kick's outer mic needs: high-pass, lifted lows, the cardboard note out, cymbals and snare out,
// level.
#include "core/flush_denormals.h"
#include "core/moving.h"
#include "core/units.h"
#include "filters/state_variable.h"
#include <algorithm>
#include <array>
#include <utility>

namespace kitfold::dsp {

/// The sections that settings stand for, in the order of the signal; for the block, for plots and for tests.
struct KickDesign {
    static constexpr std::size_t kSections = 6; ///< high-pass 2, low shelf, box cut, bleed cut 2
    std::array<Section, kSections> section;
    double gain = 1.0;
    static KickDesign make(double rate_hz, const KickSettings& settings) noexcept;
    /// Response in dB at `hz`.
    [[nodiscard]] double response_db(double hz, double rate_hz) const noexcept;
};

/// The sections while settings move: trapezoidal, which bear coefficients that change with every sample.
struct KickGlide {
    bool on = false;
    std::array<SectionState<double>, KickDesign::kSections> state{};
    double tick(const KickDesign& design, double x) noexcept;
};

/// Kick conditioner for one channel (V = double) or one mic per lane. Latency 0. Never allocates, locks or
/// throws. Rate 8 kHz..384 kHz, any number of frames per call, the same output at any block size. NaN and Inf
/// are taken as silence. Settings glide in 20 ms; the first ones after prepare() or reset() are taken at
/// once.
/// kStride: samples from frame to frame, when the lanes are some of a wider buffer's.
template <class V, std::size_t kStride = Lanes<V>::width> class KickConditioner {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;

    KickConditioner() noexcept { reset(); }

    /// False, and nothing changed, when the rate is out of range. Keeps the settings.
    [[nodiscard]] bool prepare(double rate_hz) noexcept {
        if (!rate_allowed(rate_hz)) return false;
        rate_hz_ = rate_hz;
        for (auto& m : moving_) m.prepare(rate_hz);
        reset();
        return true;
    }

    /// Silence in the filters. Moves end at once.
    void reset() noexcept {
        for (auto& f : filters_) f.forget();
        for (std::size_t k = 0; k < kLanes; ++k) snap(k, moving_[k].aimed());
        fresh_.fill(true);
    }

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const KickSettings& settings, std::size_t lane = 0) noexcept {
        if (const auto* refused = first_refused(settings)) return refused;
        if (fresh_[lane])
            snap(lane, settings);
        else
            moving_[lane].aim(settings);
        return nullptr;
    }

    /// in and out: frames * kStride samples; they may be the same memory. in_use: the first lanes, which have
    /// a mic; what comes out of the others does not matter.
    void process(const float* in, float* out, std::size_t frames, std::size_t in_use = kLanes) noexcept {
        const FlushDenormals guard;
        if (frames > 0) fresh_.fill(false);
        std::size_t n = 0;
        for (; n < frames && moving(); ++n) run_moving(in + n * kStride, out + n * kStride);
        if constexpr (kLanes > 1)
            if (2 * in_use <= kLanes && used_count_ == KickDesign::kSections)
                n += run_folded(in + n * kStride, out + n * kStride, (frames - n) / kFold);
        if (n < frames) run(in + n * kStride, out + n * kStride, frames - n);
    }

private:
    static constexpr std::size_t kFold = 16;
    /// Sections whose numbers fit the registers, and the frames after which the others follow.
    static constexpr std::size_t kAtOnce = KickDesign::kSections / 2, kBlock = 32;

    [[nodiscard]] bool moving() const noexcept {
        for (const auto& m : moving_)
            if (!m.still()) return true;
        return false;
    }

    void snap(std::size_t lane, const KickSettings& settings) noexcept {
        moving_[lane].snap(settings);
        glide_[lane] = {};
        rest(lane);
    }

    /// One frame: the lanes that move, each by itself, and the others as ever.
    void run_moving(const float* in, float* out) noexcept {
        std::array<bool, kLanes> moves;
        std::array<double, kLanes> y;
        for (std::size_t k = 0; k < kLanes; ++k) {
            moves[k] = !moving_[k].still();
            if (!moves[k]) continue;
            if (!glide_[k].on) glide(k);
            moving_[k].step();
            y[k] = glide_[k].tick(design(k), load_finite<double>(in + k));
        }
        run(in, out, 1);
        for (std::size_t k = 0; k < kLanes; ++k) {
            if (!moves[k]) continue;
            Lanes<double>::store(out + k, y[k]);
            if (moving_[k].still()) rest(k);
        }
    }

    [[nodiscard]] KickDesign design(std::size_t lane) const noexcept {
        const auto& m = moving_[lane];
        auto design = KickDesign::make(rate_hz_, m.now());
        if (m.still()) return design;
        auto before = m.now(); // slopes have no value in between: fade from one to the other
        before.high_pass_slope = m.from().high_pass_slope, before.bleed_cut_slope = m.from().bleed_cut_slope;
        const auto old = KickDesign::make(rate_hz_, before);
        for (std::size_t s = 0; s < KickDesign::kSections; ++s)
            design.section[s] = between(old.section[s], design.section[s], m.progress());
        return design;
    }

    /// From direct form to the trapezoidal sections of the same settings.
    void glide(std::size_t lane) noexcept {
        const auto now = KickDesign::make(rate_hz_, moving_[lane].now());
        double gain = 1.0; // of the sections before, which those in direct form leave for the end
        for (std::size_t s = 0; s < KickDesign::kSections; ++s) {
            const auto d = DirectSection::make(now.section[s]);
            const double w1 = gain * filters_[s].w1[lane], w2 = gain * filters_[s].w2[lane];
            glide_[lane].state[s].band[0] = d.band * (w1 - w2),
            glide_[lane].state[s].low[0] = d.low * (w1 + w2);
            gain *= d.gain;
        }
        glide_[lane].on = true;
    }
    /// And back.
    void rest(std::size_t lane) noexcept {
        const auto now = KickDesign::make(rate_hz_, moving_[lane].now());
        double gain = 1.0;
        for (std::size_t s = 0; s < KickDesign::kSections; ++s) {
            const auto d = DirectSection::make(now.section[s]);
            filters_[s].set(lane, d);
            const bool passes = passes_[s][lane] = now.section[s].passes_through();
            const auto& state = glide_[lane].state[s];
            const double difference = passes ? 0.0 : state.band[0] / (gain * d.band),
                         sum = passes ? 0.0 : state.low[0] / (gain * d.low);
            filters_[s].w1[lane] = 0.5 * (sum + difference), filters_[s].w2[lane] = 0.5 * (sum - difference);
            gain *= d.gain;
        }
        gain_[lane] = gain * now.gain;
        glide_[lane].on = false;
        choose_sections();
    }

    /// A section in which every lane passes through is not run.
    void choose_sections() noexcept {
        used_count_ = 0;
        for (std::size_t s = 0; s < KickDesign::kSections; ++s) {
            bool used = false;
            for (std::size_t k = 0; k < kLanes; ++k) used = used || !passes_[s][k];
            if (used) used_[used_count_++] = s;
        }
    }

    void run(const float* in, float* out, std::size_t frames) noexcept {
        switch (used_count_) {
        case 0:
            return run_sections<0>(in, out, frames);
        case 1:
            return run_sections<1>(in, out, frames);
        case 2:
            return run_sections<2>(in, out, frames);
        case 3:
            return run_sections<3>(in, out, frames);
        case 4:
            return run_sections<4>(in, out, frames);
        case 5:
            return run_sections<5>(in, out, frames);
        default:
            return run_sections<6>(in, out, frames);
        }
    }

    template <std::size_t N> void run_sections(const float* in, float* out, std::size_t frames) noexcept {
        std::array<DirectFilter<V>*, N> used;
        for (std::size_t s = 0; s < N; ++s) used[s] = &filters_[used_[s]];
        const auto take = [in](std::size_t n) { return load_finite<V>(in + n * kStride); };
        const auto give = [out, gain = gain_.load()](std::size_t n, V y) {
            Lanes<V>::store(out + n * kStride, y * gain);
        };
        if constexpr (N <= kAtOnce) return pass(used, 0, frames, take, give);
        alignas(64) double between[kBlock * kLanes];
        for (std::size_t n = 0; n < frames; n += kBlock) {
            const std::size_t to = std::min(frames, n + kBlock);
            pass(part<0, std::min(N, kAtOnce)>(used), n, to, take,
                 [&](std::size_t m, V y) { Lanes<V>::store_state(between + (m - n) * kLanes, y); });
            pass(
                part<std::min(N, kAtOnce), N>(used), n, to,
                [&](std::size_t m) { return Lanes<V>::load_state(between + (m - n) * kLanes); }, give);
        }
    }

    template <std::size_t kFrom, std::size_t kTo, std::size_t N>
    static std::array<DirectFilter<V>*, kTo - kFrom>
    part(const std::array<DirectFilter<V>*, N>& filters) noexcept {
        std::array<DirectFilter<V>*, kTo - kFrom> some;
        std::copy_n(filters.begin() + kFrom, kTo - kFrom, some.begin());
        return some;
    }

    /// The filters in series, over frames from..to.
    template <std::size_t N, class Take, class Give>
    static void pass(const std::array<DirectFilter<V>*, N>& filters, std::size_t from, std::size_t to,
                     Take take, Give give) noexcept {
        auto sections = [&]<std::size_t... S>(std::index_sequence<S...>) {
            return std::array<DirectInLoop<V>, N>{DirectInLoop<V>(*filters[S])...};
        }
        (std::make_index_sequence<N>{});
        for (std::size_t n = from; n < to; ++n) {
            V x = take(n);
            for (auto& s : sections) x = s.tick(x);
            give(n, x);
        }
        for (std::size_t s = 0; s < N; ++s) sections[s].keep(*filters[s]);
    }

    /// Sections 3 to 5 in the lanes that have no mic, kFold frames behind sections 0 to 2: half the work.
    /// Returns the frames done.
    std::size_t run_folded(const float* in, float* out, std::size_t blocks) noexcept {
        using Half = typename HalfOf<V>::Type;
        constexpr std::size_t kHalf = Lanes<Half>::width;
        std::array<DirectFilter<V>, kAtOnce> filters, kept;
        for (std::size_t s = 0; s < kAtOnce; ++s) {
            copy_lanes(filters_[s], 0, kHalf, filters[s], 0);
            copy_lanes(filters_[kAtOnce + s], 0, kHalf, filters[s], kHalf);
        }
        alignas(64) double x[kFold * kLanes]{}, y[kFold * kLanes];
        const Half gain = Lanes<Half>::load_state(gain_.lane);
        for (std::size_t block = 0; blocks > 0 && block <= blocks; ++block) {
            for (std::size_t n = 0; block < blocks && n < kFold; ++n)
                Lanes<Half>::store_state(x + n * kLanes,
                                         load_finite<Half>(in + (block * kFold + n) * kStride));
            if (block == 0 || block == blocks) kept = filters;
            pass(
                std::array{&filters[0], &filters[1], &filters[2]}, 0, kFold,
                [&](std::size_t n) { return Lanes<V>::load_state(x + n * kLanes); },
                [&](std::size_t n, V v) { Lanes<V>::store_state(y + n * kLanes, v); });
            for (std::size_t s = 0; s < kAtOnce; ++s) { // those that had nothing to do yet, or no more
                if (block == 0) copy_lanes(kept[s], kHalf, kLanes, filters[s], kHalf);
                if (block == blocks) copy_lanes(kept[s], 0, kHalf, filters[s], 0);
            }
            for (std::size_t n = 0; n < kFold; ++n) {
                const double* done = y + n * kLanes;
                Lanes<Half>::store_state(x + n * kLanes + kHalf, Lanes<Half>::load_state(done));
                if (block > 0)
                    Lanes<Half>::store(out + ((block - 1) * kFold + n) * kStride,
                                       Lanes<Half>::load_state(done + kHalf) * gain);
            }
        }
        for (std::size_t s = 0; s < kAtOnce; ++s) {
            copy_lanes(filters[s], 0, kHalf, filters_[s], 0);
            copy_lanes(filters[s], kHalf, kLanes, filters_[kAtOnce + s], 0);
        }
        return blocks * kFold;
    }
    /// Lanes from..to of one filter to those from `at` on of another.
    static void copy_lanes(const DirectFilter<V>& in, std::size_t from, std::size_t to, DirectFilter<V>& out,
                           std::size_t at) noexcept {
        using F = DirectFilter<V>;
        for (const auto number : {&F::a1, &F::a2, &F::b1, &F::b2, &F::w1, &F::w2})
            std::copy((in.*number).lane + from, (in.*number).lane + to, (out.*number).lane + at);
    }

    double rate_hz_ = 48'000.0;
    std::array<Moving<KickSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{};
    std::array<KickGlide, kLanes> glide_{};
    std::array<DirectFilter<V>, KickDesign::kSections> filters_{};
    std::array<std::array<bool, kLanes>, KickDesign::kSections> passes_{};
    std::array<std::size_t, KickDesign::kSections> used_{};
    std::size_t used_count_ = 0;
    PerLane<V> gain_;
};

} // namespace kitfold::dsp
