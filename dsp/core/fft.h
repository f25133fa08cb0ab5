#pragma once
// Real Fourier transforms of one size, by FFTW in single precision.
#include <complex>
#include <cstddef>
#include <memory>
#include <span>

namespace kitfold::dsp {

/// A plan for one size. Making one locks and allocates: never in the audio path. forward and inverse are
/// const, do not allocate and may run on several threads at once. Same input, same bits.
class RealFft {
public:
    explicit RealFft(std::size_t size); ///< @pre size >= 2; products of 2, 3 and 5 are fast
    ~RealFft();
    RealFft(RealFft&&) noexcept;
    RealFft& operator=(RealFft&&) noexcept;

    [[nodiscard]] std::size_t size() const noexcept { return size_; }
    [[nodiscard]] std::size_t bins() const noexcept { return size_ / 2 + 1; }

    /// out[k] = sum_n in[n] exp(-2 pi i k n / size). @pre in.size() == size(), out.size() == bins()
    void forward(std::span<const float> in, std::span<std::complex<float>> out) const noexcept;
    /// Undoes forward, 1 / size included. @pre in.size() == bins(), out.size() == size()
    void inverse(std::span<const std::complex<float>> in, std::span<float> out) const noexcept;

private:
    struct Plans;
    std::size_t size_;
    std::unique_ptr<Plans> plans_;
};

/// The smallest 2^a 3^b 5^c that is even and at least `least`.
std::size_t fast_fft_size(std::size_t least) noexcept;

} // namespace kitfold::dsp
