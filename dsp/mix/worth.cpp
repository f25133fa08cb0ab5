#include "mix/worth.h"
#include "core/fft.h"
#include "filters/k_weighting.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>
#include <optional>

namespace kitfold::dsp {
namespace {

constexpr double kInfinity = std::numeric_limits<double>::infinity();
constexpr std::size_t kFft = 4'096;

constexpr std::size_t kLanes = 8; // independent sums, so that the compiler may use vectors
float dot(const float* a, const float* b, std::size_t n) {
    std::array<float, kLanes> sum{};
    std::size_t i = 0;
    for (; i + kLanes <= n; i += kLanes)
        for (std::size_t l = 0; l < kLanes; ++l) sum[l] += a[i + l] * b[i + l];
    float total = 0.0f;
    for (; i < n; ++i) total += a[i] * b[i];
    for (const float s : sum) total += s;
    return total;
}

} // namespace

struct WorthMeter::Impl {
    std::vector<StereoGain> gains;
    std::size_t mics, hop;
    std::vector<KWeighting<double>> weighting; // one per mic
    std::vector<std::vector<float>> weighted;  // one hop per mic
    std::size_t filled = 0;
    std::vector<std::vector<float>> powers; // per hop: upper triangle of the mics' cross powers
    RealFft fft{kFft};
    std::vector<float> window;
    std::vector<std::vector<float>> frame; // kFft per mic
    std::size_t framed = 0;
    std::vector<std::vector<std::complex<float>>> spectra;
    std::array<std::vector<double>, kOctaveHz.size()> octave; // the same triangle, summed over all frames
    std::array<std::pair<std::size_t, std::size_t>, kOctaveHz.size()> bins;

    Impl(double rate_hz, std::vector<StereoGain> g)
        : gains(std::move(g)), mics(gains.size()), hop(std::size_t(std::lround(rate_hz / 10.0))),
          weighting(mics, KWeighting<double>(rate_hz)), weighted(mics, std::vector<float>(hop)), window(kFft),
          frame(mics, std::vector<float>(kFft)),
          spectra(mics, std::vector<std::complex<float>>(kFft / 2 + 1)) {
        for (std::size_t n = 0; n < kFft; ++n)
            window[n] = float(0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * double(n) / double(kFft)));
        for (std::size_t o = 0; o < octave.size(); ++o) {
            octave[o].assign(mics * (mics + 1) / 2, 0.0);
            const auto bin = [&](double hz) {
                return std::min(kFft / 2, std::size_t(std::lround(hz / rate_hz * double(kFft))));
            };
            bins[o] = {bin(kOctaveHz[o] / std::numbers::sqrt2), bin(kOctaveHz[o] * std::numbers::sqrt2)};
        }
    }

    void close_hop() {
        auto& p = powers.emplace_back();
        for (std::size_t i = 0; i < mics; ++i)
            for (std::size_t j = i; j < mics; ++j)
                p.push_back(dot(weighted[i].data(), weighted[j].data(), hop));
        filled = 0;
    }

    void close_frame() {
        for (std::size_t m = 0; m < mics; ++m) {
            for (std::size_t n = 0; n < kFft; ++n) frame[m][n] *= window[n];
            fft.forward(frame[m], spectra[m]);
        }
        for (std::size_t o = 0; o < octave.size(); ++o) {
            const auto [from, to] = bins[o];
            std::size_t at = 0;
            for (std::size_t i = 0; i < mics; ++i)
                for (std::size_t j = i; j < mics; ++j, ++at) { // real part of the cross spectrum
                    const auto* a = reinterpret_cast<const float*>(spectra[i].data() + from);
                    const auto* b = reinterpret_cast<const float*>(spectra[j].data() + from);
                    if (to > from) octave[o][at] += dot(a, b, 2 * (to - from));
                }
        }
        framed = 0;
    }

    /// Power of left and right together without mic `out`, from a triangle of cross powers.
    template <class T>
    [[nodiscard]] double power(const std::vector<T>& triangle, std::optional<std::size_t> out) const {
        double sum = 0.0;
        std::size_t at = 0;
        for (std::size_t i = 0; i < mics; ++i)
            for (std::size_t j = i; j < mics; ++j, ++at) {
                if (i == out || j == out) continue;
                const double g = gains[i].left * gains[j].left + gains[i].right * gains[j].right;
                sum += (i == j ? 1.0 : 2.0) * g * double(triangle[at]);
            }
        return std::max(0.0, sum);
    }

    /// Where a mic's own power stands in the triangle.
    [[nodiscard]] std::size_t place(std::size_t mic) const {
        std::size_t at = 0;
        for (std::size_t i = 0; i < mic; ++i) at += mics - i;
        return at;
    }

    /// Change of the power without a mic over the hops in which that mic is loudest, dB.
    [[nodiscard]] double change_at_its_loudest_db(std::size_t mic) const {
        constexpr float kUnder = 0.1f;
        const std::size_t own = place(mic);
        float most = 0.0f;
        for (const auto& p : powers) most = std::max(most, p[own]);
        double with = 0.0, without = 0.0;
        for (const auto& p : powers)
            if (p[own] > kUnder * most) with += power(p, {}), without += power(p, mic);
        if (!(with > 0.0)) return 0.0;
        return without > 0.0 ? 10.0 * std::log10(without / with) : -kInfinity;
    }

    /// Integrated loudness (annex 1): 400 ms blocks every 100 ms, gates at -70 LUFS and 10 LU under the
    /// ungated mean.
    [[nodiscard]] double loudness(std::optional<std::size_t> out) const {
        std::vector<double> hops, blocks;
        for (const auto& p : powers) hops.push_back(power(p, out) / double(hop));
        for (std::size_t i = 0; i + 4 <= hops.size(); ++i)
            blocks.push_back((hops[i] + hops[i + 1] + hops[i + 2] + hops[i + 3]) / 4.0);
        const auto lufs = [](double mean) {
            return mean > 0.0 ? -0.691 + 10.0 * std::log10(mean) : -kInfinity;
        };
        double gate = -70.0;
        for (int pass = 0; pass < 2; ++pass) {
            double sum = 0.0, count = 0.0;
            for (const double b : blocks)
                if (lufs(b) >= gate) sum += b, count += 1.0;
            if (count == 0.0) return -kInfinity;
            if (pass == 1) return lufs(sum / count);
            gate = std::max(-70.0, lufs(sum / count) - 10.0);
        }
        return -kInfinity;
    }
};

WorthMeter::WorthMeter(double rate_hz, std::vector<StereoGain> gains)
    : impl_(std::make_unique<Impl>(rate_hz, std::move(gains))) {}
WorthMeter::~WorthMeter() = default;

void WorthMeter::push(std::span<const float* const> mics, std::size_t frames) {
    auto& s = *impl_;
    for (std::size_t at = 0; at < frames;) {
        const auto count = std::min({frames - at, s.hop - s.filled, kFft - s.framed});
        for (std::size_t m = 0; m < s.mics; ++m) {
            s.weighting[m].process(mics[m] + at, s.weighted[m].data() + s.filled, count);
            std::copy_n(mics[m] + at, count, s.frame[m].begin() + std::ptrdiff_t(s.framed));
        }
        at += count, s.filled += count, s.framed += count;
        if (s.filled == s.hop) s.close_hop();
        if (s.framed == kFft) s.close_frame();
    }
}

double WorthMeter::loudness_lufs() const { return impl_->loudness({}); }

std::vector<Worth> WorthMeter::finish() const {
    const auto& s = *impl_;
    std::vector<Worth> worth(s.mics);
    const double whole = s.loudness({});
    if (!std::isfinite(whole)) return worth;
    for (std::size_t m = 0; m < s.mics; ++m) {
        auto& w = worth[m];
        w.change_lu = s.loudness(m) - whole;
        w.change_at_its_loudest_db = s.change_at_its_loudest_db(m);
        for (std::size_t o = 0; o < kOctaveHz.size(); ++o) {
            const double with = s.power(s.octave[o], {}), without = s.power(s.octave[o], m);
            if (!(with > 0.0) || !(without > 1e-12 * with)) continue;
            w.change_db[o] = 10.0 * std::log10(without / with);
            if (std::abs(w.change_db[o]) > std::abs(w.most_db))
                w.most_db = w.change_db[o], w.most_hz = kOctaveHz[o];
        }
    }
    return worth;
}

} // namespace kitfold::dsp
