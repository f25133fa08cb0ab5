#include "bleed/kit_key_learn_response.h"
#include "core/fft.h"
#include "core/linear.h"
#include <algorithm>
#include <complex>
#include <numeric>

namespace kitfold::dsp {
namespace {

constexpr std::size_t kBlock = 1024; // many times a response, so that transforms overlap little
constexpr double kLoad = 1e-4;      // of the mean energy: two mics of one drum would leave r all but singular
constexpr double kWorthwhile = 0.8; // of the energy may be left
constexpr double kSmallShare = 0.002; // of the energy: -27 dB are not worth a response while it plays

using Bins = std::vector<std::complex<float>>;
using Sums = std::vector<std::complex<double>>;

/// Correlations of every source with every other and with the target, summed over blocks in the frequency
/// domain.
class Correlations {
public:
    Correlations(std::size_t sources, std::size_t taps)
        : taps_(taps), count_(sources), fft_(fast_fft_size(kBlock + 2 * taps)),
          sums_(sources * (sources + 1), Sums(fft_.bins())), block_(fft_.size()),
          short_(sources, Bins(fft_.bins())), long_(sources + 1, Bins(fft_.bins())) {}

    /// value(channel, step): masked; channel `sources` is the target.
    template <class Value> void add_block(std::size_t at, Value value) {
        for (std::size_t c = 0; c <= count_; ++c) {
            if (c < count_) {
                std::fill(block_.begin(), block_.end(), 0.0f);
                for (std::size_t n = 0; n < kBlock; ++n) block_[n] = value(c, at + n);
                fft_.forward(block_, short_[c]);
            }
            std::fill(block_.begin(), block_.end(), 0.0f);
            for (std::size_t n = 0; n < kBlock + 2 * taps_; ++n) block_[n] = value(c, at + n - taps_);
            fft_.forward(block_, long_[c]);
        }
        for (std::size_t a = 0; a < count_; ++a)
            for (std::size_t b = 0; b <= count_; ++b)
                for (std::size_t k = 0; k < fft_.bins(); ++k)
                    sums_[a * (count_ + 1) + b][k] += std::conj(short_[a][k]) * long_[b][k];
    }

    /// Σ source_a[n] channel_b[n + lag], lag -taps..taps at index lag + taps.
    [[nodiscard]] std::vector<float> lags(std::size_t a, std::size_t b) const {
        Bins bins(fft_.bins());
        const auto& sum = sums_[a * (count_ + 1) + b];
        for (std::size_t k = 0; k < bins.size(); ++k) bins[k] = std::complex<float>(sum[k]);
        std::vector<float> out(fft_.size());
        fft_.inverse(bins, out);
        out.resize(2 * taps_ + 1);
        return out;
    }

private:
    std::size_t taps_, count_;
    RealFft fft_;
    std::vector<Sums> sums_;
    std::vector<float> block_;
    std::vector<Bins> short_, long_;
};

} // namespace

std::vector<std::vector<double>> learn_responses(Interleaved take, std::size_t target,
                                                 std::span<const std::size_t> sources,
                                                 std::span<const char> use, std::size_t taps,
                                                 std::size_t least_steps) {
    std::vector<std::vector<double>> out(sources.size());
    const auto used =
        static_cast<std::size_t>(std::count_if(use.begin(), use.end(), [](char u) { return u != 0; }));
    if (sources.empty() || used < std::max<std::size_t>(least_steps, 1)) return out;
    const std::size_t steps = take.steps(), every = kBlock * (1 + steps / (kMostResponseSteps + 1));
    const auto value = [&](std::size_t channel, std::size_t step) {
        if (step >= steps || use[step] == 0)
            return 0.0f; // before the start wraps round to far beyond the end
        return take.samples[step * take.channels + (channel < sources.size() ? sources[channel] : target)];
    };
    Correlations correlations(sources.size(), taps);
    double energy = 0.0;
    for (std::size_t at = 0; at < steps; at += every) {
        if (std::none_of(use.begin() + at, use.begin() + std::min(at + kBlock, steps),
                         [](char u) { return u != 0; }))
            continue;
        correlations.add_block(at, value);
        for (std::size_t n = at; n < at + kBlock; ++n)
            energy +=
                static_cast<double>(value(sources.size(), n)) * static_cast<double>(value(sources.size(), n));
    }
    const auto size = sources.size() * taps;
    Matrix<double> r(size, size);
    std::vector<double> p(size);
    for (std::size_t a = 0; a < sources.size(); ++a) {
        const auto to_target = correlations.lags(a, sources.size());
        for (std::size_t i = 0; i < taps; ++i) p[a * taps + i] = static_cast<double>(to_target[taps + i]);
        for (std::size_t b = 0; b < sources.size(); ++b) {
            const auto lags = correlations.lags(a, b);
            // Σ a[n - i] b[n - k] is the lag i - k; both ways of a pair count half
            for (std::size_t i = 0; i < taps; ++i)
                for (std::size_t k = 0; k < taps; ++k) {
                    const double half = 0.5 * static_cast<double>(lags[taps + i - k]);
                    r(a * taps + i, b * taps + k) += half, r(b * taps + k, a * taps + i) += half;
                }
        }
    }
    r.add_to_diagonal(kLoad * r.trace() / static_cast<double>(size) + 1e-30);
    const auto w = solve_symmetric(r, p);
    if (!(energy - std::inner_product(w.begin(), w.end(), p.begin(), 0.0) < kWorthwhile * energy)) return out;
    for (std::size_t a = 0; a < sources.size(); ++a) {
        double share = 0.0;
        for (std::size_t i = a * taps; i < (a + 1) * taps; ++i)
            for (std::size_t k = a * taps; k < (a + 1) * taps; ++k) share += w[i] * r(i, k) * w[k];
        const auto part = std::span(w).subspan(a * taps, taps);
        if (share > kSmallShare * energy) out[a].assign(part.begin(), part.end());
    }
    return out;
}

} // namespace kitfold::dsp
