#pragma once
// One source for a single channel and for many mics side by side. A block is a template over V: `double` is
// one channel, xsimd::batch<double, Arch> is one mic per SIMD lane. Only operations that round alike in both
// are offered (no fused multiply-add, no reciprocal estimates), so lane k equals the scalar result.
//
// Samples outside a block are float. A lane group's buffer is interleaved: frame n of lane k at [n * width +
// k]; with width 1 that is a plain mono buffer.
#include <cmath>
#include <cstddef>
#if __has_include(<xsimd/xsimd.hpp>)
#include <xsimd/xsimd.hpp>
#endif

namespace kitfold::dsp {

template <class V> struct Lanes;

template <> struct Lanes<double> {
    static constexpr std::size_t width = 1;
    using Mask = bool;
    static double load(const float* p) noexcept { return static_cast<double>(*p); }
    static void store(float* p, double v) noexcept { *p = static_cast<float>(v); }
    static double load_state(const double* p) noexcept { return *p; }
    static void store_state(double* p, double v) noexcept { *p = v; }
};

inline double select(bool mask, double yes, double no) noexcept { return mask ? yes : no; }
inline double larger(double a, double b) noexcept { return a > b ? a : b; }
inline double smaller(double a, double b) noexcept { return a < b ? a : b; }
inline double magnitude(double a) noexcept { return std::fabs(a); }
inline double root(double a) noexcept { return std::sqrt(a); }
inline bool both(bool a, bool b) noexcept { return a && b; }
inline bool either(bool a, bool b) noexcept { return a || b; }
inline bool some(bool a) noexcept { return a; } ///< is any lane set

#ifdef XSIMD_HPP
template <class Arch> struct Lanes<xsimd::batch<double, Arch>> {
    using V = xsimd::batch<double, Arch>;
    using Mask = xsimd::batch_bool<double, Arch>;
    static constexpr std::size_t width = V::size;
    static V load(const float* p) noexcept {
#ifdef __AVX512F__
        if constexpr (width == 8) return V(_mm512_cvtps_pd(_mm256_loadu_ps(p)));
#endif
#ifdef __AVX__
        if constexpr (width == 4) return V(_mm256_cvtps_pd(_mm_loadu_ps(p)));
#endif
#ifdef __SSE2__
        if constexpr (width == 2)
            return V(_mm_cvtps_pd(_mm_castpd_ps(_mm_load_sd(reinterpret_cast<const double*>(p)))));
#endif
        alignas(64) double wide[width];
        for (std::size_t k = 0; k < width; ++k) wide[k] = static_cast<double>(p[k]);
        return V::load_aligned(wide);
    }
    static void store(float* p, V v) noexcept {
#ifdef __AVX512F__
        if constexpr (width == 8) return _mm256_storeu_ps(p, _mm512_cvtpd_ps(v));
#endif
#ifdef __AVX__
        if constexpr (width == 4) return _mm_storeu_ps(p, _mm256_cvtpd_ps(v));
#endif
#ifdef __SSE2__
        if constexpr (width == 2)
            return _mm_store_sd(reinterpret_cast<double*>(p), _mm_castps_pd(_mm_cvtpd_ps(v)));
#endif
        alignas(64) double wide[width];
        v.store_aligned(wide);
        for (std::size_t k = 0; k < width; ++k) p[k] = static_cast<float>(wide[k]);
    }
    static V load_state(const double* p) noexcept { return V::load_aligned(p); }
    static void store_state(double* p, V v) noexcept { v.store_aligned(p); }
};

template <class A> xsimd::batch<double, A>
select(xsimd::batch_bool<double, A> mask, xsimd::batch<double, A> yes, xsimd::batch<double, A> no) noexcept {
    return xsimd::select(mask, yes, no);
}
template <class A>
xsimd::batch<double, A> larger(xsimd::batch<double, A> a, xsimd::batch<double, A> b) noexcept {
    return xsimd::max(a, b);
}
template <class A>
xsimd::batch<double, A> smaller(xsimd::batch<double, A> a, xsimd::batch<double, A> b) noexcept {
    return xsimd::min(a, b);
}
template <class A> xsimd::batch<double, A> magnitude(xsimd::batch<double, A> a) noexcept {
    return xsimd::abs(a);
}
template <class A> xsimd::batch<double, A> root(xsimd::batch<double, A> a) noexcept { return xsimd::sqrt(a); }
template <class A>
xsimd::batch_bool<double, A> both(xsimd::batch_bool<double, A> a, xsimd::batch_bool<double, A> b) noexcept {
    return a && b;
}
template <class A>
xsimd::batch_bool<double, A> either(xsimd::batch_bool<double, A> a, xsimd::batch_bool<double, A> b) noexcept {
    return a || b;
}
template <class A> bool some(xsimd::batch_bool<double, A> a) noexcept { return xsimd::any(a); }
#endif

#ifdef __SSE2__
/// Four rows of four become four columns.
inline void transpose(__m128 (&r)[4]) noexcept { _MM_TRANSPOSE4_PS(r[0], r[1], r[2], r[3]); }
#endif
#ifdef __AVX__
/// Eight rows of eight become eight columns.
inline void transpose(__m256 (&r)[8]) noexcept {
    __m256 pairs[8], quads[8];
    for (int k = 0; k < 8; k += 2)
        pairs[k] = _mm256_unpacklo_ps(r[k], r[k + 1]), pairs[k + 1] = _mm256_unpackhi_ps(r[k], r[k + 1]);
    for (int k = 0; k < 8; k += 4) {
        quads[k] = _mm256_shuffle_ps(pairs[k], pairs[k + 2], 0x44);
        quads[k + 1] = _mm256_shuffle_ps(pairs[k], pairs[k + 2], 0xEE);
        quads[k + 2] = _mm256_shuffle_ps(pairs[k + 1], pairs[k + 3], 0x44);
        quads[k + 3] = _mm256_shuffle_ps(pairs[k + 1], pairs[k + 3], 0xEE);
    }
    for (int k = 0; k < 4; ++k) {
        r[k] = _mm256_permute2f128_ps(quads[k], quads[k + 4], 0x20);
        r[k + 4] = _mm256_permute2f128_ps(quads[k], quads[k + 4], 0x31);
    }
}
#endif

/// Planar rows, one per lane, to the interleaved buffer of a lane group.
template <class V> void interleave(const float* const* in, float* out, std::size_t frames) noexcept {
    constexpr std::size_t kLanes = Lanes<V>::width;
    std::size_t n = 0;
#ifdef __AVX__
    if constexpr (kLanes == 8)
        for (; n + 8 <= frames; n += 8) {
            __m256 rows[8];
            for (std::size_t k = 0; k < 8; ++k) rows[k] = _mm256_loadu_ps(in[k] + n);
            transpose(rows);
            for (std::size_t k = 0; k < 8; ++k) _mm256_storeu_ps(out + (n + k) * kLanes, rows[k]);
        }
#endif
#ifdef __SSE2__
    if constexpr (kLanes == 4)
        for (; n + 4 <= frames; n += 4) {
            __m128 rows[4];
            for (std::size_t k = 0; k < 4; ++k) rows[k] = _mm_loadu_ps(in[k] + n);
            transpose(rows);
            for (std::size_t k = 0; k < 4; ++k) _mm_storeu_ps(out + (n + k) * kLanes, rows[k]);
        }
#endif
    for (; n < frames; ++n)
        for (std::size_t k = 0; k < kLanes; ++k) out[n * kLanes + k] = in[k][n];
}

/// The way back.
template <class V> void deinterleave(const float* in, float* const* out, std::size_t frames) noexcept {
    constexpr std::size_t kLanes = Lanes<V>::width;
    std::size_t n = 0;
#ifdef __AVX__
    if constexpr (kLanes == 8)
        for (; n + 8 <= frames; n += 8) {
            __m256 rows[8];
            for (std::size_t k = 0; k < 8; ++k) rows[k] = _mm256_loadu_ps(in + (n + k) * kLanes);
            transpose(rows);
            for (std::size_t k = 0; k < 8; ++k) _mm256_storeu_ps(out[k] + n, rows[k]);
        }
#endif
#ifdef __SSE2__
    if constexpr (kLanes == 4)
        for (; n + 4 <= frames; n += 4) {
            __m128 rows[4];
            for (std::size_t k = 0; k < 4; ++k) rows[k] = _mm_loadu_ps(in + (n + k) * kLanes);
            transpose(rows);
            for (std::size_t k = 0; k < 4; ++k) _mm_storeu_ps(out[k] + n, rows[k]);
        }
#endif
    for (; n < frames; ++n)
        for (std::size_t k = 0; k < kLanes; ++k) out[k][n] = in[n * kLanes + k];
}

/// One number per lane, as a block keeps its coefficients and its state between calls.
template <class V> struct alignas(64) PerLane {
    double lane[Lanes<V>::width]{};
    [[nodiscard]] V load() const noexcept { return Lanes<V>::load_state(lane); }
    void store(V v) noexcept { Lanes<V>::store_state(lane, v); }
    void fill(double value) noexcept {
        for (auto& x : lane) x = value;
    }
    double& operator[](std::size_t k) noexcept { return lane[k]; }
    double operator[](std::size_t k) const noexcept { return lane[k]; }
};

/// A sample as a block takes it in: NaN and Inf become silence here, so that they never reach a filter's
/// state.
template <class V> V load_finite(const float* p) noexcept {
    const V x = Lanes<V>::load(p);
    return select(magnitude(x) <= V(3.4028234663852886e38), x, V(0.0));
}

} // namespace kitfold::dsp
