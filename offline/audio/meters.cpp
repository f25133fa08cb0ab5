#include "offline/audio/meters.h"
#include "core/median.h"
#include "core/units.h"
#include "core/vector_clones.h"
#include "filters/k_weighting.h"
#include "offline/audio/ebu.h"
#include "offline/audio/true_peak.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>
#include <span>
#include <vector>

namespace kitfold::offline {
namespace {

double mean(const std::vector<double>& powers) {
    return std::accumulate(powers.begin(), powers.end(), 0.0) / double(powers.size());
}

/// Those that are at least as loud as the gate of -70 LUFS and `relative_lu` under the mean of these.
std::vector<double> gated(std::vector<double> powers, double relative_lu) {
    std::erase_if(powers, [least = dsp::power_from_lufs(-70.0)](double p) { return p < least; });
    if (powers.empty()) return powers;
    std::erase_if(powers,
                  [least = mean(powers) * dsp::power_from_db(-relative_lu)](double p) { return p < least; });
    return powers;
}

/// Loudness and its range from the power of every 100 ms; the blocks of 400 ms and 3 s that the standards
/// gate are sums of these. Not by libebur128, which tests compare with: it adds up every sample again for
/// each block that it is in, seven times in all, and takes the channels one after the other, at ten times the
/// cost.
class Loudness {
public:
    explicit Loudness(int rate_hz)
        : weighting_(rate_hz), hop_((static_cast<std::size_t>(rate_hz) + 5) / 10) {}

    void add(const float* interleaved, std::size_t frames) {
        while (frames > 0) {
            const std::size_t count = std::min(frames, hop_ - filled_);
            weighting_.add_power(interleaved, count, power_);
            interleaved += 2 * count, frames -= count, filled_ += count;
            if (filled_ == hop_) close_hop();
        }
    }
    /// ITU-R BS.1770-4, annex 1: 400 ms blocks every 100 ms, gate 10 LU under their mean.
    [[nodiscard]] double integrated_lufs() const {
        const auto loud = gated(blocks(4, 1), 10.0);
        return loud.empty() ? kSilenceDb : dsp::lufs_from_power(mean(loud));
    }
    /// EBU Tech 3342: from the 10th to the 95th percentile of 3 s blocks every second, gate 20 LU under their
    /// mean.
    [[nodiscard]] double range_lu() const {
        auto loud = gated(blocks(30, 10), 20.0);
        if (loud.empty()) return 0.0;
        const auto percentile = [&loud](double part) {
            return dsp::lufs_from_power(dsp::quantile(loud, part));
        };
        return percentile(0.95) - percentile(0.10);
    }

private:
    void close_hop() {
        powers_.push_back((power_[0] + power_[1]) / double(hop_));
        power_ = {}, filled_ = 0;
    }
    /// Mean powers of `hops` hops in a row, every `step` hops.
    [[nodiscard]] std::vector<double> blocks(std::size_t hops, std::size_t step) const {
        std::vector<double> out;
        for (std::size_t at = 0; at + hops <= powers_.size(); at += step) {
            const auto first = powers_.begin() + static_cast<std::ptrdiff_t>(at);
            out.push_back(std::accumulate(first, first + static_cast<std::ptrdiff_t>(hops), 0.0) /
                          double(hops));
        }
        return out;
    }

    using Stereo = xsimd::make_sized_batch_t<double, 2>;
    dsp::KWeighting<Stereo> weighting_;
    dsp::PerLane<Stereo> power_; ///< of the hop so far
    std::size_t hop_, filled_ = 0;
    std::vector<double> powers_; ///< one per 100 ms
};

/// Sum of a[n] * b[n], in double and in an order that vectors can follow.
KITFOLD_VECTOR_CLONES double product(const float* a, const float* b, std::size_t count) noexcept {
    std::array<double, 8> lanes{};
    std::size_t n = 0;
    for (; n + lanes.size() <= count; n += lanes.size())
        for (std::size_t k = 0; k < lanes.size(); ++k) lanes[k] += double(a[n + k]) * double(b[n + k]);
    for (; n < count; ++n) lanes[0] += double(a[n]) * double(b[n]);
    double sum = 0.0;
    for (const double lane : lanes) sum += lane;
    return sum;
}

} // namespace

struct StereoMeter::Impl {
    static constexpr std::size_t kBlock = 512;

    Loudness loudness;
    TruePeak true_peak;
    std::array<float, 2 * kBlock> interleaved{};
    double left_left = 0.0, right_right = 0.0, left_right = 0.0;

    explicit Impl(int rate_hz) : loudness(rate_hz), true_peak(rate_hz, 2) {}

    void add(const float* left, const float* right, std::size_t frames) {
        for (std::size_t n = 0; n < frames; ++n)
            interleaved[2 * n] = left[n], interleaved[2 * n + 1] = right[n];
        loudness.add(interleaved.data(), frames);
        true_peak.push(std::span(interleaved).first(2 * frames));
        left_left += product(left, left, frames);
        right_right += product(right, right, frames);
        left_right += product(left, right, frames);
    }
};

StereoMeter::StereoMeter(int rate_hz) : impl_(std::make_unique<Impl>(rate_hz)) {}
StereoMeter::~StereoMeter() = default;
StereoMeter::StereoMeter(StereoMeter&&) noexcept = default;
StereoMeter& StereoMeter::operator=(StereoMeter&&) noexcept = default;

void StereoMeter::add(const float* left, const float* right, std::size_t frames) {
    for (std::size_t at = 0; at < frames; at += Impl::kBlock)
        impl_->add(left + at, right + at, std::min(Impl::kBlock, frames - at));
}

StereoFigures StereoMeter::figures() const {
    Impl& my = *impl_;
    StereoFigures out;
    out.loudness_lufs = my.loudness.integrated_lufs();
    out.range_lu = my.loudness.range_lu();
    out.sample_peak_dbfs = peak_db(my.true_peak.sample_peak());
    out.true_peak_dbtp = peak_db(my.true_peak.peak());
    const double both = my.left_left * my.right_right, power = my.left_left + my.right_right;
    if (both > 0.0) out.correlation = std::clamp(my.left_right / std::sqrt(both), -1.0, 1.0);
    const double mono = std::max(0.0, power + 2.0 * my.left_right) / 2.0;
    if (power > 0.0) out.mono_loss_db = dsp::db_from_power(power / mono) + 0.0;
    return out;
}

struct ShortTermMeter::Impl {
    explicit Impl(int rate_hz) : ebu(2, rate_hz, EBUR128_MODE_S) {}
    Ebu ebu;
    std::vector<float> interleaved;
};

ShortTermMeter::ShortTermMeter(int rate_hz) : impl_(std::make_unique<Impl>(rate_hz)) {}
ShortTermMeter::~ShortTermMeter() = default;

void ShortTermMeter::add(const float* left, const float* right, std::size_t frames) {
    auto& both = impl_->interleaved;
    both.resize(2 * frames);
    for (std::size_t n = 0; n < frames; ++n) both[2 * n] = left[n], both[2 * n + 1] = right[n];
    impl_->ebu.add(both);
}

double ShortTermMeter::loudness_lufs() const {
    double out = kSilenceDb;
    (void)ebur128_loudness_shortterm(impl_->ebu.get(), &out);
    return out;
}

double peak_db(double peak) noexcept { return 20.0 * std::log10(peak); }

} // namespace kitfold::offline
