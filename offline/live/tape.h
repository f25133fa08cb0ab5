#pragma once
// What the audio thread leaves for the one that writes: sound and events, in rings that never hold it up.
#include <algorithm>
#include <array>
#include <atomic>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <optional>
#include <vector>

namespace kitfold::offline {

/// Planes of samples through a ring. One thread writes and one reads; neither waits, allocates or locks.
class Tape {
public:
    /// Room for at least so many frames, all of it touched. Throws std::bad_alloc.
    Tape(std::size_t planes, std::size_t frames)
        : size_(std::bit_ceil(frames)), planes_(planes, std::vector<float>(size_)) {}

    [[nodiscard]] std::size_t planes() const noexcept { return planes_.size(); }
    [[nodiscard]] std::size_t capacity() const noexcept { return size_; }

    /// Writing thread.
    [[nodiscard]] std::size_t writable() const noexcept {
        return size_ - (written_.load(std::memory_order_relaxed) - read_.load(std::memory_order_acquire));
    }
    /// Writing thread. from[0..planes()) with `frames` samples each. False: no room, nothing was taken.
    [[nodiscard]] bool write(const float* const* from, std::size_t frames) noexcept {
        if (writable() < frames) return false;
        const std::size_t at = written_.load(std::memory_order_relaxed);
        const std::size_t begin = at & (size_ - 1), first = std::min(frames, size_ - begin);
        for (std::size_t p = 0; p < planes_.size(); ++p) {
            std::copy_n(from[p], first, planes_[p].data() + begin);
            std::copy_n(from[p] + first, frames - first, planes_[p].data());
        }
        written_.store(at + frames, std::memory_order_release);
        return true;
    }

    /// Reading thread.
    [[nodiscard]] std::size_t readable() const noexcept {
        return written_.load(std::memory_order_acquire) - read_.load(std::memory_order_relaxed);
    }
    /// Reading thread. @pre frames <= readable()
    void read(float* const* to, std::size_t frames) noexcept {
        const std::size_t at = read_.load(std::memory_order_relaxed);
        const std::size_t begin = at & (size_ - 1), first = std::min(frames, size_ - begin);
        for (std::size_t p = 0; p < planes_.size(); ++p) {
            std::copy_n(planes_[p].data() + begin, first, to[p]);
            std::copy_n(planes_[p].data(), frames - first, to[p] + first);
        }
        read_.store(at + frames, std::memory_order_release);
    }

private:
    std::size_t size_;
    std::vector<std::vector<float>> planes_;
    alignas(64) std::atomic<std::size_t> written_{0};
    alignas(64) std::atomic<std::size_t> read_{0};
};

/// What happened, at a frame counted from the engine's first.
struct LiveEvent {
    enum class Kind {
        take,        ///< the sound of a new take begins; value: latency of its tracks in samples
        tape_lost,   ///< value: frames that are not on the tape, because nobody took it off in time
        server_lost, ///< value: how often JACK lost buffers of ours since the last time
        edit,        ///< the session's changes begin to glide in; value: latency
        marker,      ///< value: its number
        block        ///< the server's block size changed; value: frames
    };
    Kind kind = Kind::marker;
    std::int64_t frame = 0, value = 0;
};

/// Events through a ring, as Tape does it.
class EventQueue {
public:
    /// Writing thread. False: no room.
    bool push(const LiveEvent& event) noexcept {
        const std::size_t at = written_.load(std::memory_order_relaxed);
        if (full()) return false;
        events_[at % events_.size()] = event;
        written_.store(at + 1, std::memory_order_release);
        return true;
    }
    [[nodiscard]] bool full() const noexcept {
        return written_.load(std::memory_order_relaxed) - read_.load(std::memory_order_acquire) >=
               events_.size();
    }
    /// Reading thread: the next one, which stays until pop().
    [[nodiscard]] std::optional<LiveEvent> front() const noexcept {
        const std::size_t at = read_.load(std::memory_order_relaxed);
        if (written_.load(std::memory_order_acquire) == at) return std::nullopt;
        return events_[at % events_.size()];
    }
    void pop() noexcept { read_.store(read_.load(std::memory_order_relaxed) + 1, std::memory_order_release); }

private:
    std::array<LiveEvent, 1024> events_;
    alignas(64) std::atomic<std::size_t> written_{0};
    alignas(64) std::atomic<std::size_t> read_{0};
};

} // namespace kitfold::offline
