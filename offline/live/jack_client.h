#pragma once
// Where live sound comes from and goes to: JACK, or whatever answers in its place.
#include "offline/live/engine.h"
#include <memory>
#include <string>
#include <vector>

namespace kitfold::offline {

/// How long the callback took, in microseconds, since the start.
struct CallbackTimes {
    std::int64_t calls = 0, late = 0; ///< late: took longer than a block lasts
    double p999_us = 0.0, worst_us = 0.0, mean_us = 0.0;
};

/// One client with an input per mic, inputs cue_left and cue_right, and the engine's outputs: left, right,
/// dry_left, dry_right. All of it belongs to one thread; the engine is played, told of losses and block
/// sizes, and asked for its latency on JACK's.
class JackClient {
public:
    /// Joins the server that runs. Throws Error: io_failed without one (the line says how to start one), or
    /// when this program was built without JACK's library.
    JackClient();
    ~JackClient();
    JackClient(const JackClient&) = delete;
    JackClient& operator=(const JackClient&) = delete;

    [[nodiscard]] int rate_hz() const noexcept;
    [[nodiscard]] int block_frames() const noexcept;

    /// Makes the ports and lets the engine play. It must outlive this. Throws Error, bad_input: a port can't
    /// be had (the line names it); io_failed: the server does not let it play. A ':' in a mic's name becomes
    /// '_'.
    void start(LiveEngine& engine, const std::vector<std::string>& mics);
    /// Joins hardware inputs to the mics in their order, and the last two outputs to playback. What can't be
    /// joined, in one line each.
    [[nodiscard]] std::vector<std::string> connect();
    /// The engine's latency is another one now.
    void tell_latency() noexcept;
    /// The engine is not called any more after this.
    void stop() noexcept;

    [[nodiscard]] bool server_gone() const noexcept;
    [[nodiscard]] CallbackTimes times() const noexcept;

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

} // namespace kitfold::offline
