#pragma once
// What the kick's outer mic needs: high-pass, lifted lows, the cardboard note out, cymbals and snare out,
// level.
#include "core/flush_denormals.h"
#include "core/moving.h"
#include "core/units.h"
#include "filters/state_variable.h"
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
        state_ = {};
        for (std::size_t k = 0; k < kLanes; ++k) moving_[k].snap(moving_[k].aimed()), update(k);
        fresh_.fill(true);
    }

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const KickSettings& settings, std::size_t lane = 0) noexcept {
        if (const auto* refused = first_refused(settings)) return refused;
        if (fresh_[lane])
            moving_[lane].snap(settings), update(lane);
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
        for (; n < frames && moving(); ++n) {
            for (std::size_t k = 0; k < kLanes; ++k)
                if (!moving_[k].still()) moving_[k].step(), update(k);
            run(in + n * kStride, out + n * kStride, 1);
        }
        if (2 * in_use <= kLanes && used_count_ == KickDesign::kSections)
            n += run_folded(in + n * kStride, out + n * kStride, (frames - n) / kFold);
        if (n < frames) run(in + n * kStride, out + n * kStride, frames - n);
    }

private:
    static constexpr std::size_t kFold = 16;

    [[nodiscard]] bool moving() const noexcept {
        for (const auto& m : moving_)
            if (!m.still()) return true;
        return false;
    }

    void update(std::size_t lane) noexcept {
        const auto& m = moving_[lane];
        auto design = KickDesign::make(rate_hz_, m.now());
        if (!m.still()) { // slopes have no value in between: fade from one to the other
            auto before = m.now();
            before.high_pass_slope = m.from().high_pass_slope,
            before.bleed_cut_slope = m.from().bleed_cut_slope;
            const auto old = KickDesign::make(rate_hz_, before);
            for (std::size_t s = 0; s < KickDesign::kSections; ++s)
                design.section[s] = between(old.section[s], design.section[s], m.progress());
        }
        for (std::size_t s = 0; s < KickDesign::kSections; ++s) {
            coefficients_[s].set(lane, design.section[s]);
            passes_[s][lane] = design.section[s].passes_through();
        }
        gain_[lane] = design.gain;
        choose_sections();
    }

    /// A section in which every lane passes through is not run; its state is silence when it comes back.
    void choose_sections() noexcept {
        used_count_ = 0;
        for (std::size_t s = 0; s < KickDesign::kSections; ++s) {
            bool used = false;
            for (std::size_t k = 0; k < kLanes; ++k) used = used || !passes_[s][k];
            if (used)
                used_[used_count_++] = s;
            else
                state_[s] = {};
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

    template <std::size_t... S> auto in_loop(std::index_sequence<S...>) const noexcept {
        return std::array<SectionInLoop<V>, sizeof...(S)>{
            SectionInLoop<V>{coefficients_[used_[S]], state_[used_[S]]}...};
    }

    template <std::size_t N> void run_sections(const float* in, float* out, std::size_t frames) noexcept {
        auto sections = in_loop(std::make_index_sequence<N>{});
        const V gain = gain_.load();
        for (std::size_t n = 0; n < frames; ++n) {
            V x = load_finite<V>(in + n * kStride);
            for (auto& s : sections) x = s.tick(x);
            Lanes<V>::store(out + n * kStride, x * gain);
        }
        for (std::size_t s = 0; s < N; ++s) sections[s].keep(state_[used_[s]]);
    }

    /// Sections 3 to 5 in the lanes that have no mic, kFold frames behind sections 0 to 2: half the work.
    /// Returns the frames done.
    std::size_t run_folded(const float* in, float* out, std::size_t blocks) noexcept {
        constexpr std::size_t kHalf = kLanes / 2, kOnce = KickDesign::kSections / 2;
        std::array<SectionCoefficients<V>, kOnce> coefficients;
        std::array<SectionState<V>, kOnce> state, kept;
        for (std::size_t s = 0; s < kOnce; ++s) {
            copy_lanes(coefficients_[s], 0, kHalf, coefficients[s], 0);
            copy_lanes(coefficients_[kOnce + s], 0, kHalf, coefficients[s], kHalf);
            copy_lanes(state_[s], 0, kHalf, state[s], 0);
            copy_lanes(state_[kOnce + s], 0, kHalf, state[s], kHalf);
        }
        alignas(64) double x[kFold * kLanes]{}, y[kFold * kLanes];
        for (std::size_t block = 0; blocks > 0 && block <= blocks; ++block) {
            if (block < blocks)
                for (std::size_t n = 0; n < kFold; ++n)
                    for (std::size_t k = 0; k < kHalf; ++k)
                        x[n * kLanes + k] = load_finite<double>(in + (block * kFold + n) * kStride + k);
            if (block == 0 || block == blocks) kept = state;
            tick_block(coefficients, state, x, y);
            for (std::size_t s = 0; s < kOnce; ++s) { // those that had nothing to do yet, or no more
                if (block == 0) copy_lanes(kept[s], kHalf, kLanes, state[s], kHalf);
                if (block == blocks) copy_lanes(kept[s], 0, kHalf, state[s], 0);
            }
            for (std::size_t n = 0; n < kFold; ++n)
                for (std::size_t k = 0; k < kHalf; ++k) {
                    x[n * kLanes + kHalf + k] = y[n * kLanes + k];
                    if (block > 0)
                        out[((block - 1) * kFold + n) * kStride + k] =
                            static_cast<float>(y[n * kLanes + kHalf + k] * gain_[k]);
                }
        }
        for (std::size_t s = 0; s < kOnce; ++s) {
            copy_lanes(state[s], 0, kHalf, state_[s], 0);
            copy_lanes(state[s], kHalf, kLanes, state_[kOnce + s], 0);
        }
        return blocks * kFold;
    }
    template <std::size_t N> static void tick_block(const std::array<SectionCoefficients<V>, N>& c,
                                                    std::array<SectionState<V>, N>& s, const double* x,
                                                    double* y) noexcept {
        SectionInLoop<V> a(c[0], s[0]), b(c[1], s[1]), d(c[2], s[2]);
        for (std::size_t n = 0; n < kFold; ++n)
            Lanes<V>::store_state(y + n * kLanes,
                                  d.tick(b.tick(a.tick(Lanes<V>::load_state(x + n * kLanes)))));
        a.keep(s[0]), b.keep(s[1]), d.keep(s[2]);
    }

    double rate_hz_ = 48'000.0;
    std::array<Moving<KickSettings>, kLanes> moving_{};
    std::array<bool, kLanes> fresh_{};
    std::array<SectionCoefficients<V>, KickDesign::kSections> coefficients_{};
    std::array<SectionState<V>, KickDesign::kSections> state_{};
    std::array<std::array<bool, kLanes>, KickDesign::kSections> passes_{};
    std::array<std::size_t, KickDesign::kSections> used_{};
    std::size_t used_count_ = 0;
    PerLane<V> gain_;
};

} // namespace kitfold::dsp
