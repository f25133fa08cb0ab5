#include "bleed/bleed_transfer.h"
#include "core/fft.h"
#include "core/median.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>

namespace kitfold::dsp {
namespace {

constexpr double kWindowSeconds = 2048.0 / 48'000.0; // two to a sixteenth at 140 bpm, bins of 23 Hz
constexpr std::size_t kMostHits = 60; // all over the take: more hardly move a quantile, and cost time
constexpr double kTogether = 0.012;   // s between hits that can't be told apart in a window
constexpr double kSpan = 0.09;        // s after a hit that are its own
constexpr double kEarly = 0.005;      // s by which a hit may be before its time
constexpr float kRise = 4.0f;         // power by which a hit has to stand out in its own mic
// Others only add: below the middle, and further where something else is struck with it each time.
constexpr double kAloneQuantile = 0.35, kTogetherQuantile = 0.18;
constexpr double kSmooth = 0.1; // of the frequency: over which powers are averaged

using Spectra = std::vector<std::vector<float>>; ///< [mic][bin]

/// Mean over neighbours, as wide as kSmooth of the frequency.
void smooth(std::vector<float>& power) {
    std::vector<double> sum(power.size() + 1, 0.0);
    for (std::size_t k = 0; k < power.size(); ++k) sum[k + 1] = sum[k] + static_cast<double>(power[k]);
    for (std::size_t k = 0; k < power.size(); ++k) {
        const auto reach =
            std::max<std::size_t>(1, static_cast<std::size_t>(static_cast<double>(k) * kSmooth / 2.0));
        const std::size_t from = k - std::min(k, reach), to = std::min(power.size(), k + reach + 1);
        power[k] = static_cast<float>((sum[to] - sum[from]) / static_cast<double>(to - from));
    }
}

class TransferLearner {
public:
    TransferLearner(const Take& take, std::span<const Hit> hits)
        : take_(take), hits_(hits), fft_(bleed_window(take.rate_hz)),
          window_(bleed_window_shape(take.rate_hz)), frame_(fft_.size()), bins_(fft_.bins()) {
        for (std::size_t m = 0; m < take.mics.size(); ++m)
            if (is_overhead(take.mics[m].role)) overheads_.push_back(m);
    }

    BleedTransfer run() {
        BleedTransfer out;
        out.rate_hz = take_.rate_hz;
        for (std::size_t d = 0; d < kDrumCount; ++d)
            if (auto source = learn(static_cast<Drum>(d))) out.sources.push_back(std::move(*source));
        return out;
    }

private:
    [[nodiscard]] std::vector<std::size_t> own_mics(Drum drum) const {
        if (const auto own = own_mic(take_.mics, drum)) return {*own};
        return overheads_;
    }

    /// Hits of other drums near this one.
    [[nodiscard]] std::vector<Drum> company(const Hit& hit) const {
        std::vector<Drum> out;
        for (const auto& o : hits_)
            if (o.drum != hit.drum && std::abs(o.time_s - hit.time_s) < kTogether) out.push_back(o.drum);
        return out;
    }

    /// When the next hit comes, of any drum.
    [[nodiscard]] double next_s(const Hit& hit) const {
        double next = 1e9;
        for (const auto& o : hits_)
            if (o.time_s > hit.time_s + kTogether) next = std::min(next, o.time_s);
        return next;
    }

    std::optional<BleedTransfer::Source> learn(Drum drum) {
        const auto own = own_mics(drum);
        if (own.empty()) return std::nullopt;
        std::vector<const Hit*> alone, together;
        for (const auto& h : hits_)
            if (h.drum == drum) (company(h).empty() ? alone : together).push_back(&h);
        auto ratios = ratios_of(alone, own);
        double q = kAloneQuantile;
        if (ratios.size() < kTransferHits) {
            for (auto& r : ratios_of(together, own)) ratios.push_back(std::move(r));
            q = kTogetherQuantile;
        }
        if (ratios.size() < kTransferHits) return std::nullopt;
        BleedTransfer::Source source{drum, Spectra(take_.mics.size(), std::vector<float>(fft_.bins(), 0.0f))};
        for (std::size_t m = 0; m < take_.mics.size(); ++m) {
            for (std::size_t k = 0; k < fft_.bins(); ++k) source.power[m][k] = low(ratios, m, k, q);
            smooth(source.power[m]); // few hits leave some bins too low
        }
        if (own.size() == 1) std::fill(source.power[own[0]].begin(), source.power[own[0]].end(), 1.0f);
        return source;
    }

    [[nodiscard]] static float low(const std::vector<Spectra>& ratios, std::size_t mic, std::size_t bin,
                                   double q) {
        std::vector<float> values;
        for (const auto& r : ratios)
            if (r[mic][bin] >= 0.0f) values.push_back(r[mic][bin]);
        if (values.size() < kTransferHits) return 0.0f;
        return quantile(values, q);
    }

    std::vector<Spectra> ratios_of(const std::vector<const Hit*>& hits, const std::vector<std::size_t>& own) {
        std::vector<Spectra> out;
        const std::size_t count = std::min(hits.size(), kMostHits);
        for (std::size_t i = 0; i < count; ++i)
            if (auto r = ratios_of(*hits[i * hits.size() / count], own)) out.push_back(std::move(*r));
        return out;
    }

    /// Power of mic m over windows from `start` on, half overlapped.
    std::vector<float> power(std::size_t m, std::int64_t start, std::size_t windows) {
        std::vector<float> sum(fft_.bins(), 0.0f);
        for (std::size_t w = 0; w < windows; ++w) {
            take_.read(m, start + static_cast<std::int64_t>(w * fft_.size() / 2), frame_);
            for (std::size_t n = 0; n < frame_.size(); ++n) frame_[n] *= window_[n];
            fft_.forward(frame_, bins_);
            for (std::size_t k = 0; k < sum.size(); ++k) sum[k] += std::norm(bins_[k]);
        }
        smooth(sum);
        return sum;
    }

    /// Nothing when the next hit is too near.
    std::optional<Spectra> ratios_of(const Hit& hit, const std::vector<std::size_t>& own) {
        const auto samples = [&](double s) {
            return static_cast<std::int64_t>(std::lround(s * take_.rate_hz));
        };
        const auto size = static_cast<std::int64_t>(fft_.size());
        const std::int64_t at = samples(hit.time_s - kEarly), next = samples(next_s(hit));
        const std::int64_t from = at - size / 2;
        if (from + size > next + size / 4) return std::nullopt;
        const std::int64_t end = std::min(at + samples(kSpan), next);
        const auto windows =
            static_cast<std::size_t>(std::max<std::int64_t>(0, (end - from - size) / (size / 2)) + 1);
        Spectra after, before;
        for (std::size_t m = 0; m < take_.mics.size(); ++m) {
            after.push_back(power(m, from, windows));
            before.push_back(power(m, at - size - size / 2, 2));
            for (auto& p : before.back()) p *= 0.5f * static_cast<float>(windows);
        }
        return ratios(after, before, own, company(hit));
    }

    [[nodiscard]] Spectra ratios(Spectra after, const Spectra& before, const std::vector<std::size_t>& own,
                                 const std::vector<Drum>& with) const {
        for (std::size_t k = 0; k < fft_.bins(); ++k) {
            float now = 0.0f, then = 0.0f;
            for (const auto m : own) now += after[m][k], then += before[m][k];
            const float rise = (now - then) / static_cast<float>(own.size());
            for (std::size_t m = 0; m < after.size(); ++m)
                after[m][k] = now > kRise * then && rise > 0.0f && !belongs(m, with)
                                  ? std::max(after[m][k] - before[m][k], 0.0f) / rise
                                  : -1.0f;
        }
        return after;
    }

    [[nodiscard]] bool belongs(std::size_t mic, const std::vector<Drum>& drums) const {
        const auto drum = own_drum(take_.mics[mic].role);
        return drum && std::find(drums.begin(), drums.end(), *drum) != drums.end();
    }

    const Take& take_;
    std::span<const Hit> hits_;
    RealFft fft_;
    std::vector<float> window_, frame_;
    std::vector<std::complex<float>> bins_;
    std::vector<std::size_t> overheads_;
};

} // namespace

std::size_t bleed_window(double rate_hz) noexcept {
    return fast_fft_size(static_cast<std::size_t>(std::lround(kWindowSeconds * rate_hz)));
}

std::vector<float> bleed_window_shape(double rate_hz) {
    std::vector<float> window(bleed_window(rate_hz));
    for (std::size_t n = 0; n < window.size(); ++n)
        window[n] = static_cast<float>(
            std::sin(std::numbers::pi * static_cast<double>(n) / static_cast<double>(window.size())));
    return window;
}

const BleedTransfer::Source* BleedTransfer::source(Drum drum) const noexcept {
    const auto found =
        std::find_if(sources.begin(), sources.end(), [&](const Source& s) { return s.drum == drum; });
    return found == sources.end() ? nullptr : &*found;
}

BleedTransfer learn_bleed_transfer(const Take& take, std::span<const Hit> hits) {
    return TransferLearner(take, hits).run();
}

} // namespace kitfold::dsp
