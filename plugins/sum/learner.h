#pragma once
// Sum's "learn": listens to a take, learns the bleed between the mics and sets the thresholds of the gates
// that listen to the kit; and what Sum shows of it all.
#include "bleed/kit_key_learn.h"
#include "bleed/kit_key_learn_recorder.h"
#include "common/background.h"
#include "common/processor.h"
#include "sum/kit_memory.h"
#include <mutex>

namespace kitfold::plugins {

/// While the control is on, the audio thread collects. When it is switched off, or kSeconds are over, a
/// thread of its own measures. Then the table is the kit's memory, and the thresholds of all gates but those
/// that are to listen to their own mic are set as if a hand had moved them. What could not be learned changes
/// nothing. A state or a program that arrives meanwhile ends it: those are the newer wish.
///
/// Threads: hear() and the set_ functions on the audio thread; the rest on any but that one.
class KitLearner final : public Processor::Task {
public:
    static constexpr double kSeconds = dsp::kLearnSeconds;

    explicit KitLearner(Processor& plugin) : plugin_(plugin) {}

    /// Not while hear() may run. mics: those that are connected. A recording starts again.
    void prepare(double rate_hz, std::vector<std::size_t> mics);
    void hear(std::span<const float* const> in, std::size_t frames) noexcept;
    /// One bit per mic: its gate was open; its gate listens to the kit.
    void set_open(std::uint32_t mics) noexcept { open_.fetch_or(mics, std::memory_order_relaxed); }
    void set_kit_keyed(std::uint32_t mics) noexcept { kit_keyed_.store(mics, std::memory_order_relaxed); }

    [[nodiscard]] KitMemory& memory() noexcept { return memory_; }
    [[nodiscard]] const KitMemory& memory() const noexcept { return memory_; }

    void run() override;

private:
    enum class Phase { idle, listening, measuring };
    struct Outcome {
        bool learn_off = false;
        std::vector<dsp::KitKeyProposal> proposals{}; ///< mics as Sum counts them
    };

    Outcome next_step();
    void listen();
    void measure();
    void fit(const dsp::Take& take, std::span<const std::size_t> mics);
    [[nodiscard]] bool keep_room() noexcept;
    std::vector<dsp::KitKeyProposal> finish();
    void show();
    [[nodiscard]] SumGateState gate_state(std::size_t mic, std::uint32_t open) const;
    [[nodiscard]] dsp::TakeMic take_mic(std::size_t mic, const std::string& name) const;

    Processor& plugin_;
    KitMemory memory_;
    dsp::TakeRecorder recorder_;
    std::atomic<std::uint32_t> open_{0}, kit_keyed_{0};
    std::vector<std::size_t> mics_; ///< connected; the audio thread's too, changes while it rests
    std::mutex mutex_;              ///< prepare() against run(); over all that follows
    double rate_hz_ = 0.0;
    Phase phase_ = Phase::idle;
    std::uint64_t groups_ = 0, version_ = 0; ///< states and programs that had arrived when listening began
    KitLearning state_ = KitLearning::nothing_yet;
    double heard_s_ = 0.0, margin_db_ = 0.0;
    std::optional<dsp::LearnedKitKey> learned_; ///< the measurement's until it is done
    Background measurement_;                    ///< last: it goes first, and works with the others
};

} // namespace kitfold::plugins
