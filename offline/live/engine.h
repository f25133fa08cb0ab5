#pragma once
// The sound of `kitfold live`, apart from where it comes from and goes to.
#include "core/handover.h"
#include "mix/kit_mix.h"
#include "mix/sum.h"
#include "offline/live/tape.h"
#include <array>
#include <atomic>
#include <memory>

namespace kitfold::offline {

/// Where the dry sum of the mics goes: nowhere, or to two outputs of its own.
enum class Monitor { wet, dry };

/// Mics to two tracks while they play, and on tape what came in and the two tracks. process() is the audio
/// thread's: any number of frames, no allocation, lock or system call. begin_take(), move_to() and mark()
/// belong to one other thread, tape() and events() to a third; the rest may be asked on any.
///
/// A take is played by a fresh mix, so that its tracks are those of a bounce of its inputs, sample for
/// sample; what is heard fades over to it in 20 ms. The tape has the tracks as the mix gives them: before the
/// fade in from -20 dB at the start, and late by the latency.
class LiveEngine {
public:
    static constexpr double kTapeS = 4.0;                      ///< at least
    static constexpr double kFadeInDb = -20.0, kFadeInS = 1.0; ///< of the outputs, in a straight line of dB

    /// Throws std::invalid_argument for a rate or a number of mics that KitMix does not take. @pre
    /// KitMix::refused(settings) is nullptr
    LiveEngine(double rate_hz, const dsp::MixSettings& settings, Monitor monitor, double tape_s = kTapeS);

    [[nodiscard]] double rate_hz() const noexcept { return rate_hz_; }
    [[nodiscard]] std::size_t mics() const noexcept { return mics_; }
    [[nodiscard]] std::size_t outputs() const noexcept { return monitor_ == Monitor::dry ? 4 : 2; }

    /// mics[0..mics()), cue[0..2), outputs[0..outputs()): left, right and, if asked for, dry left and right.
    /// The cue is added to the dry outputs when there are some, or else to left and right; it is never on
    /// tape. An output may be the memory of an input.
    void process(const float* const* mics, const float* const* cue, float* const* outputs,
                 std::size_t frames) noexcept;
    /// Audio thread, or the server's thread that tells of it.
    void note_server_loss() noexcept { server_losses_.fetch_add(1, std::memory_order_relaxed); }
    void note_block_frames(std::size_t frames) noexcept { block_frames_.store(frames); }

    /// The sound glides to these settings. @pre as many mics; KitMix::refused(settings) is nullptr
    void move_to(const dsp::MixSettings& settings);
    /// With the next block a take begins. False: the one before has only just begun; try again.
    [[nodiscard]] bool begin_take();
    void mark() noexcept { markers_.fetch_add(1, std::memory_order_relaxed); }

    /// The mics, then left and right.
    [[nodiscard]] Tape& tape() noexcept { return tape_; }
    [[nodiscard]] EventQueue& events() noexcept { return events_; }

    [[nodiscard]] std::size_t latency() const noexcept { return latency_.load(std::memory_order_relaxed); }
    [[nodiscard]] std::int64_t frames() const noexcept {
        return shown_frame_.load(std::memory_order_relaxed);
    }
    /// One bit per mic whose gate was open since the last call; a mic without a gate has none.
    [[nodiscard]] std::uint32_t take_open() noexcept { return open_.exchange(0, std::memory_order_relaxed); }
    /// Largest gain reduction of the bus since the last call, dB >= 0.
    [[nodiscard]] float take_reduction_db() noexcept {
        return reduction_db_.exchange(0.0f, std::memory_order_relaxed);
    }

private:
    static constexpr std::size_t kChunk = 256;
    struct Stereo {
        std::array<float, kChunk> left{}, right{};
    };

    [[nodiscard]] std::unique_ptr<dsp::KitMix> fresh_mix() const;
    const float* const* kept(const float* const* mics, std::size_t frames) noexcept;
    void set_dry(const dsp::MixSettings& settings) noexcept;
    void hear_news() noexcept;
    void chunk(const float* const* mics, const float* const* cue, float* const* outputs,
               std::size_t frames) noexcept;
    void to_tape(const float* const* mics, const Stereo& tracks, std::size_t frames) noexcept;
    void fade_over(const float* const* mics, std::size_t frames) noexcept;
    void show_state() noexcept;
    void put_out(const Stereo& from, const float* const* cue, float* left, float* right,
                 std::size_t frames) noexcept;

    double rate_hz_;
    std::size_t mics_;
    Monitor monitor_;
    dsp::MixSettings settings_; ///< the newest, the control thread's
    dsp::Handover<dsp::MixSettings> edits_;
    std::array<std::unique_ptr<dsp::KitMix>, 2> mixes_; ///< one plays, the other is made anew for a take
    std::atomic<std::size_t> wanted_{0};                ///< of mixes_
    std::atomic<bool> settled_{true};                   ///< the other is nobody's
    std::atomic<std::int64_t> markers_{0}, server_losses_{0};
    std::atomic<std::size_t> block_frames_{0};
    Tape tape_;
    EventQueue events_;

    // the audio thread's
    std::size_t present_ = 0, overlap_ = 0, overlap_left_ = 0; ///< of mixes_; samples
    std::int64_t frame_ = 0, lost_ = 0, markers_seen_ = 0, losses_seen_ = 0;
    std::size_t block_seen_ = 0;
    double gain_ = 1.0, gain_step_ = 1.0; ///< of the fade in
    dsp::Sum dry_;
    Stereo tracks_, former_, dry_tracks_;
    std::vector<float> inputs_; ///< kChunk samples per mic
    std::vector<const float*> input_rows_;
    std::array<double, dsp::PanMix::kMaxMics> open_before_{};

    std::atomic<std::size_t> latency_{0};
    std::atomic<std::int64_t> shown_frame_{0};
    std::atomic<std::uint32_t> open_{0};
    std::atomic<float> reduction_db_{0.0f};
};

} // namespace kitfold::offline
