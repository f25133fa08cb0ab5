#include "hits/null_beam.h"
#include "core/fft.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <optional>

namespace kitfold::dsp {

namespace {

using Spectrum = std::vector<std::complex<float>>;
constexpr double kFilterSeconds = 0.16; // twice the filter's length: what is learned from wraps around
constexpr double kFrame_s = 0.001;      // of a scan
constexpr double kFromHz = 700.0;       // what is compared is what the upper bands hear

/// h, and where in it the sample at the same time is.
struct Filter {
    std::vector<float> taps;
    std::size_t ahead = 0;
};

/// The two mics, samples by which each file is late.
struct Mics {
    const Take& take;
    OverheadPair pair;
    std::int64_t left_late = 0, right_late = 0;
    /// Samples from `at` on, by the common clock.
    void left(std::int64_t at, std::span<float> out) const { take.read(pair.left, at + left_late, out); }
    void right(std::int64_t at, std::span<float> out) const { take.read(pair.right, at + right_late, out); }
};

/// Spectra that a source leaves in the pair, added up.
struct Spectra {
    RealFft fft;
    std::vector<double> left, right;
    std::vector<std::complex<double>> both;

    explicit Spectra(std::size_t size)
        : fft(size), left(fft.bins()), right(fft.bins()), both(fft.bins()), window_(size), x_(size),
          l_(fft.bins()), r_(fft.bins()) {
        for (std::size_t n = 0; n < size; ++n)
            window_[n] =
                static_cast<float>(0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * static_cast<double>(n) /
                                                        static_cast<double>(size)));
    }
    void add(std::span<const float> l, std::span<const float> r) {
        transform(l, l_), transform(r, r_);
        for (std::size_t k = 0; k < l_.size(); ++k) {
            const std::complex<double> a(l_[k]), b(r_[k]);
            left[k] += std::norm(a), right[k] += std::norm(b), both[k] += std::conj(a) * b;
        }
    }

private:
    void transform(std::span<const float> in, Spectrum& out) {
        for (std::size_t n = 0; n < in.size(); ++n) x_[n] = window_[n] * in[n];
        fft.forward(x_, out);
    }
    std::vector<float> window_, x_;
    Spectrum l_, r_;
};

Spectra listen(const Mics& mics, std::span<const std::ptrdiff_t> strokes, std::size_t size) {
    constexpr double kFirst_s = 0.03, kLast_s = 0.6; // in which it rings alone, more or less
    constexpr std::size_t kMostStrokes = 40;
    const double rate_hz = mics.take.rate_hz;
    Spectra s(size);
    const auto length = static_cast<std::size_t>((kLast_s - kFirst_s) * rate_hz);
    std::vector<float> left(length), right(length);
    for (const auto stroke : strokes.first(std::min(strokes.size(), kMostStrokes))) {
        const auto at = std::llround((static_cast<double>(stroke) * kFrame_s + kFirst_s) * rate_hz);
        mics.left(at, left), mics.right(at, right);
        for (std::size_t from = 0; from + size <= length; from += size / 4)
            s.add(std::span(left).subspan(from, size), std::span(right).subspan(from, size));
    }
    return s;
}

/// None where the left one tells little of the right one.
std::optional<Filter> learn(Spectra& s, double rate_hz) {
    constexpr double kMostLeft = 0.3; // of the right one's power
    constexpr double kNothing = 1e-9; // re the loudest bin
    constexpr double kAhead_s = 0.002;
    const auto size = s.fft.size();
    const double least = kNothing * *std::max_element(s.left.begin(), s.left.end());
    double rest = 0.0, all = 0.0;
    Spectrum h(s.fft.bins());
    for (std::size_t k = 0; k < h.size(); ++k) {
        const auto ratio = s.both[k] / (s.left[k] + least);
        h[k] = std::complex<float>(ratio);
        if (static_cast<double>(k) * rate_hz < kFromHz * static_cast<double>(size)) continue;
        all += s.right[k], rest += s.right[k] - std::norm(s.both[k]) / (s.left[k] + least);
    }
    if (!(least > 0.0 && all > kNothing * least) || rest > kMostLeft * all) return std::nullopt;
    std::vector<float> response(size);
    s.fft.inverse(h, response);
    // From just before the direct sound on: what looks ahead would smear a stroke to before its beginning.
    const auto loudest = std::max_element(response.begin(), response.end(),
                                          [](float a, float b) { return std::abs(a) < std::abs(b); });
    const auto peak = (static_cast<std::size_t>(loudest - response.begin()) + size / 8) % size;
    const auto first = peak - std::min(peak, static_cast<std::size_t>(kAhead_s * rate_hz));
    Filter out{std::vector<float>(size / 2), size / 8};
    for (std::size_t n = first; n < out.taps.size(); ++n)
        out.taps[n] = response[(n + size - out.ahead) % size];
    return out;
}

/// right - h * left, block by block (overlap-save).
ScanFeatures scan_rest(const Mics& mics, const Filter& filter) {
    const auto size = 4 * filter.taps.size(), step = size - filter.taps.size();
    const RealFft fft(size);
    std::vector<float> x(size), right(step);
    Spectrum h(fft.bins()), bins(fft.bins());
    std::copy(filter.taps.begin(), filter.taps.end(), x.begin());
    fft.forward(x, h);
    const auto length = mics.take.length;
    MicScan scan(mics.take.rate_hz, mics.take.seconds());
    const auto before =
        static_cast<std::int64_t>(filter.taps.size()) - static_cast<std::int64_t>(filter.ahead);
    for (std::int64_t at = 0; at < length; at += static_cast<std::int64_t>(step)) {
        mics.left(at - before, x);
        fft.forward(x, bins);
        for (std::size_t k = 0; k < bins.size(); ++k) bins[k] *= h[k];
        fft.inverse(bins, x);
        const auto count = static_cast<std::size_t>(std::min<std::int64_t>(length - at, std::ssize(right)));
        const auto part = std::span(right).first(count);
        mics.right(at, part);
        for (std::size_t n = 0; n < count; ++n) part[n] -= x[filter.taps.size() + n];
        scan.push(part);
    }
    return scan.finish();
}

} // namespace

NullBeam::NullBeam(const Take& take, OverheadPair pair, std::span<const Ear> ears,
                   std::span<const std::ptrdiff_t> strokes) {
    if (strokes.empty()) return;
    auto size = std::size_t{1};
    while (static_cast<double>(size) < kFilterSeconds * take.rate_hz) size *= 2;
    const auto late = [&](std::size_t mic) {
        return std::llround(static_cast<double>(ears[mic].lag) * kFrame_s * take.rate_hz);
    };
    const Mics mics{take, pair, late(pair.left), late(pair.right)};
    auto spectra = listen(mics, strokes, size);
    if (const auto filter = learn(spectra, take.rate_hz)) scan_ = scan_rest(mics, *filter);
}

std::vector<std::ptrdiff_t> NullBeam::steps() const {
    constexpr std::ptrdiff_t kApart = 12, kBefore = 12, kGap = 2, kAfter = 6;
    constexpr float kLeast = 2.0f, kFloor = 1e-10f; // doublings over all bands; power
    const auto frames = static_cast<std::ptrdiff_t>(scan_.frames());
    std::vector<double> upto(static_cast<std::size_t>(frames + 1) * kCourseBands);
    for (std::ptrdiff_t f = 0; f < frames; ++f)
        for (std::size_t b = 0; b < kCourseBands; ++b) {
            const auto i = static_cast<std::size_t>(f) * kCourseBands + b;
            upto[i + kCourseBands] = upto[i] + static_cast<double>(energy(f, b));
        }
    const auto mean = [&](std::ptrdiff_t first, std::ptrdiff_t last, std::size_t b) {
        const auto at = [&](std::ptrdiff_t f) {
            return upto[static_cast<std::size_t>(f) * kCourseBands + b];
        };
        return static_cast<float>((at(last) - at(first)) / static_cast<double>(last - first)) + kFloor;
    };
    std::vector<float> doublings(static_cast<std::size_t>(frames));
    for (auto f = kBefore; f + kAfter <= frames; ++f)
        for (std::size_t b = 0; b < kCourseBands; ++b)
            doublings[static_cast<std::size_t>(f)] +=
                std::max(0.0f, quick_log2(mean(f, f + kAfter, b) / mean(f - kBefore, f - kGap, b)));
    return peaks(frames, kApart, kLeast, [&](std::ptrdiff_t f) {
        return f >= 0 && f < frames ? doublings[static_cast<std::size_t>(f)] : 0.0f;
    });
}

} // namespace kitfold::dsp
