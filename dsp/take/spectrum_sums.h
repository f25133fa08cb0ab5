#pragma once
// Sums over the spectra of many hits. Complex numbers by their parts, of which vector code can be made:
// std::complex looks for NaN in every product. The same numbers on every processor.
#include <complex>
#include <cstddef>
#include <span>

namespace kitfold::dsp {

/// x[k] *= y[k]. @pre as many of each, here and below; none overlap
void multiply(std::span<std::complex<float>> x, std::span<const std::complex<float>> y) noexcept;
/// sum[k] += x[k]
void add(std::span<const std::complex<float>> x, std::span<std::complex<float>> sum) noexcept;
/// sum[k] += conj(x[k]) y[k]
void add_cross(std::span<const std::complex<float>> x, std::span<const std::complex<float>> y,
               std::span<std::complex<float>> sum) noexcept;
/// sum[k] += |x[k]|^2
void add_power(std::span<const std::complex<float>> x, std::span<float> sum) noexcept;

} // namespace kitfold::dsp
