#pragma once
// A take gathered while it plays, to learn from (find_hits, learn_kit_key) on another thread.
#include "analysis/take.h"
#include <atomic>
#include <vector>

namespace kitfold::dsp {

/// Room for so many seconds of every mic. One thread (the control thread) prepares, starts, stops and reads;
/// the audio thread calls record() with every block, which never allocates, locks or throws.
class TakeRecorder {
public:
    /// Allocates 4 bytes per sample. False: rate (8'000..384'000), mics (1..32) or seconds (1..600) out of
    /// range, or recording. Control thread, while record() is not called.
    [[nodiscard]] bool prepare(double rate_hz, std::size_t mics, double seconds);

    /// Begin afresh with the next block, unless recording already; end before the next block. Control thread.
    void start() noexcept;
    void stop() noexcept;

    /// Audio thread: mics[m] are `frames` samples as they come in. Stops by itself when it is full.
    void record(const float* const* mics, std::size_t frames) noexcept;

    /// Control thread. recording(): the audio thread still writes, take() must wait.
    [[nodiscard]] bool recording() const noexcept {
        return state_.load(std::memory_order_acquire) != State::idle;
    }
    [[nodiscard]] double seconds() const noexcept {
        return static_cast<double>(written_.load(std::memory_order_acquire)) / rate_hz_;
    }

    /// What was recorded; good until start() or prepare(). @pre !recording(), as many mics as prepared
    [[nodiscard]] Take take(std::vector<TakeMic> mics) const;

private:
    double rate_hz_ = 48'000.0;
    std::vector<std::vector<float>> samples_;
    enum class State { idle, asked, running, ending }; ///< the audio thread ends what it began
    std::atomic<State> state_{State::idle};
    std::atomic<std::size_t> written_{0};
};

} // namespace kitfold::dsp
