#pragma once
// What the audio thread hears while a plug-in learns. No JUCE here.
#include "core/finite.h"
#include <algorithm>
#include <atomic>
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace kitfold::plugins {

/// One mono recording at a time. It begins 0.1 to 0.2 s before the first sound above kStartGain, so that
/// nobody has to hurry from the switch to the drum.
///
/// Threads: one of the host's threads controls (prepare, begin, end) and reads; the audio thread calls
/// hear(), which never waits or allocates.
class Collector {
public:
    static constexpr float kStartGain = 0.01f; ///< -40 dBFS

    /// Not while hear() may run or anybody reads. Allocates.
    void prepare(double rate_hz, double seconds) {
        end();
        lead_ = static_cast<std::size_t>(kLeadSeconds * rate_hz);
        samples_.assign(std::max(2 * lead_ + 1, static_cast<std::size_t>(seconds * rate_hz)), 0.0f);
    }
    /// Starts a new recording; not while anybody reads the last one.
    void begin() noexcept { wanted_.store(++recordings_, std::memory_order_release); }
    /// What was heard until now stays; the block that is just coming in may be added still.
    void end() noexcept { wanted_.store(0, std::memory_order_release); }

    /// The recording so far: stays valid and as it is until the next begin() or prepare().
    [[nodiscard]] std::span<const float> heard() const noexcept {
        const auto heard = heard_.load(std::memory_order_acquire);
        const auto length = heard >> kNumberBits == recordings_ ? heard & kLengthMask : 0;
        return std::span(samples_).first(static_cast<std::size_t>(length));
    }
    [[nodiscard]] bool full() const noexcept { return heard().size() == samples_.size(); }

    /// Audio thread: the mean of the channels. NaN and Inf are taken as silence.
    void hear(std::span<const float* const> in, std::size_t frames) noexcept {
        const auto wanted = wanted_.load(std::memory_order_acquire);
        if (wanted == 0 || in.empty()) return;
        if (wanted != number_) number_ = wanted, length_ = 0, started_ = false;
        const float share = 1.0f / static_cast<float>(in.size());
        for (std::size_t n = 0; n < frames && length_ < samples_.size(); ++n) {
            float x = 0.0f;
            for (const auto* channel : in) x += share * dsp::finite_or_silence(channel[n]);
            samples_[length_++] = dsp::finite_or_silence(x);
            started_ = started_ || std::abs(x) > kStartGain;
            if (!started_ && length_ == 2 * lead_) keep_lead();
        }
        heard_.store((number_ << kNumberBits) + (started_ ? length_ : 0), std::memory_order_release);
    }

private:
    static constexpr double kLeadSeconds = 0.1;
    static constexpr std::uint64_t kNumberBits = 40, kLengthMask = (1ull << kNumberBits) - 1;

    void keep_lead() noexcept {
        std::copy_n(samples_.begin() + static_cast<std::ptrdiff_t>(lead_), lead_, samples_.begin());
        length_ = lead_;
    }

    std::vector<float> samples_;
    std::size_t lead_ = 0;
    std::uint64_t recordings_ = 0;         ///< begun so far
    std::atomic<std::uint64_t> wanted_{0}; ///< number of the recording to make, 0: none
    std::atomic<std::uint64_t> heard_{0};  ///< number of the recording and its length
    std::uint64_t number_ = 0;             ///< audio thread: the recording being made
    std::size_t length_ = 0;               ///< audio thread
    bool started_ = false;                 ///< audio thread
};

} // namespace kitfold::plugins
