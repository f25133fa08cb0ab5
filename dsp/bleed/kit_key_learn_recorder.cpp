#include "bleed/kit_key_learn_recorder.h"
#include "core/finite.h"
#include "core/moving.h"
#include <algorithm>

namespace kitfold::dsp {

bool TakeRecorder::prepare(double rate_hz, std::size_t mics, double seconds) {
    constexpr std::size_t kMostMics = 32;  // as a submix has (mix/mic_delays.h)
    constexpr double kMostSeconds = 600.0; // of 32 mics at 48 kHz, 3.7 GB
    if (recording() || !rate_allowed(rate_hz) || mics == 0 || mics > kMostMics) return false;
    if (!(seconds >= 1.0 && seconds <= kMostSeconds)) return false;
    clear();
    rate_hz_ = rate_hz, mics_ = mics, most_ = static_cast<std::size_t>(rate_hz * seconds);
    parts_.resize((most_ + kPart - 1) / kPart);
    grow();
    return true;
}

void TakeRecorder::grow() {
    const auto wanted =
        written_.load(std::memory_order_acquire) + static_cast<std::size_t>(kAheadSeconds * rate_hz_);
    for (auto room = room_.load(std::memory_order_relaxed); room < std::min(wanted, most_);) {
        parts_[room / kPart] = std::make_unique<float[]>(mics_ * kPart); // touched here, not while it plays
        room = std::min(room + kPart, most_);
        room_.store(room, std::memory_order_release);
    }
}

void TakeRecorder::clear() noexcept {
    state_.store(State::idle);
    room_.store(0), written_.store(0), most_ = 0;
    std::vector<std::unique_ptr<float[]>>().swap(parts_);
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
    if (!recording()) return;
    if (auto asked = State::asked; state_.compare_exchange_strong(asked, State::running))
        written_.store(0, std::memory_order_relaxed);
    if (auto ending = State::ending; state_.compare_exchange_strong(ending, State::idle)) return;
    if (state_.load(std::memory_order_relaxed) != State::running) return;
    const std::size_t at = written_.load(std::memory_order_relaxed),
                      room = room_.load(std::memory_order_acquire) - at, count = std::min(frames, room);
    for (std::size_t done = 0; done < count;) {
        const std::size_t offset = (at + done) % kPart, length = std::min(count - done, kPart - offset);
        float* part = parts_[(at + done) / kPart].get() + offset;
        for (std::size_t m = 0; m < mics_; ++m, part += kPart)
            std::transform(mics[m] + done, mics[m] + done + length, part, finite_or_silence);
        done += length;
    }
    written_.store(at + count, std::memory_order_release);
    if (count == room) state_.store(State::idle, std::memory_order_release);
}

void TakeRecorder::read(std::size_t mic, std::int64_t start, std::span<float> out) const noexcept {
    const auto length = static_cast<std::int64_t>(written_.load(std::memory_order_acquire));
    for (std::size_t n = 0; n < out.size();) {
        const std::int64_t at = start + static_cast<std::int64_t>(n);
        const auto left = static_cast<std::int64_t>(out.size() - n), part = static_cast<std::int64_t>(kPart);
        const bool inside = at >= 0 && at < length;
        const auto count =
            inside ? std::min({left, length - at, part - at % part}) : (at < 0 ? std::min(left, -at) : left);
        auto* to = out.data() + n;
        if (inside)
            std::copy_n(parts_[static_cast<std::size_t>(at / part)].get() + mic * kPart + at % part, count,
                        to);
        else
            std::fill_n(to, count, 0.0f);
        n += static_cast<std::size_t>(count);
    }
}

Take TakeRecorder::take(std::vector<TakeMic> mics) const {
    Take take;
    take.rate_hz = rate_hz_, take.mics = std::move(mics);
    take.length = static_cast<std::int64_t>(written_.load(std::memory_order_acquire));
    take.read = [this](std::size_t mic, std::int64_t start, std::span<float> out) { read(mic, start, out); };
    return take;
}

} // namespace kitfold::dsp
