#pragma once
// A kit that plays, and an engine that is called as a server would.
#include "offline/files.h"
#include "offline/live/live.h"
#include "offline/live/writer.h"
#include "offline/session/strips.h"
#include <catch2/catch.hpp>
#include <chrono>
#include <random>
#include <thread>

namespace kitfold::test {

constexpr auto kPatience = std::chrono::minutes(5); ///< ends a test that hangs, and no other

template <class Condition> bool wait_until(Condition&& condition) {
    const auto end = std::chrono::steady_clock::now() + kPatience;
    while (!condition()) {
        if (std::chrono::steady_clock::now() > end) return false;
        std::this_thread::sleep_for(std::chrono::milliseconds(2));
    }
    return true;
}

/// Hits of noise that die away, at a place of its own in each mic.
inline float some_drum(std::size_t mic, std::int64_t frame) {
    auto x = static_cast<std::uint32_t>(frame * 32 + static_cast<std::int64_t>(mic)) * 2654435761u;
    x ^= x >> 15, x *= 2246822519u, x ^= x >> 13;
    const double since =
        static_cast<double>((frame + 977 * static_cast<std::int64_t>(mic)) % 9'600) / 9'600.0;
    return static_cast<float>((static_cast<double>(x) / 4294967296.0 - 0.5) * std::exp(-8.0 * since));
}

/// Every block in some mics, a look-ahead, a fractional delay, a bus compressor.
inline offline::Session some_session(const std::filesystem::path& folder, std::size_t mics) {
    offline::Session session;
    session.path = folder / "session.json";
    for (std::size_t m = 0; m < mics; ++m) {
        auto& mic = session.mics.emplace_back();
        mic.name = "Mic " + std::to_string(m + 1), mic.file = mic.name + ".wav";
        mic.mix.pan = m % 2 == 0 ? -0.5 : 0.5;
        if (m % 3 == 1) mic.mix.delay_ms = 0.123;
        if (m % 2 == 0)
            mic.gate = dsp::GateSettings{.threshold_db = -12.0, .hold_ms = 5.0, .lookahead_ms = 1.0};
        if (m % 3 == 0) mic.filters = dsp::KickSettings{};
        if (m % 4 == 3) mic.damp = dsp::DampSettings{.amount = 0.7, .tail_db_per_s = 20.0, .band_count = 1};
    }
    session.bus = dsp::BusSettings{.threshold_db = -25.0};
    session.output.bits = 32.0;
    return session;
}

/// Calls the engine with some_drum() and keeps what it puts out.
class Caller {
public:
    explicit Caller(offline::LiveEngine& engine, std::size_t most = 4'096)
        : engine_(engine), in_(engine.mics(), std::vector<float>(most)), cue_(2, std::vector<float>(most)),
          out_(engine.outputs(), std::vector<float>(most)) {
        for (const auto& x : in_) ins_.push_back(x.data());
        for (const auto& x : cue_) cues_.push_back(x.data());
        for (auto& x : out_) outs_.push_back(x.data());
    }
    void call(std::size_t frames) {
        for (std::size_t m = 0; m < in_.size(); ++m)
            for (std::size_t n = 0; n < frames; ++n)
                in_[m][n] = some_drum(m, frame_ + static_cast<std::int64_t>(n));
        engine_.process(ins_.data(), cues_.data(), outs_.data(), frames);
        frame_ += static_cast<std::int64_t>(frames);
    }
    /// As a server that waits for the writer, so that nothing is lost however slow the disk is.
    void call_patiently(std::int64_t frames, std::size_t block) {
        const auto end = frame_ + frames;
        while (frame_ < end) {
            if (engine_.tape().writable() < engine_.tape().capacity() - 9'600)
                std::this_thread::sleep_for(std::chrono::milliseconds(1));
            else
                call(static_cast<std::size_t>(
                    std::min<std::int64_t>(static_cast<std::int64_t>(block), end - frame_)));
        }
    }
    [[nodiscard]] std::int64_t frame() const { return frame_; }
    std::vector<float>& cue(std::size_t side) { return cue_[side]; }
    [[nodiscard]] const std::vector<float>& output(std::size_t o) const { return out_[o]; }

private:
    offline::LiveEngine& engine_;
    std::vector<std::vector<float>> in_, cue_, out_;
    std::vector<const float*> ins_, cues_;
    std::vector<float*> outs_;
    std::int64_t frame_ = 0;
};

} // namespace kitfold::test
