#pragma once
// The settings as the host's threads and the audio thread share them. No JUCE here, so that the thread check
// runs on it alone.
#include <atomic>
#include <cstddef>
#include <cstdint>
#include <mutex>
#include <span>
#include <vector>

namespace kitfold::plugins {

/// Numbers that any thread may set and the audio thread reads without ever waiting. A group (a preset, a
/// state) arrives whole: the audio thread sees all of it or none.
class SharedValues {
public:
    explicit SharedValues(std::span<const double> start) : values_(start.size()) {
        for (std::size_t i = 0; i < start.size(); ++i) values_[i].store(start[i], std::memory_order_relaxed);
    }

    [[nodiscard]] std::size_t size() const noexcept { return values_.size(); }
    /// Any thread.
    [[nodiscard]] double get(std::size_t i) const noexcept {
        return values_[i].load(std::memory_order_acquire);
    }
    /// Any thread, the audio thread too.
    void set(std::size_t i, double value) noexcept {
        values_[i].store(value, std::memory_order_release);
        changes_.fetch_add(1, std::memory_order_release);
    }
    /// Any thread but the audio thread: waits for another group. values.size() == size().
    void set_all(std::span<const double> values) {
        const std::lock_guard lock(groups_);
        begun_.fetch_add(1, std::memory_order_seq_cst);
        for (std::size_t i = 0; i < values_.size(); ++i)
            values_[i].store(values[i], std::memory_order_release);
        ended_.fetch_add(1, std::memory_order_release);
        changes_.fetch_add(1, std::memory_order_release);
    }

    /// Audio thread: copies everything to `out` when there is news since `seen`. False: nothing new, or a
    /// group is just being written; then `out` is not to be used, and the next call tells.
    [[nodiscard]] bool read(std::span<double> out, std::uint64_t& seen) const noexcept {
        const auto changes = changes_.load(std::memory_order_acquire);
        if (changes == seen) return false;
        const auto ended = ended_.load(std::memory_order_acquire);
        if (begun_.load(std::memory_order_acquire) != ended) return false;
        for (std::size_t i = 0; i < values_.size(); ++i) out[i] = values_[i].load(std::memory_order_acquire);
        if (begun_.load(std::memory_order_acquire) != ended) return false;
        seen = changes;
        return true;
    }

    /// How many groups have been set. Any thread.
    [[nodiscard]] std::uint64_t groups() const noexcept { return ended_.load(std::memory_order_acquire); }

private:
    static_assert(std::atomic<double>::is_always_lock_free);
    std::vector<std::atomic<double>> values_;
    std::atomic<std::uint64_t> changes_{1}, begun_{0}, ended_{0};
    std::mutex groups_;
};

} // namespace kitfold::plugins
