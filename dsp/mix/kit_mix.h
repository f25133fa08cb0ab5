#pragma once
// The whole path of a submix: every mic's strip, the sum, the bus compressor, the output level.
#include "dynamics/bus_compressor.h"
#include "dynamics/kit_key.h"
#include "mix/lane_damp.h"
#include "mix/lane_strip.h"
#include "mix/mic_delays.h"
#include "mix/pan_mix.h"
#include <memory>
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// One mic's settings; a block that is left out is bypassed exactly.
struct MicStrip {
    MicSettings mix;
    std::optional<KickSettings> kick;
    std::optional<GateSettings> gate;
    std::optional<DampSettings> damp;
};

/// Everything of a submix that can be heard. For the meaning of `table` see KitMix::prepare().
struct MixSettings {
    std::vector<MicStrip> strips; ///< 1..32
    SumSettings sum;
    std::optional<BusSettings> bus;
    double output_level_db = 0.0;
    KitKeyTable table;
};

/// 1..32 mono mics to stereo, with fixed settings as `bounce` runs it, or with settings that move while it
/// plays. Order: polarity, delay, kick, gate, damp, level and pan, width, sum, bus, output level. The output
/// is late by latency() samples, the same for every mic. process(): any number of frames, the same samples at
/// any block size and instruction set; never allocates, locks or throws; NaN and Inf in a mic are taken as
/// silence.
class KitMix {
public:
    /// Allocates. nullptr when done; otherwise the first setting that is out of range, and nothing changed.
    /// A gate with key `kit` listens to what `table` cannot explain of its mic as it comes in; if the table
    /// does not know the mic, it is a plain gate on its own signal (kit_keyed() tells). The rate must be 8
    /// kHz..384 kHz and the strips 1..32 (std::invalid_argument otherwise).
    const Parameter* prepare(double rate_hz, std::span<const MicStrip> strips, const SumSettings& sum,
                             const std::optional<BusSettings>& bus, double output_level_db,
                             Isa isa = best_isa(), const KitKeyTable& table = {});
    /// The same, with room for all that set() may bring later: every block in every mic, 50 ms of delay and
    /// 10 ms of look-ahead. The samples are those of prepare(); the time they take is that of every block.
    const Parameter* prepare_to_move(double rate_hz, const MixSettings& settings, Isa isa = best_isa());
    /// Moves to other settings of the same mics in 20 ms; a block that goes moves to where it changes
    /// nothing. Audio thread. @pre prepare_to_move(); as many mics as there; refused(settings) is nullptr
    void set(const MixSettings& settings) noexcept;
    /// The first setting that is out of range, or nullptr.
    [[nodiscard]] static const Parameter* refused(const MixSettings& settings) noexcept;
    void reset() noexcept;

    /// Samples by which the output is late: the largest look-ahead and the margin of fractional delays.
    [[nodiscard]] std::size_t latency() const noexcept { return latency_; }

    /// mics[m], left, right: `frames` samples each. stems[m], if asked for: mic m after its strip, before
    /// level and pan. No output may be the memory of an input.
    void process(const float* const* mics, float* left, float* right, std::size_t frames,
                 float* const* stems = nullptr) noexcept;

    /// process() in two halves that may run on two threads, the second some blocks behind the first. The
    /// blocks come in order; any number of frames, the same for both.
    /// Delay, kick and gate of every mic, in place.
    void shape(float* const* mics, std::size_t frames) noexcept;
    /// Damp of every mic in place, which leaves the mics as stems are; then level, pan, sum, bus compressor
    /// and output level.
    void finish(float* const* mics, float* left, float* right, std::size_t frames) noexcept;

    /// Largest |sample| that has left mic m's strip since reset(), before level and pan.
    [[nodiscard]] double peak(std::size_t mic) const noexcept { return peaks_[mic]; }
    /// What mic m is to have of each side of the sum: level, pan, width and mono.
    [[nodiscard]] StereoGain gain(std::size_t mic) const noexcept { return mix_.heard_gain(mic); }
    /// Share 0..1 of the time since reset() for which mic m's gate was open; 1 without a gate.
    [[nodiscard]] double gate_open(std::size_t mic) const noexcept;
    /// The samples for which it was open; 0 without a gate.
    [[nodiscard]] double gate_open_samples(std::size_t mic) const noexcept;
    /// Does the gate of mic m hear the bleed-aware key?
    [[nodiscard]] bool kit_keyed(std::size_t mic) const noexcept { return key_rows_[mic] != nullptr; }
    [[nodiscard]] const BusCompressor* bus() const noexcept { return has_bus_ ? &bus_ : nullptr; }

private:
    static constexpr std::size_t kChunk = 256;

    struct Group {
        std::unique_ptr<LaneStrip> strip;
        StripBlocks blocks;
        std::vector<std::size_t> mics;
    };

    struct DampGroup {
        std::unique_ptr<LaneDamp> damp;
        std::vector<std::size_t> mics;
    };

    /// An output level that moves in a straight line, as the levels of the mics do.
    struct OutputGain {
        double now = 1.0, to = 1.0;
        std::size_t left = 0; ///< samples of the move to go
    };

    void make(double rate_hz, const SumSettings& sum, const KitKeyTable& table, Isa isa);
    [[nodiscard]] std::vector<double> delay_rooms() const;
    [[nodiscard]] StripBlocks blocks_of(std::size_t mic) const noexcept;
    void make_groups(Isa isa);
    void make_damp_groups(Isa isa);
    void set_blocks() noexcept;
    void set_delays() noexcept;
    void set_keys(const KitKeyTable& table) noexcept;
    void scale_output(float* left, float* right, std::size_t frames) noexcept;
    void shape(const float* const* in, float* const* out, std::size_t frames) noexcept;
    void damp(float* const* mics, std::size_t frames) noexcept;
    void sum(const float* const* mics, float* left, float* right, std::size_t frames) noexcept;

    double rate_hz_ = 48'000.0;
    bool moves_ = false; ///< has room for any settings
    std::vector<MicStrip> strips_;
    MicDelays delays_;
    std::vector<Group> groups_;
    std::vector<DampGroup> damp_groups_;
    std::vector<std::pair<Group*, std::size_t>> place_; ///< each mic's group and lane, or nullptr
    KitKey kit_key_;
    bool has_kit_key_ = false;
    std::vector<float> keys_;      ///< kChunk samples per mic
    std::vector<float*> key_rows_; ///< nullptr: the mic is its own key
    PanMix mix_;
    BusCompressor bus_;
    bool has_bus_ = false;
    OutputGain output_;
    double frames_ = 0.0;
    std::size_t latency_ = 0;
    std::vector<double> peaks_;
    std::vector<float> work_;       ///< kChunk samples per mic
    std::vector<float*> work_rows_; ///< one per mic
};

} // namespace kitfold::dsp
