#pragma once
// A take gathered while it plays, to learn from (find_hits, learn_kit_key) on another thread.
#include "take/take.h"
#include <atomic>
#include <memory>
#include <vector>

namespace kitfold::dsp {

/// Room for so many seconds of every mic, taken as it is needed. One thread (the control thread) prepares,
/// starts, stops and reads; the audio thread calls record() with every block, which never allocates, locks or
/// throws.
class TakeRecorder {
public:
    static constexpr double kAheadSeconds = 10.0; ///< grow() comes every few seconds

    /// Room for the first kAheadSeconds, 4 bytes per sample. False: rate (8'000..384'000), mics (1..32) or
    /// seconds (1..600) out of range, or recording. Control thread.
    [[nodiscard]] bool prepare(double rate_hz, std::size_t mics, double seconds);
    /// Control thread, at least every few seconds while it records: room for the next kAheadSeconds.
    /// std::bad_alloc is the caller's; what room there is can still be used.
    void grow();
    /// Gives the room back. Control thread, when nothing is being recorded or record() is not called.
    void clear() noexcept;

    /// Begin afresh with the next block, unless recording already; end before the next block. Control thread.
    void start() noexcept;
    void stop() noexcept;

    /// Audio thread: mics[m] are `frames` samples as they come in; NaN and Inf are taken as silence. Stops by
    /// itself when there is no room.
    void record(const float* const* mics, std::size_t frames) noexcept;

    /// Any thread. recording(): the audio thread still writes, take() must wait.
    [[nodiscard]] bool recording() const noexcept {
        return state_.load(std::memory_order_acquire) != State::idle;
    }
    [[nodiscard]] double seconds() const noexcept {
        return static_cast<double>(written_.load(std::memory_order_acquire)) / rate_hz_;
    }

    /// What was recorded; good until start(), prepare() or clear(). @pre !recording(), as many mics as
    /// prepared
    [[nodiscard]] Take take(std::vector<TakeMic> mics) const;

private:
    static constexpr std::size_t kPart = 1u << 16; ///< samples of each mic that come in one piece of memory

    void read(std::size_t mic, std::int64_t start, std::span<float> out) const noexcept;

    double rate_hz_ = 48'000.0;
    std::size_t mics_ = 0, most_ = 0;                  ///< most_: samples per mic in the end
    std::vector<std::unique_ptr<float[]>> parts_;      ///< mic after mic, kPart each
    enum class State { idle, asked, running, ending }; ///< the audio thread ends what it began
    std::atomic<State> state_{State::idle};
    std::atomic<std::size_t> room_{0}, written_{0}; ///< samples per mic
};

} // namespace kitfold::dsp
