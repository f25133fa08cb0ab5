#pragma once
// Takes bleed down in close mics, for a bounce: it needs every mic, a learned take and 43 ms.
#include "bleed/bleed_transfer.h"
#include "core/fft.h"
#include <complex>
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// The powers V_i of all mics in each window and bin are explained by the powers P_j of the drums as their
/// own mics would have them, V_i ~ Σ_j λ_ij P_j with learned λ (BleedTransfer): P by the multiplicative
/// updates for the Kullback-Leibler divergence (D. D. Lee and H. S. Seung, "Algorithms for non-negative
/// matrix factorization", NIPS 13, 2001), λ standing still. Mic i is then multiplied by the Wiener gain
///     own / (own + kOver bleed),   own = λ_id P_d of its own drum d,   bleed = Σ_j≠d λ_ij P_j,
/// never under -reduction_db. After E. K. Kokkinis, J. D. Reiss and J. Mourjopoulos, "A Wiener filter
/// approach to microphone leakage reduction in close-microphone applications", IEEE TASLP 20(3), 2012, and T.
/// Prätzlich et al., "Kernel additive modeling for interference reduction in multi-channel music recordings",
/// ICASSP 2015 (both cited from memory).
///
/// Square-root Hann windows, half overlapped, before and after: with nothing to take down a reduced mic comes
/// out as it went in but for rounding, every other mic sample for sample. All come latency() samples late,
/// the same samples at any block size. process() never allocates, locks or throws (FFTW plans are made in
/// prepare()), but its work comes in bursts of one window: for a bounce, not for a plug-in. NaN and Inf in a
/// mic are silence to the masks.
class BleedReducer {
public:
    /// By how much bleed is overrated (power), so that strokes that bleed more than most are taken down too.
    static constexpr float kOver = 2.0f;

    /// Allocates. reduction_db[m] for each of the take's mics, 0: left alone. Mics that cannot be reduced,
    /// since the transfer does not know their drum, are left alone too: reduces() tells. False: rate
    /// (8'000..384'000) or number of mics (1..32) out of range.
    [[nodiscard]] bool prepare(double rate_hz, std::span<const TakeMic> mics, const BleedTransfer& transfer,
                               std::span<const double> reduction_db);
    void reset() noexcept;

    [[nodiscard]] std::size_t latency() const noexcept { return size_; }
    [[nodiscard]] bool reduces(std::size_t mic) const noexcept { return own_[mic] != kNone; }

    /// mics[m]: `frames` samples of each, in place. @pre prepared
    void process(float* const* mics, std::size_t frames) noexcept;

    /// The gains of the last whole window, one per bin; @pre reduces(mic). Windows end at each latency() / 2
    /// samples since reset().
    [[nodiscard]] std::span<const float> gains(std::size_t mic) const noexcept {
        return {gain_.data() + mic * bins_, bins_};
    }

private:
    static constexpr std::size_t kNone = ~std::size_t{0};

    void window_ready() noexcept;
    void transform() noexcept;
    void explain() noexcept;
    void model() noexcept;
    void mask(std::size_t mic) noexcept;
    void overlap_add(std::size_t mic) noexcept;
    [[nodiscard]] float* row(std::vector<float>& rows, std::size_t index) const noexcept {
        return rows.data() + index * bins_;
    }
    [[nodiscard]] const float* path(std::size_t source, std::size_t mic) const noexcept {
        return transfer_.data() + (source * mics_ + mic) * bins_;
    }

    std::size_t mics_ = 0, sources_ = 0, size_ = 0, bins_ = 0, position_ = 0, filled_ = 0;
    std::unique_ptr<RealFft> fft_;
    std::vector<std::size_t> own_;      ///< each mic's source, or kNone
    std::vector<float> floor_;          ///< of the gain, per mic
    std::vector<float> transfer_, sum_; ///< [source][mic][bin]; [source][bin]: over the mics
    std::vector<char> heard_;           ///< [source][mic]: any of it not 0
    std::vector<float> window_;
    std::vector<float> past_, out_; ///< [mic][size]: rings of what came in and what goes out
    std::vector<float> frame_, power_, model_, level_, gain_; ///< [mic or source][bin]
    std::vector<float> factor_;
    std::vector<std::complex<float>> spectra_; ///< [mic][bin]
};

} // namespace kitfold::dsp
