#include "bleed/bleed_reducer.h"
#include "core/finite.h"
#include "core/flush_denormals.h"
#include "core/moving.h"
#include "core/units.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <cmath>
#include <limits>

namespace kitfold::dsp {
namespace {

constexpr int kUpdates = 12;        // more of them change the gains by less than the hits of a take do
constexpr float kLeast = 1e-12f;    // power far below any noise, against 0 / 0
constexpr float kLeastPath = 1e-4f; // a path this faint says nothing of its source

KITFOLD_VECTOR_CLONES void add_product(const float* a, const float* b, float* sum, std::size_t count) {
    for (std::size_t k = 0; k < count; ++k) sum[k] += a[k] * b[k];
}
KITFOLD_VECTOR_CLONES void divide(const float* a, const float* b, float* out, std::size_t count) {
    for (std::size_t k = 0; k < count; ++k) out[k] = a[k] / b[k];
}
KITFOLD_VECTOR_CLONES void scale_by_ratio(const float* a, const float* b, float* x, std::size_t count) {
    for (std::size_t k = 0; k < count; ++k) x[k] *= a[k] / (b[k] + kLeast);
}
/// The least level that a source can have according to one of its mics.
KITFOLD_VECTOR_CLONES void limit_by(const float* power, const float* path, float* level, std::size_t count) {
    for (std::size_t k = 0; k < count; ++k) {
        const float most = path[k] > kLeastPath ? power[k] / path[k] : std::numeric_limits<float>::max();
        level[k] = most < level[k] ? most : level[k];
    }
}
KITFOLD_VECTOR_CLONES void wiener_gain(const float* path, const float* level, const float* all, float over,
                                       float least, float* gain, std::size_t count) {
    for (std::size_t k = 0; k < count; ++k) {
        const float own = path[k] * level[k], bleed = all[k] - own;
        const float g = own / (own + over * (bleed > 0.0f ? bleed : 0.0f));
        gain[k] = g > least ? g : least;
    }
}

/// A source's power in a mic at the bins of another rate, straight lines between.
std::vector<float> at_bins(const std::vector<float>& power, double from_hz, double to_hz, std::size_t bins) {
    std::vector<float> out(bins);
    for (std::size_t k = 0; k < bins; ++k) {
        const double at =
            std::min(static_cast<double>(k) * to_hz / from_hz, static_cast<double>(power.size() - 1));
        const auto low = std::min(static_cast<std::size_t>(at), power.size() - 2);
        const auto share = static_cast<float>(at - static_cast<double>(low));
        out[k] = power[low] + share * (power[low + 1] - power[low]);
    }
    return out;
}

} // namespace

bool BleedReducer::prepare(double rate_hz, std::span<const TakeMic> mics, const BleedTransfer& transfer,
                           std::span<const double> reduction_db) {
    if (!rate_allowed(rate_hz) || mics.empty() || mics.size() > 32 || reduction_db.size() != mics.size())
        return false;
    size_ = bleed_window(rate_hz), mics_ = mics.size(), sources_ = transfer.sources.size();
    fft_ = std::make_unique<RealFft>(size_);
    bins_ = fft_->bins();
    window_ = bleed_window_shape(rate_hz);
    const double per_bin_hz = rate_hz / static_cast<double>(size_);
    const double learned_hz = transfer.rate_hz / static_cast<double>(bleed_window(transfer.rate_hz));
    transfer_.assign(sources_ * mics_ * bins_, 0.0f), sum_.assign(sources_ * bins_, 0.0f);
    heard_.assign(sources_ * mics_, 0);
    for (std::size_t j = 0; j < sources_; ++j)
        for (std::size_t m = 0; m < mics_; ++m) {
            const auto row_of = at_bins(transfer.sources[j].power[m], learned_hz, per_bin_hz, bins_);
            std::copy(row_of.begin(), row_of.end(), row(transfer_, j * mics_ + m));
            for (std::size_t k = 0; k < bins_; ++k) row(sum_, j)[k] += row_of[k];
            heard_[j * mics_ + m] =
                std::any_of(row_of.begin(), row_of.end(), [](float p) { return p > 0.0f; });
        }
    own_.assign(mics_, kNone), floor_.assign(mics_, 1.0f);
    for (std::size_t m = 0; m < mics_; ++m) {
        floor_[m] = static_cast<float>(gain_from_db(-reduction_db[m]));
        const auto drum = own_drum(mics[m].role);
        for (std::size_t j = 0; j < sources_ && reduction_db[m] > 0.0; ++j)
            if (drum == transfer.sources[j].drum && heard_[j * mics_ + m] != 0) own_[m] = j;
    }
    past_.resize(mics_ * size_), out_.resize(mics_ * size_), frame_.resize(size_);
    for (auto* rows : {&power_, &model_, &gain_}) rows->resize(mics_ * bins_);
    spectra_.resize(mics_ * bins_), level_.resize(sources_ * bins_);
    factor_.resize(bins_);
    reset();
    return true;
}

void BleedReducer::reset() noexcept {
    std::fill(past_.begin(), past_.end(), 0.0f), std::fill(out_.begin(), out_.end(), 0.0f);
    position_ = filled_ = 0;
}

void BleedReducer::process(float* const* mics, std::size_t frames) noexcept {
    const FlushDenormals guard;
    for (std::size_t at = 0; at < frames;) {
        const std::size_t count = std::min({frames - at, size_ / 2 - filled_, size_ - position_});
        for (std::size_t m = 0; m < mics_; ++m) {
            float* const x = mics[m] + at;
            float* const past = past_.data() + m * size_ + position_;
            std::swap_ranges(x, x + count, past);
            if (!reduces(m)) continue;
            float* const out = out_.data() + m * size_ + position_;
            std::copy_n(out, count, x);
            std::fill_n(out, count, 0.0f);
        }
        at += count, filled_ += count, position_ = (position_ + count) % size_;
        if (filled_ == size_ / 2) filled_ = 0, window_ready();
    }
}

void BleedReducer::window_ready() noexcept {
    transform();
    explain();
    for (std::size_t m = 0; m < mics_; ++m) {
        if (!reduces(m)) continue;
        mask(m);
        overlap_add(m);
    }
}

void BleedReducer::transform() noexcept {
    for (std::size_t m = 0; m < mics_; ++m) {
        const float* const past = past_.data() + m * size_;
        for (std::size_t n = 0; n < size_; ++n)
            frame_[n] = window_[n] * finite_or_silence(past[(position_ + n) % size_]);
        const std::span spectrum(spectra_.data() + m * bins_, bins_);
        fft_->forward(frame_, spectrum);
        for (std::size_t k = 0; k < bins_; ++k) row(power_, m)[k] = std::norm(spectrum[k]) + kLeast;
    }
}

void BleedReducer::explain() noexcept {
    std::fill(level_.begin(), level_.end(), std::numeric_limits<float>::max());
    for (std::size_t j = 0; j < sources_; ++j) {
        for (std::size_t m = 0; m < mics_; ++m)
            if (heard_[j * mics_ + m] != 0) limit_by(row(power_, m), path(j, m), row(level_, j), bins_);
        for (std::size_t k = 0; k < bins_; ++k) // no mic tells of it
            if (row(level_, j)[k] == std::numeric_limits<float>::max()) row(level_, j)[k] = 0.0f;
    }
    for (int update = 0; update < kUpdates; ++update) {
        model();
        for (std::size_t m = 0; m < mics_; ++m) divide(row(power_, m), row(model_, m), row(model_, m), bins_);
        for (std::size_t j = 0; j < sources_; ++j) {
            std::fill(factor_.begin(), factor_.end(), 0.0f);
            for (std::size_t m = 0; m < mics_; ++m)
                if (heard_[j * mics_ + m] != 0)
                    add_product(path(j, m), row(model_, m), factor_.data(), bins_);
            scale_by_ratio(factor_.data(), row(sum_, j), row(level_, j), bins_);
        }
    }
    model();
}

void BleedReducer::model() noexcept {
    std::fill(model_.begin(), model_.end(), kLeast);
    for (std::size_t j = 0; j < sources_; ++j)
        for (std::size_t m = 0; m < mics_; ++m)
            if (heard_[j * mics_ + m] != 0) add_product(path(j, m), row(level_, j), row(model_, m), bins_);
}

void BleedReducer::mask(std::size_t mic) noexcept {
    wiener_gain(path(own_[mic], mic), row(level_, own_[mic]), row(model_, mic), kOver, floor_[mic],
                row(gain_, mic), bins_);
    auto* const spectrum = spectra_.data() + mic * bins_;
    for (std::size_t k = 0; k < bins_; ++k) spectrum[k] *= row(gain_, mic)[k];
}

void BleedReducer::overlap_add(std::size_t mic) noexcept {
    fft_->inverse({spectra_.data() + mic * bins_, bins_}, frame_);
    float* const out = out_.data() + mic * size_;
    for (std::size_t n = 0; n < size_; ++n) out[(position_ + n) % size_] += window_[n] * frame_[n];
}

} // namespace kitfold::dsp
