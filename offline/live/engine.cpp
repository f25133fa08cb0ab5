#include "offline/live/engine.h"
#include "core/finite.h"
#include "core/flush_denormals.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>
#include <stdexcept>

namespace kitfold::offline {

LiveEngine::LiveEngine(double rate_hz, const dsp::MixSettings& settings, Monitor monitor, double tape_s)
    : rate_hz_(rate_hz), mics_(settings.strips.size()), monitor_(monitor), settings_(settings),
      tape_(mics_ + 2, static_cast<std::size_t>(std::ceil(rate_hz * tape_s))) {
    mixes_[0] = fresh_mix();
    inputs_.assign(mics_ * kChunk, 0.0f);
    for (std::size_t m = 0; m < mics_; ++m) input_rows_.push_back(inputs_.data() + m * kChunk);
    latency_ = mixes_[0]->latency();
    overlap_ = static_cast<std::size_t>(std::lround(rate_hz * dsp::kMoveMs / 1000.0));
    gain_ = dsp::gain_from_db(kFadeInDb);
    gain_step_ = dsp::gain_from_db(-kFadeInDb / (kFadeInS * rate_hz));
    if (monitor_ == Monitor::dry) {
        if (!dry_.prepare(rate_hz, mics_)) throw std::invalid_argument("rate or number of mics");
        set_dry(settings);
    }
}

std::unique_ptr<dsp::KitMix> LiveEngine::fresh_mix() const {
    auto mix = std::make_unique<dsp::KitMix>();
    if (mix->prepare_to_move(rate_hz_, settings_) != nullptr)
        throw std::invalid_argument("settings out of range");
    return mix;
}

/// Level, pan and polarity, and no delay: the drummer plays to it.
void LiveEngine::set_dry(const dsp::MixSettings& settings) noexcept {
    for (std::size_t m = 0; m < mics_; ++m) {
        auto mic = settings.strips[m].mix;
        mic.delay_ms = 0.0;
        (void)dry_.set(m, mic);
    }
    (void)dry_.set(settings.sum);
    dry_.settle();
}

void LiveEngine::move_to(const dsp::MixSettings& settings) {
    settings_ = settings;
    edits_.give(std::make_unique<const dsp::MixSettings>(settings));
}

bool LiveEngine::begin_take() {
    if (!settled_.load(std::memory_order_acquire)) return false;
    const std::size_t next = 1 - wanted_.load(std::memory_order_relaxed);
    mixes_[next] = fresh_mix();
    settled_.store(false, std::memory_order_relaxed);
    wanted_.store(next, std::memory_order_release);
    return true;
}

void LiveEngine::process(const float* const* mics, const float* const* cue, float* const* outputs,
                         std::size_t frames) noexcept {
    const dsp::FlushDenormals guard;
    hear_news();
    for (std::size_t at = 0; at < frames; at += kChunk) {
        const float *in[dsp::PanMix::kMaxMics], *cues[2];
        float* out[4];
        const std::size_t count = std::min(kChunk, frames - at);
        for (std::size_t m = 0; m < mics_; ++m) in[m] = mics[m] + at;
        for (std::size_t c = 0; c < 2; ++c) cues[c] = cue[c] + at;
        for (std::size_t o = 0; o < this->outputs(); ++o) out[o] = outputs[o] + at;
        chunk(kept(in, count), cues, out, count);
    }
    show_state();
}

/// A server that is late may write the next block into its buffers while we are at this one; what is mixed
/// and what is on tape must be the same all the same.
const float* const* LiveEngine::kept(const float* const* mics, std::size_t frames) noexcept {
    for (std::size_t m = 0; m < mics_; ++m) std::copy_n(mics[m], frames, inputs_.data() + m * kChunk);
    return input_rows_.data();
}

/// What the other threads want. Each piece of it becomes an event, so nothing is heard while one could get
/// lost.
void LiveEngine::hear_news() noexcept {
    using Kind = LiveEvent::Kind;
    if (lost_ > 0 || events_.full()) return;
    if (const auto losses = server_losses_.load(std::memory_order_relaxed); losses != losses_seen_) {
        events_.push({Kind::server_lost, frame_, losses - losses_seen_});
        losses_seen_ = losses;
    }
    if (const auto block = block_frames_.load(); block != block_seen_ && !events_.full()) {
        if (block_seen_ != 0) events_.push({Kind::block, frame_, static_cast<std::int64_t>(block)});
        block_seen_ = block;
    }
    if (const auto markers = markers_.load(std::memory_order_relaxed); markers != markers_seen_)
        if (events_.push({Kind::marker, frame_, markers_seen_ + 1})) ++markers_seen_;
    if (events_.full()) return;
    const auto* edit = edits_.take(); // first: a mix that is made later knows what was given before
    const std::size_t wanted = wanted_.load(std::memory_order_acquire);
    if (wanted != present_) {
        present_ = wanted, overlap_left_ = overlap_;
        open_before_.fill(0.0);
        events_.push({Kind::take, frame_, static_cast<std::int64_t>(mixes_[present_]->latency())});
    }
    if (edit != nullptr) {
        mixes_[present_]->set(*edit);
        if (monitor_ == Monitor::dry) set_dry(*edit);
        events_.push({Kind::edit, frame_, static_cast<std::int64_t>(mixes_[present_]->latency())});
    }
    latency_.store(mixes_[present_]->latency(), std::memory_order_relaxed);
}

void LiveEngine::chunk(const float* const* mics, const float* const* cue, float* const* outputs,
                       std::size_t frames) noexcept {
    mixes_[present_]->process(mics, tracks_.left.data(), tracks_.right.data(), frames);
    to_tape(mics, tracks_, frames);
    frame_ += static_cast<std::int64_t>(frames);
    if (overlap_left_ > 0) fade_over(mics, frames);
    static constexpr std::array<float, kChunk> kSilence{};
    const float* const none[] = {kSilence.data(), kSilence.data()};
    const double gain = gain_;
    if (monitor_ == Monitor::dry) {
        dry_.process(mics, dry_tracks_.left.data(), dry_tracks_.right.data(), frames);
        put_out(dry_tracks_, cue, outputs[2], outputs[3], frames);
        gain_ = gain;
    }
    put_out(tracks_, monitor_ == Monitor::dry ? none : cue, outputs[0], outputs[1], frames);
}

void LiveEngine::to_tape(const float* const* mics, const Stereo& tracks, std::size_t frames) noexcept {
    const float* planes[dsp::PanMix::kMaxMics + 2];
    std::copy_n(mics, mics_, planes);
    planes[mics_] = tracks.left.data(), planes[mics_ + 1] = tracks.right.data();
    if (lost_ > 0 && tape_.writable() >= frames && // told before the sound that comes after it
        events_.push({LiveEvent::Kind::tape_lost, frame_ - lost_, lost_}))
        lost_ = 0;
    if (lost_ > 0 || !tape_.write(planes, frames)) lost_ += static_cast<std::int64_t>(frames);
}

/// From the mix that played the take before to the one of this take.
void LiveEngine::fade_over(const float* const* mics, std::size_t frames) noexcept {
    mixes_[1 - present_]->process(mics, former_.left.data(), former_.right.data(), frames);
    for (std::size_t n = 0; n < frames && overlap_left_ > 0; ++n) {
        const auto old =
            static_cast<float>(static_cast<double>(--overlap_left_) / static_cast<double>(overlap_));
        tracks_.left[n] += old * (former_.left[n] - tracks_.left[n]);
        tracks_.right[n] += old * (former_.right[n] - tracks_.right[n]);
    }
    if (overlap_left_ == 0) settled_.store(true, std::memory_order_release);
}

void LiveEngine::put_out(const Stereo& from, const float* const* cue, float* left, float* right,
                         std::size_t frames) noexcept {
    for (std::size_t n = 0; n < frames; ++n) {
        const auto gain = static_cast<float>(gain_);
        if (gain_ < 1.0) gain_ = std::min(1.0, gain_ * gain_step_);
        const float a = dsp::finite_or_silence(cue[0][n]), b = dsp::finite_or_silence(cue[1][n]);
        left[n] = gain * (from.left[n] + a);
        right[n] = gain * (from.right[n] + b);
    }
}

void LiveEngine::show_state() noexcept {
    const auto& mix = *mixes_[present_];
    std::uint32_t open = 0;
    for (std::size_t m = 0; m < mics_; ++m) {
        const double samples = mix.gate_open_samples(m);
        if (samples > open_before_[m]) open |= std::uint32_t{1} << m;
        open_before_[m] = samples;
    }
    open_.fetch_or(open, std::memory_order_relaxed);
    if (const auto* bus = mix.bus()) {
        const auto now = static_cast<float>(bus->reduction_db());
        if (now > reduction_db_.load(std::memory_order_relaxed))
            reduction_db_.store(now, std::memory_order_relaxed);
    }
    shown_frame_.store(frame_, std::memory_order_relaxed);
}

} // namespace kitfold::offline
