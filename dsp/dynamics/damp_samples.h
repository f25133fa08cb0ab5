#pragma once
// Damp, the audio between two hops: the bands, the top and the tail, sample by sample.
#include "core/finite.h"
#include "core/flush_denormals.h"
#include "dynamics/damp.h"
#include <algorithm>

namespace kitfold::dsp {

template <class V>
void Damp<V>::process(const float* in, float* out, std::size_t frames, std::size_t in_use) noexcept {
    const FlushDenormals guard;
    if (frames > 0) fresh_.fill(false);
    while (frames > 0) {
        if (position_ == 0) move();
        const std::size_t n = std::min(frames, hop_ - position_);
        if (idle_)
            copy(in, out, n);
        else
            run(in, out, n, in_use);
        in += n * kLanes, out += n * kLanes, frames -= n, position_ += n;
        if (position_ < hop_) continue;
        position_ = 0;
        if (!idle_) follow();
    }
}

template <class V> void Damp<V>::copy(const float* in, float* out, std::size_t frames) noexcept {
    for (std::size_t n = 0; n < frames * kLanes; ++n) out[n] = finite_or_silence(in[n]);
}

/// Part of a hop. An open lane gets its input itself: arithmetic would lose denormals and -0.
template <class V>
void Damp<V>::run(const float* in, float* out, std::size_t frames, std::size_t in_use) noexcept {
    bool some_open = false;
    for (std::size_t k = 0; k < in_use; ++k) some_open = some_open || exact_[k] > 0.5;
    if (!some_open) return run_used(in, out, frames);
    copy(in, open_, frames);
    run_used(in, out, frames);
    for (std::size_t k = 0; k < in_use; ++k)
        for (std::size_t n = 0; exact_[k] > 0.5 && n < frames; ++n)
            out[n * kLanes + k] = open_[n * kLanes + k];
}

template <class V> void Damp<V>::run_used(const float* in, float* out, std::size_t frames) noexcept {
    switch (used_count_) {
    case 0:
        run_bands<0>(in, out, frames);
        break;
    case 1:
        run_bands<1>(in, out, frames);
        break;
    case 2:
        run_bands<2>(in, out, frames);
        break;
    case 3:
        run_bands<3>(in, out, frames);
        break;
    case 4:
        run_bands<4>(in, out, frames);
        break;
    case 5:
        run_bands<5>(in, out, frames);
        break;
    default:
        run_bands<6>(in, out, frames);
    }
}

template <class V> struct Damp<V>::BandInLoop {
    V pole_re, pole_im, re, im, now_re, now_im, step_re, step_im;
    explicit BandInLoop(const Band& b) noexcept
        : pole_re(b.pole_re.load()), pole_im(b.pole_im.load()), re(b.re.load()), im(b.im.load()),
          now_re(b.now_re.load()), now_im(b.now_im.load()), step_re(b.step_re.load()),
          step_im(b.step_im.load()) {}
    /// What is to be taken from x.
    V tick(V x) noexcept {
        const V next = pole_re * re - pole_im * im + x;
        im = pole_re * im + pole_im * re;
        re = next;
        now_re = now_re + step_re, now_im = now_im + step_im;
        return now_re * re + now_im * im;
    }
    void keep(Band& b) const noexcept {
        b.re.store(re), b.im.store(im), b.now_re.store(now_re), b.now_im.store(now_im);
    }
};

template <class V> struct Damp<V>::ShelfInLoop {
    V scale, rise, by_first, by_high, first, fed_back, top, top_step, band, band_step;
    explicit ShelfInLoop(const Shelf& s) noexcept
        : scale(s.scale.load()), rise(s.rise.load()), by_first(s.by_first.load()), by_high(s.by_high.load()),
          first(s.first.load()), fed_back(s.fed_back.load()), top(s.top.now.load()),
          top_step(s.top.step.load()), band(s.band.now.load()), band_step(s.band.step.load()) {}
    /// x without what is to be taken from it; adds the energy of the top.
    V tick(V x, V& sum) noexcept {
        top = top + top_step, band = band + band_step;
        const V high = scale * x - fed_back, was = first;
        fed_back = fed_back + by_first * was + by_high * high;
        first = was + rise * high;
        sum = sum + high * high;
        return x - top * high - band * was;
    }
    void keep(Shelf& s) const noexcept {
        s.first.store(first), s.fed_back.store(fed_back), s.top.now.store(top), s.band.now.store(band);
    }
};

template <class V> template <std::size_t... B>
auto Damp<V>::in_loop(std::index_sequence<B...>) const noexcept {
    return std::array<BandInLoop, sizeof...(B)>{BandInLoop(bands_[used_[B]])...};
}

template <class V> template <std::size_t N>
void Damp<V>::run_bands(const float* in, float* out, std::size_t frames) noexcept {
    auto bands = in_loop(std::make_index_sequence<N>{});
    ShelfInLoop shelf(high_);
    V tail = tail_.now.load();
    V high_sum = broad_[0].sum.load(), tail_sum = broad_[1].sum.load();
    const V tail_step = tail_.step.load();
    V most = most_.now.load();
    const V most_step = most_.step.load();
    for (std::size_t n = 0; n < frames; ++n) {
        V x = load_finite<V>(in + n * kLanes);
        tail_sum = tail_sum + x * x;
        tail = tail + tail_step;
        x = shelf.tick(x, high_sum);
        if constexpr (N > 0) {
            V less = bands[0].tick(x);
            for (std::size_t b = 1; b < N; ++b) less = less + bands[b].tick(x);
            most = most + most_step;
            x = x - larger(-most, smaller(most, less));
        }
        Lanes<V>::store(out + n * kLanes, x * tail);
    }
    for (std::size_t b = 0; b < N; ++b) bands[b].keep(bands_[used_[b]]);
    shelf.keep(high_), tail_.now.store(tail), most_.now.store(most);
    broad_[0].sum.store(high_sum), broad_[1].sum.store(tail_sum);
}

} // namespace kitfold::dsp
