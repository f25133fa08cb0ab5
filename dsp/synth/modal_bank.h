#pragma once
// A bank of decaying modes: sum_k A_k exp(-alpha_k t) sin(omega_k t), the state kept from stroke to stroke,
// so that a second stroke meets a head that still moves.
#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <cstddef>
#include <numbers>
#include <span>
#include <vector>
#include <xsimd/xsimd.hpp>

namespace kitfold::dsp {

struct Mode {
    double hz = 100.0;
    double alpha = 10.0; ///< 1/s; T60 = 6.908 / alpha
};

/// T60 in ms of a decay exp(-alpha t), and back: ln(1000) = 6.9078.
inline double ring_ms_from_alpha(double alpha) noexcept { return 1000.0 * std::numbers::ln10 * 3.0 / alpha; }
inline double alpha_from_ring_ms(double ring_ms) noexcept {
    return 1000.0 * std::numbers::ln10 * 3.0 / ring_ms;
}

/// Modes at 0.46 of the rate and above are silent. T is double where long, low modes must keep their decay,
/// float where there are hundreds of modes.
template <class T> class ModalBank {
    using Batch = xsimd::batch<T>;
    static constexpr std::size_t kWidth = Batch::size;
    static constexpr std::size_t kGroup = 2 * kWidth;

public:
    static constexpr std::size_t kChunk = 32; ///< samples in one run at most

    ModalBank(double rate_hz, std::vector<Mode> modes) : rate_hz_(rate_hz), modes_(std::move(modes)) {
        const std::size_t padded = (modes_.size() + kGroup - 1) / kGroup * kGroup;
        for (auto* v : {&re_, &im_, &pole_re_, &pole_im_}) v->assign(padded, T(0));
        bend(1.0, 1.0);
    }

    [[nodiscard]] std::span<const Mode> modes() const noexcept { return modes_; }

    /// Multiplies every frequency and every alpha; 1, 1 is as made. Costs a complex exponential per mode.
    void bend(double pitch, double damping) {
        if (pitch == pitch_ && damping == damping_) return;
        pitch_ = pitch, damping_ = damping;
        for (std::size_t k = 0; k < modes_.size(); ++k) {
            const auto pole = exp_of(k, 1.0 / rate_hz_);
            pole_re_[k] = static_cast<T>(pole.real()), pole_im_[k] = static_cast<T>(pole.imag());
        }
    }

    /// Adds a stroke that began `since_s` (0 or more) before the next sample. Exact between samples.
    void strike(std::span<const double> amplitudes, double since_s) {
        for (std::size_t k = 0; k < modes_.size(); ++k) {
            if (modes_[k].hz >= 0.46 * rate_hz_) continue;
            const auto z = amplitudes[k] * exp_of(k, since_s);
            re_[k] += static_cast<T>(z.real()), im_[k] += static_cast<T>(z.imag());
        }
        sounding_ = true;
    }

    [[nodiscard]] bool sounding() const noexcept { return sounding_; }

    /// Adds the next samples to `out`. @pre out.size() <= kChunk
    void run(std::span<float> out) noexcept {
        if (!sounding_) return;
        std::array<Batch, kChunk> sum;
        std::fill_n(sum.begin(), out.size(), Batch(T(0)));
        for (std::size_t k = 0; k < re_.size(); k += kGroup) turn(k, std::span(sum).first(out.size()));
        for (std::size_t n = 0; n < out.size(); ++n) {
            alignas(64) std::array<T, kWidth> lanes;
            sum[n].store_aligned(lanes.data());
            T total = 0;
            for (const T lane : lanes) total += lane;
            out[n] += static_cast<float>(total);
        }
        if (energy() < 1e-18) fall_silent();
    }

private:
    [[nodiscard]] std::complex<double> exp_of(std::size_t k, double seconds) const {
        return std::exp(std::complex<double>(-modes_[k].alpha * damping_,
                                             2.0 * std::numbers::pi * modes_[k].hz * pitch_) *
                        seconds);
    }
    void turn(std::size_t k,
              std::span<Batch> sum) noexcept { // two batches at once hide the latency of the product
        auto re0 = Batch::load_unaligned(&re_[k]), im0 = Batch::load_unaligned(&im_[k]);
        auto re1 = Batch::load_unaligned(&re_[k + kWidth]), im1 = Batch::load_unaligned(&im_[k + kWidth]);
        const auto pr0 = Batch::load_unaligned(&pole_re_[k]), pi0 = Batch::load_unaligned(&pole_im_[k]);
        const auto pr1 = Batch::load_unaligned(&pole_re_[k + kWidth]),
                   pi1 = Batch::load_unaligned(&pole_im_[k + kWidth]);
        for (auto& s : sum) {
            s += im0 + im1;
            const auto next0 = re0 * pr0 - im0 * pi0, next1 = re1 * pr1 - im1 * pi1;
            im0 = re0 * pi0 + im0 * pr0, im1 = re1 * pi1 + im1 * pr1;
            re0 = next0, re1 = next1;
        }
        re0.store_unaligned(&re_[k]), im0.store_unaligned(&im_[k]);
        re1.store_unaligned(&re_[k + kWidth]), im1.store_unaligned(&im_[k + kWidth]);
    }
    [[nodiscard]] double energy() const noexcept {
        T sum = 0;
        for (std::size_t k = 0; k < re_.size(); ++k) sum += re_[k] * re_[k] + im_[k] * im_[k];
        return static_cast<double>(sum);
    }
    void fall_silent() noexcept {
        std::fill(re_.begin(), re_.end(), T(0));
        std::fill(im_.begin(), im_.end(), T(0));
        sounding_ = false;
    }

    double rate_hz_;
    std::vector<Mode> modes_;
    double pitch_ = 0.0, damping_ = 0.0;
    std::vector<T> re_, im_, pole_re_, pole_im_;
    bool sounding_ = false;
};

} // namespace kitfold::dsp
