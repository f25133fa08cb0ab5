#include "take/spectrum_sums.h"
#include "core/vector_clones.h"

namespace kitfold::dsp {

namespace {

using Complex = std::complex<float>;

// A complex number is two floats side by side, by the standard.
const float* parts(std::span<const Complex> x) noexcept { return reinterpret_cast<const float*>(x.data()); }
float* parts(std::span<Complex> x) noexcept { return reinterpret_cast<float*>(x.data()); }

KITFOLD_VECTOR_CLONES void multiply_parts(float* __restrict a, const float* __restrict b, std::size_t count) {
    for (std::size_t k = 0; k < 2 * count; k += 2) {
        const float re = a[k] * b[k] - a[k + 1] * b[k + 1], im = a[k] * b[k + 1] + a[k + 1] * b[k];
        a[k] = re, a[k + 1] = im;
    }
}

KITFOLD_VECTOR_CLONES void add_parts(const float* __restrict a, float* __restrict sum, std::size_t count) {
    for (std::size_t k = 0; k < 2 * count; ++k) sum[k] += a[k];
}

KITFOLD_VECTOR_CLONES void add_cross_parts(const float* __restrict a, const float* __restrict b,
                                           float* __restrict sum, std::size_t count) {
    for (std::size_t k = 0; k < 2 * count; k += 2) {
        sum[k] += a[k] * b[k] + a[k + 1] * b[k + 1];
        sum[k + 1] += a[k] * b[k + 1] - a[k + 1] * b[k];
    }
}

KITFOLD_VECTOR_CLONES void add_power_of_parts(const float* __restrict a, float* __restrict sum,
                                              std::size_t count) {
    for (std::size_t k = 0; k < count; ++k) sum[k] += a[2 * k] * a[2 * k] + a[2 * k + 1] * a[2 * k + 1];
}

} // namespace

void multiply(std::span<Complex> x, std::span<const Complex> y) noexcept {
    multiply_parts(parts(x), parts(y), x.size());
}

void add(std::span<const Complex> x, std::span<Complex> sum) noexcept {
    add_parts(parts(x), parts(sum), x.size());
}

void add_cross(std::span<const Complex> x, std::span<const Complex> y, std::span<Complex> sum) noexcept {
    add_cross_parts(parts(x), parts(y), parts(sum), x.size());
}

void add_power(std::span<const Complex> x, std::span<float> sum) noexcept {
    add_power_of_parts(parts(x), sum.data(), x.size());
}

} // namespace kitfold::dsp
