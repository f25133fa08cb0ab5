#pragma once
// Damp's "learn": listens to a few separate hits of one drum and sets the rings and the top from them, and
// the tail to 0.
#include "common/background.h"
#include "common/processor.h"
#include "damp/collector.h"
#include "ring/damp_learn.h"
#include <mutex>

namespace kitfold::plugins {

/// While the control is on, the audio thread collects. When it is switched off, or kEnoughHits rang, or
/// kSeconds are over, a thread of its own measures; what it found is set as if a hand had moved the controls.
/// What it could not find changes nothing. A state or a program that arrives meanwhile ends it: those are
/// the newer wish.
///
/// Threads: hear() on the audio thread; the rest on any but that one.
class Learner final : public Processor::Task {
public:
    static constexpr double kSeconds = 20.0;
    static constexpr std::size_t kLeastHits = 3; ///< fewer don't show what they have in common
    static constexpr std::size_t kEnoughHits = 10;

    explicit Learner(Processor& plugin) : plugin_(plugin) {}

    /// Not while hear() may run. Allocates. At a new rate a recording starts again.
    void prepare(double rate_hz);
    void hear(std::span<const float* const> in, std::size_t frames) noexcept { collector_.hear(in, frames); }
    void run() override;

private:
    enum class Phase { idle, listening, measuring };
    struct Outcome {
        bool learn_off = false;
        std::optional<dsp::DampLearned> learned;
    };

    Outcome next_step();
    void listen();
    void count_hits();
    [[nodiscard]] bool enough() const;
    void measure();
    std::optional<dsp::DampLearned> finish();
    void set_controls(const dsp::DampLearned& learned);

    Processor& plugin_;
    Collector collector_;
    std::mutex mutex_; ///< prepare() against run(); over all that follows
    double rate_hz_ = 0.0;
    Phase phase_ = Phase::idle;
    std::uint64_t groups_ = 0; ///< states and programs that had arrived when listening began
    int calls_ = 0;
    std::vector<dsp::RingHit> hits_;          ///< in what was heard so far
    std::optional<dsp::DampLearned> learned_; ///< the measurement's until it is done
    bool rings_alike_ = false;                ///< likewise
    bool some_left_ = false;                  ///< likewise: rings that are heard and left as they are
    double state_ = kLearnNothingYet, opening_ = 0.0;
    Background measurement_; ///< last: it goes first, and works with the others
};

} // namespace kitfold::plugins
