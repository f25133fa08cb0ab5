#include "analysis/kit_key_learn_recorder.h"
#include "core/moving.h"
#include <algorithm>

namespace kitfold::dsp {

bool TakeRecorder::prepare(double rate_hz, std::size_t mics, double seconds) {
    constexpr std::size_t kMostMics = 32;
    constexpr double kMostSeconds = 600.0;
    if (recording() || !rate_allowed(rate_hz) || mics == 0 || mics > kMostMics) return false;
    if (!(seconds >= 1.0 && seconds <= kMostSeconds)) return false;
    rate_hz_ = rate_hz;
    samples_.assign(mics, std::vector<float>(static_cast<std::size_t>(rate_hz * seconds)));
    written_.store(0, std::memory_order_release);
    return true;
}

void TakeRecorder::start() noexcept {
    auto idle = State::idle;
    state_.compare_exchange_strong(idle, State::asked);
}

void TakeRecorder::stop() noexcept {
    auto asked = State::asked, running = State::running;
    if (!state_.compare_exchange_strong(asked, State::idle))
        state_.compare_exchange_strong(running, State::ending);
}

void TakeRecorder::record(const float* const* mics, std::size_t frames) noexcept {
    if (auto asked = State::asked; state_.compare_exchange_strong(asked, State::running))
        written_.store(0, std::memory_order_relaxed);
    if (auto ending = State::ending; state_.compare_exchange_strong(ending, State::idle)) return;
    if (state_.load(std::memory_order_relaxed) != State::running) return;
    const std::size_t at = written_.load(std::memory_order_relaxed);
    const std::size_t room = samples_.empty() ? 0 : samples_[0].size() - at, count = std::min(frames, room);
    for (std::size_t m = 0; m < samples_.size(); ++m)
        std::copy_n(mics[m], count, samples_[m].begin() + static_cast<std::ptrdiff_t>(at));
    written_.store(at + count, std::memory_order_release);
    if (count == room) state_.store(State::idle, std::memory_order_release);
}

Take TakeRecorder::take(std::vector<TakeMic> mics) const {
    const std::size_t frames = written_.load(std::memory_order_acquire);
    std::vector<std::span<const float>> views;
    for (const auto& s : samples_) views.emplace_back(s.data(), frames);
    return take_of(rate_hz_, std::move(mics), std::move(views));
}

} // namespace kitfold::dsp
