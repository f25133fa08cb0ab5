#pragma once
// What all Kitfold plug-ins do alike: controls from the table, state as JSON, presets as programs, blocks of
// any size, bypass that keeps time, latency and meters. The sound is in dsp/; a plug-in hands it settings and
// samples.
#include "common/dry_delay.h"
#include "common/presets.h"
#include "common/table_parameter.h"
#include "settings/settings_json.h"
#include <array>
#include <thread>

namespace kitfold::plugins {

/// The samples of one call of render(). in: main channels, then those of the side-chain if there is one; Sum:
/// one per mic, silence where there is none. Never the memory of `out`.
struct Block {
    std::span<const float* const> in;
    std::span<float* const> out;
    std::size_t frames; ///< 1..kBlockFrames
};

/// Threads: the audio thread runs processBlock and processBlockBypassed, which never allocate, lock, throw or
/// call the system. Controls may be set from any thread, state and programs from any but the audio thread.
/// The rest as JUCE says.
class Processor : public juce::AudioProcessor {
public:
    static constexpr std::size_t kBlockFrames =
        512; ///< longer blocks are cut; the output does not depend on it
    static constexpr std::size_t kMaxInputs = kSumMics, kMaxOutputs = 2, kMaxMeters = 4 + kSumMics;

    /// What a plug-in does beside the audio. It goes away after the last call of run().
    class Task {
    public:
        virtual ~Task() = default;
        virtual void run() = 0; ///< message thread, some 20 times a second once there was a prepareToPlay
    };

    ~Processor() override;

    const juce::String getName() const override {
        return juce::String(layout_.name.data(), layout_.name.size());
    }
    void prepareToPlay(double rate_hz, int frames) override;
    void releaseResources() override {}
    void reset() override;
    void processBlock(juce::AudioBuffer<float>& audio, juce::MidiBuffer&) override { run(audio, false); }
    void processBlockBypassed(juce::AudioBuffer<float>& audio, juce::MidiBuffer&) override {
        run(audio, true);
    }
    using AudioProcessor::processBlock, AudioProcessor::processBlockBypassed;

    bool acceptsMidi() const override { return false; }
    bool producesMidi() const override { return false; }
    bool hasEditor() const override { return false; } // the host shows its own controls
    juce::AudioProcessorEditor* createEditor() override { return nullptr; }

    int getNumPrograms() override { return static_cast<int>(programs_.size()); }
    int getCurrentProgram() override { return program_.load(); }
    void setCurrentProgram(int index) override;
    const juce::String getProgramName(int index) override;
    void changeProgramName(int, const juce::String&) override {} // factory presets keep their names

    /// {"kitfold_state": 1, "program": "…", "filters": {…}}: the blocks are those of a session.
    void getStateInformation(juce::MemoryBlock& state) override;
    /// Takes what it knows of any version; what is missing takes its default. What is no state at all changes
    /// nothing.
    void setStateInformation(const void* data, int size) override;

    [[nodiscard]] const Layout& layout() const noexcept { return layout_; }
    /// Those of the controls, then the layout's kept ones.
    [[nodiscard]] std::vector<double> settings() const;
    [[nodiscard]] double setting(std::size_t control) const noexcept { return shared_.get(control); }
    /// Moves a control as a hand would: the host hears of it, may undo it and writes it into automation.
    /// Message thread. Nothing happens where the control is there already.
    void set_control(std::size_t control, double setting);
    /// How many states and programs have arrived. Any thread.
    [[nodiscard]] std::uint64_t groups() const noexcept { return shared_.groups(); }
    /// For a plug-in whose meters a task sets.
    void set_meter(std::size_t meter, double value) noexcept {
        meter_values_[meter].store(value, std::memory_order_relaxed);
    }

protected:
    /// Latency in samples at a rate, by the controls; any thread, never allocates.
    using LatencyOf = std::size_t (*)(const SharedValues&, double rate_hz) noexcept;
    /// With a latency, longest_latency_ms() is its largest.
    Processor(const BusesProperties& buses, Layout layout, LatencyOf latency_of = no_latency);
    /// For the end of a plug-in's constructor: the factory presets, the defaults first.
    void load_programs();
    /// In a plug-in's constructor. Its meters are then the task's.
    void give_task(std::unique_ptr<Task> task) noexcept { task_ = std::move(task); }

    /// Allocates what the rate needs; false: rate out of range, and the plug-in passes its input on, or is
    /// silent where bypass is not dry.
    [[nodiscard]] virtual bool prepare_dsp(double rate_hz) = 0;
    virtual void reset_dsp() noexcept = 0;
    /// Audio thread, before render(): settings(), every value allowed.
    virtual void take(std::span<const double> values, bool bypassed) noexcept = 0;
    virtual void render(const Block& block) noexcept = 0;
    /// Audio thread: latency of the DSP as it is now.
    virtual std::size_t latency_now() const noexcept { return 0; }
    virtual double longest_latency_ms() const noexcept { return 0.0; }
    /// False when take() does what bypass means; otherwise bypass is the delayed input.
    virtual bool bypass_is_dry() const noexcept { return true; }
    /// Audio thread: values of the meters in the order of the layout.
    virtual void read_meters(std::span<double>) noexcept {}

    /// The blocks of a state from the values, and back: false when none is there.
    virtual void write_blocks(dsp::Json& state, std::span<const double> values) const = 0;
    virtual bool read_blocks(const dsp::Json& state, std::span<double> values) const = 0;
    /// What a state has beside values, just before they are set. Not for programs.
    virtual void read_more(const dsp::Json&) {}

    template <class Settings> static Settings to_settings(std::span<const double> values) noexcept {
        Settings settings;
        for (std::size_t i = 0; const auto& field : dsp::fields<Settings>()) field.put(settings, values[i++]);
        return settings;
    }
    template <class Settings>
    static void to_values(const Settings& settings, std::span<double> values) noexcept {
        for (std::size_t i = 0; const auto& field : dsp::fields<Settings>()) values[i++] = field.of(settings);
    }

private:
    class Poll;
    static std::size_t no_latency(const SharedValues&, double) noexcept { return 0; }
    struct Program {
        juce::String name;
        std::vector<double> values;
    };

    void add_controls();
    void apply(std::span<const double> values, int program);
    void on_change();
    void poll();
    void run(juce::AudioBuffer<float>& audio, bool bypassed) noexcept;
    void update(bool bypassed) noexcept;
    void run_part(juce::AudioBuffer<float>& audio, int at, std::size_t frames, bool bypassed) noexcept;
    void copy_inputs(const juce::AudioBuffer<float>& audio, int at, std::size_t frames) noexcept;
    void mix_dry(const Block& block, bool bypassed) noexcept;
    void find_channels();

    const Layout layout_;
    const LatencyOf latency_of_; ///< not virtual: the poll may ask while a plug-in goes away
    SharedValues shared_;
    std::vector<TableParameter*> controls_;
    std::vector<MeterParameter*> meters_;
    std::vector<Program> programs_;
    std::atomic<int> program_{0};
    std::unique_ptr<Task> task_;
    std::unique_ptr<Poll> poll_;
    const std::thread::id home_ = std::this_thread::get_id(); ///< the host's thread that made the plug-in

    // audio thread
    bool ready_ = false, fresh_ = true, was_bypassed_ = false;
    std::vector<double> values_, incoming_;
    std::uint64_t seen_ = 0;
    std::array<int, kMaxInputs> source_{}; ///< channel of the host's buffer, -1: silence
    std::size_t inputs_ = 0, outputs_ = 0;
    std::array<std::array<float, kBlockFrames>, kMaxInputs> in_{};
    std::array<std::array<float, kBlockFrames>, kMaxOutputs> dry_{}, unheard_{};
    std::array<DryDelay, kMaxOutputs> dry_delay_;
    double dry_part_ = 0.0, dry_step_ = 1.0; ///< 1: bypassed; per sample
    std::array<std::atomic<double>, kMaxMeters> meter_values_{};
};

} // namespace kitfold::plugins
