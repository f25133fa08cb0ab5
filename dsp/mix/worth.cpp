#include "mix/worth.h"
#include "core/dot.h"
#include "core/fft.h"
#include "core/units.h"
#include "core/windows.h"
#include "filters/k_weighting.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

namespace kitfold::dsp {
namespace {

constexpr std::size_t kFft = 4'096;

/// Power of a sum as one mic has its share in it: the others alone, what it has in common with them, its own.
struct Parts {
    double others = 0.0, cross = 0.0, own = 0.0;
    void operator+=(const Parts& p) { others += p.others, cross += p.cross, own += p.own; }
    [[nodiscard]] double with(double gain) const {
        return std::max(0.0, others + gain * cross + gain * gain * own);
    }
    /// Of the power, when the mic is left out.
    [[nodiscard]] double change_db(double gain) const {
        if (!(with(gain) > 0.0)) return 0.0;
        return with(0.0) > 0.0 ? db_from_power(with(0.0) / with(gain)) : -kInfinity;
    }
};

struct Share {
    std::vector<Parts> hops;
    Parts at_its_loudest;
    std::array<Parts, kOctaveHz.size()> octaves;
};

} // namespace

bool is_heard(const Worth& w) noexcept {
    constexpr double kStepLu = 1.0, kStepDb = 1.0;
    return std::abs(w.change_lu) >= kStepLu || std::abs(w.most_db) >= kStepDb ||
           std::abs(w.change_at_its_loudest_db) >= kStepDb;
}

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
        for (std::size_t n = 0; n < kFft; ++n) window[n] = float(hann(double(n), double(kFft)));
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

    /// Power of left and right together, from a triangle of cross powers, as mic `mic` has its share in it.
    template <class T> [[nodiscard]] Parts parts(const std::vector<T>& triangle, std::size_t mic) const {
        Parts sum;
        std::size_t at = 0;
        for (std::size_t i = 0; i < mics; ++i)
            for (std::size_t j = i; j < mics; ++j, ++at) {
                const double g = gains[i].left * gains[j].left + gains[i].right * gains[j].right;
                const double power = (i == j ? 1.0 : 2.0) * g * double(triangle[at]);
                (i != mic && j != mic ? sum.others : i == j ? sum.own : sum.cross) += power;
            }
        return sum;
    }

    /// The mic's share in every hop and octave, and when it is loudest.
    [[nodiscard]] Share share(std::size_t mic) const {
        constexpr float kUnder = 0.1f; // 10 dB
        Share s;
        std::size_t own = 0; // place of its own power in the triangle
        for (std::size_t i = 0; i < mic; ++i) own += mics - i;
        float most = 0.0f;
        for (const auto& p : powers) most = std::max(most, p[own]);
        for (const auto& p : powers) {
            s.hops.push_back(parts(p, mic));
            if (p[own] > kUnder * most) s.at_its_loudest += s.hops.back();
        }
        for (std::size_t o = 0; o < octave.size(); ++o) s.octaves[o] = parts(octave[o], mic);
        return s;
    }

    /// Integrated loudness (annex 1): 400 ms blocks every 100 ms, gates at -70 LUFS and 10 LU under the
    /// ungated mean. @param power of each hop
    [[nodiscard]] double loudness(std::span<const double> power) const {
        std::vector<double> blocks;
        for (std::size_t i = 0; i + 4 <= power.size(); ++i)
            blocks.push_back((power[i] + power[i + 1] + power[i + 2] + power[i + 3]) / (4.0 * double(hop)));
        double gate = -70.0;
        for (int pass = 0; pass < 2; ++pass) {
            double sum = 0.0, count = 0.0;
            for (const double b : blocks)
                if (lufs_from_power(b) >= gate) sum += b, count += 1.0;
            if (count == 0.0) return -kInfinity;
            if (pass == 1) return lufs_from_power(sum / count);
            gate = std::max(-70.0, lufs_from_power(sum / count) - 10.0);
        }
        return -kInfinity;
    }

    /// What the mic is worth when its gain is `gain` times what it is.
    [[nodiscard]] Worth worth(const Share& s, double gain) const {
        std::vector<double> with, without;
        for (const auto& p : s.hops) with.push_back(p.with(gain)), without.push_back(p.with(0.0));
        Worth w;
        const double whole = loudness(with);
        if (!std::isfinite(whole)) return w;
        w.change_lu = loudness(without) - whole;
        w.change_at_its_loudest_db = s.at_its_loudest.change_db(gain);
        for (std::size_t o = 0; o < kOctaveHz.size(); ++o) {
            const auto& p = s.octaves[o];
            if (!(p.with(0.0) > 1e-12 * p.with(gain))) continue;
            w.change_db[o] = p.change_db(gain);
            if (std::abs(w.change_db[o]) > std::abs(w.most_db))
                w.most_db = w.change_db[o], w.most_hz = kOctaveHz[o];
        }
        return w;
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

double WorthMeter::loudness_lufs() const {
    std::vector<double> power;
    for (const auto& p : impl_->powers) power.push_back(impl_->parts(p, 0).with(1.0));
    return impl_->loudness(power);
}

std::vector<Worth> WorthMeter::finish() const {
    constexpr int kMostRaisedDb = 60;
    const auto& s = *impl_;
    std::vector<Worth> worth(s.mics);
    if (!std::isfinite(loudness_lufs())) return worth;
    for (std::size_t m = 0; m < s.mics; ++m) {
        const auto share = s.share(m);
        worth[m] = s.worth(share, 1.0);
        int raised_db = 0;
        for (auto w = worth[m]; !is_heard(w) && raised_db <= kMostRaisedDb;)
            w = s.worth(share, gain_from_db(++raised_db));
        worth[m].heard_raised_db =
            raised_db <= kMostRaisedDb ? std::optional(double(raised_db)) : std::nullopt;
    }
    return worth;
}

} // namespace kitfold::dsp
