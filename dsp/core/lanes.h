#pragma once
// One source for a single channel and for many mics side by side. A block is a template over V: `double` or
// `float` is one channel, xsimd::batch<double or float, Arch> is one mic per SIMD lane. Only operations that
// round alike in both are offered (no fused multiply-add, no reciprocal estimates), so lane k equals the
// scalar result. float where its 24 bits do (twice the mics per instruction), double for filters with a long
// memory.
//
// Samples outside a block are float. A lane group's buffer is interleaved: frame n of lane k at [n * width +
// k]; with width 1 that is a plain mono buffer.
#include <cmath>
#include <concepts>
#include <cstddef>
#include <type_traits>
#if __has_include(<xsimd/xsimd.hpp>)
#include <xsimd/xsimd.hpp>
#endif

namespace kitfold::dsp {

template <class V> struct Lanes;

template <> struct Lanes<double> {
    static constexpr std::size_t width = 1;
    static constexpr double largest =
        3.4028234663852886e38; ///< sample that a block takes for sound: all there are
    using Number = double;
    using Mask = bool;
    static double load(const float* p) noexcept { return static_cast<double>(*p); }
    static void store(float* p, double v) noexcept { *p = static_cast<float>(v); }
    static double load_state(const double* p) noexcept { return *p; }
    static void store_state(double* p, double v) noexcept { *p = v; }
};

template <> struct Lanes<float> {
    static constexpr std::size_t width = 1;
    static constexpr float largest = 1e15f; ///< 300 dB over full scale: energies of it stay finite
    using Number = float;
    using Mask = bool;
    static float load(const float* p) noexcept { return *p; }
    static void store(float* p, float v) noexcept { *p = v; }
    static float load_state(const float* p) noexcept { return *p; }
    static void store_state(float* p, float v) noexcept { *p = v; }
};

/// Half as many lanes; of two lanes, and of one, it is a number.
template <class V> struct HalfOf { using Type = V; };

template <std::floating_point T> T select(bool mask, T yes, T no) noexcept { return mask ? yes : no; }
template <std::floating_point T> T larger(T a, T b) noexcept { return a > b ? a : b; }
template <std::floating_point T> T smaller(T a, T b) noexcept { return a < b ? a : b; }
template <std::floating_point T> T magnitude(T a) noexcept { return std::fabs(a); }
template <std::floating_point T> T root(T a) noexcept { return std::sqrt(a); }
inline bool both(bool a, bool b) noexcept { return a && b; }
inline bool either(bool a, bool b) noexcept { return a || b; }
inline bool some(bool a) noexcept { return a; } ///< is any lane set

#ifdef XSIMD_HPP
template <class Arch> struct Lanes<xsimd::batch<double, Arch>> {
    using V = xsimd::batch<double, Arch>;
    using Mask = xsimd::batch_bool<double, Arch>;
    using Number = double;
    static constexpr std::size_t width = V::size;
    static constexpr double largest = Lanes<double>::largest;
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

template <class Arch> struct Lanes<xsimd::batch<float, Arch>> {
    using V = xsimd::batch<float, Arch>;
    using Number = float;
    using Mask = xsimd::batch_bool<float, Arch>;
    static constexpr std::size_t width = V::size;
    static constexpr float largest = Lanes<float>::largest;
    static V load(const float* p) noexcept { return V::load_unaligned(p); }
    static void store(float* p, V v) noexcept { v.store_unaligned(p); }
    static V load_state(const float* p) noexcept { return V::load_aligned(p); }
    static void store_state(float* p, V v) noexcept { v.store_aligned(p); }
};

template <class T, class Arch> struct HalfOf<xsimd::batch<T, Arch>> {
    using Sized = xsimd::make_sized_batch_t<T, xsimd::batch<T, Arch>::size / 2>;
    using Type = std::conditional_t<std::is_void_v<Sized>, T, Sized>;
};

// select() of batches is xsimd's own
template <class T, class A> xsimd::batch<T, A> larger(xsimd::batch<T, A> a, xsimd::batch<T, A> b) noexcept {
    return xsimd::max(a, b);
}
template <class T, class A> xsimd::batch<T, A> smaller(xsimd::batch<T, A> a, xsimd::batch<T, A> b) noexcept {
    return xsimd::min(a, b);
}
template <class T, class A> xsimd::batch<T, A> magnitude(xsimd::batch<T, A> a) noexcept {
    return xsimd::abs(a);
}
template <class T, class A> xsimd::batch<T, A> root(xsimd::batch<T, A> a) noexcept { return xsimd::sqrt(a); }
template <class T, class A>
xsimd::batch_bool<T, A> both(xsimd::batch_bool<T, A> a, xsimd::batch_bool<T, A> b) noexcept {
    return a && b;
}
template <class T, class A>
xsimd::batch_bool<T, A> either(xsimd::batch_bool<T, A> a, xsimd::batch_bool<T, A> b) noexcept {
    return a || b;
}
template <class T, class A> bool some(xsimd::batch_bool<T, A> a) noexcept { return xsimd::any(a); }
#endif

#ifdef __SSE2__
inline void load(const float* p, __m128& r) noexcept { r = _mm_loadu_ps(p); }
inline void store(float* p, __m128 r) noexcept { _mm_storeu_ps(p, r); }
/// Four rows of four become four columns.
inline void transpose(__m128 (&r)[4]) noexcept { _MM_TRANSPOSE4_PS(r[0], r[1], r[2], r[3]); }
#endif
#ifdef __AVX__
inline void load(const float* p, __m256& r) noexcept { r = _mm256_loadu_ps(p); }
inline void store(float* p, __m256 r) noexcept { _mm256_storeu_ps(p, r); }
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

/// N planar rows to N columns of a buffer that is `stride` wide; Row holds N samples.
template <class Row, std::size_t N>
void rows_to_columns(const float* const* in, float* out, std::size_t stride, std::size_t frames) noexcept {
    std::size_t n = 0;
    for (; n + N <= frames; n += N) {
        Row rows[N];
        for (std::size_t k = 0; k < N; ++k) load(in[k] + n, rows[k]);
        transpose(rows);
        for (std::size_t k = 0; k < N; ++k) store(out + (n + k) * stride, rows[k]);
    }
    for (; n < frames; ++n)
        for (std::size_t k = 0; k < N; ++k) out[n * stride + k] = in[k][n];
}
/// The way back.
template <class Row, std::size_t N>
void columns_to_rows(const float* in, float* const* out, std::size_t stride, std::size_t frames) noexcept {
    std::size_t n = 0;
    for (; n + N <= frames; n += N) {
        Row rows[N];
        for (std::size_t k = 0; k < N; ++k) load(in + (n + k) * stride, rows[k]);
        transpose(rows);
        for (std::size_t k = 0; k < N; ++k) store(out[k] + n, rows[k]);
    }
    for (; n < frames; ++n)
        for (std::size_t k = 0; k < N; ++k) out[k][n] = in[n * stride + k];
}

#ifdef __SSE2__
/// rows_to_columns() for two: what is left of ten mics.
inline void two_rows_to_columns(const float* const* in, float* out, std::size_t stride,
                                std::size_t frames) noexcept {
    std::size_t n = 0;
    for (; n + 4 <= frames; n += 4) {
        const __m128 a = _mm_loadu_ps(in[0] + n), b = _mm_loadu_ps(in[1] + n);
        const __m128 first = _mm_unpacklo_ps(a, b), last = _mm_unpackhi_ps(a, b);
        const auto pair = [&](std::size_t k) { return reinterpret_cast<__m64*>(out + (n + k) * stride); };
        _mm_storel_pi(pair(0), first), _mm_storeh_pi(pair(1), first);
        _mm_storel_pi(pair(2), last), _mm_storeh_pi(pair(3), last);
    }
    for (; n < frames; ++n) out[n * stride] = in[0][n], out[n * stride + 1] = in[1][n];
}
/// The way back.
inline void two_columns_to_rows(const float* in, float* const* out, std::size_t stride,
                                std::size_t frames) noexcept {
    std::size_t n = 0;
    for (; n + 4 <= frames; n += 4) {
        const auto pair = [&](std::size_t k) {
            return reinterpret_cast<const __m64*>(in + (n + k) * stride);
        };
        const __m128 first = _mm_loadh_pi(_mm_loadl_pi(_mm_setzero_ps(), pair(0)), pair(1));
        const __m128 last = _mm_loadh_pi(_mm_loadl_pi(_mm_setzero_ps(), pair(2)), pair(3));
        _mm_storeu_ps(out[0] + n, _mm_shuffle_ps(first, last, 0x88));
        _mm_storeu_ps(out[1] + n, _mm_shuffle_ps(first, last, 0xDD));
    }
    for (; n < frames; ++n) out[0][n] = in[n * stride], out[1][n] = in[n * stride + 1];
}
#endif

/// Planar rows of the first `lanes` lanes to the interleaved buffer of a lane group; its other lanes stay as
/// they are.
template <class V>
void interleave(const float* const* in, float* out, std::size_t lanes, std::size_t frames) noexcept {
    constexpr std::size_t kLanes = Lanes<V>::width;
    std::size_t k = 0;
#ifdef __AVX__
    for (; k + 8 <= lanes; k += 8) rows_to_columns<__m256, 8>(in + k, out + k, kLanes, frames);
#endif
#ifdef __SSE2__
    for (; k + 4 <= lanes; k += 4) rows_to_columns<__m128, 4>(in + k, out + k, kLanes, frames);
    for (; k + 2 <= lanes; k += 2) two_rows_to_columns(in + k, out + k, kLanes, frames);
#endif
    for (; k < lanes; ++k)
        for (std::size_t n = 0; n < frames; ++n) out[n * kLanes + k] = in[k][n];
}

/// The way back.
template <class V>
void deinterleave(const float* in, float* const* out, std::size_t lanes, std::size_t frames) noexcept {
    constexpr std::size_t kLanes = Lanes<V>::width;
    std::size_t k = 0;
#ifdef __AVX__
    for (; k + 8 <= lanes; k += 8) columns_to_rows<__m256, 8>(in + k, out + k, kLanes, frames);
#endif
#ifdef __SSE2__
    for (; k + 4 <= lanes; k += 4) columns_to_rows<__m128, 4>(in + k, out + k, kLanes, frames);
    for (; k + 2 <= lanes; k += 2) two_columns_to_rows(in + k, out + k, kLanes, frames);
#endif
    for (; k < lanes; ++k)
        for (std::size_t n = 0; n < frames; ++n) out[k][n] = in[n * kLanes + k];
}

/// One number per lane, as a block keeps its coefficients and its state between calls.
template <class V> struct alignas(64) PerLane {
    using Number = typename Lanes<V>::Number;
    /// One lane's, set from double wherever it was worked out.
    struct Slot {
        Number& number;
        Slot& operator=(double value) noexcept { return number = static_cast<Number>(value), *this; }
        Slot& operator=(const Slot& other) noexcept { return number = other.number, *this; }
        void operator+=(double value) noexcept { *this = number + value; }
        operator Number() const noexcept { return number; }
    };
    Number lane[Lanes<V>::width]{};
    [[nodiscard]] V load() const noexcept { return Lanes<V>::load_state(lane); }
    void store(V v) noexcept { Lanes<V>::store_state(lane, v); }
    void fill(double value) noexcept {
        for (auto& x : lane) x = static_cast<Number>(value);
    }
    Slot operator[](std::size_t k) noexcept { return {lane[k]}; }
    Number operator[](std::size_t k) const noexcept { return lane[k]; }
};

/// The same number in every lane.
template <class V> V every(double value) noexcept { return V(static_cast<typename Lanes<V>::Number>(value)); }

/// Silence where a sample is NaN, Inf or beyond `largest`.
template <class V> V finite(V x, V largest = every<V>(Lanes<V>::largest)) noexcept {
    return select(magnitude(x) <= largest, x, V(0));
}

/// A sample as a block takes it in, so that nothing it can't bear reaches a filter's state.
template <class V> V load_finite(const float* p) noexcept { return finite(Lanes<V>::load(p)); }

} // namespace kitfold::dsp
