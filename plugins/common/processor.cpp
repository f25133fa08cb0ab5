#include "common/processor.h"
#include "core/moving.h"
#include <cstring>
#include <nlohmann/json.hpp>

namespace kitfold::plugins {
namespace {

constexpr int kStateVersion = 1;
constexpr int kPollHz = 20;

std::vector<double> fallbacks(const Layout& layout) {
    std::vector<double> values;
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls) values.push_back(control.parameter->fallback);
    for (const auto* parameter : layout.kept) values.push_back(parameter->fallback);
    return values;
}

juce::String utf8(std::string_view text) {
    return juce::String::fromUTF8(text.data(), static_cast<int>(text.size()));
}

} // namespace

/// Calls poll() on the message thread.
class Processor::Poll final : private juce::Timer {
public:
    explicit Poll(Processor& owner) : owner_(&owner) { startTimerHz(kPollHz); }

    /// The host may delete the plug-in on another thread while a callback is on its way: then the message
    /// thread deletes the timer. That is waited for, because the host may unload the library next; but not
    /// for ever, because the message thread may be waiting for this one.
    static void release(std::unique_ptr<Poll> poll) {
        constexpr int kPatienceMs = 500;
        poll->stopTimer();
        if (juce::MessageManager::existsAndIsCurrentThread()) return;
        {
            const std::lock_guard lock(poll->mutex_);
            poll->owner_ = nullptr;
        }
        const auto gone = std::make_shared<juce::WaitableEvent>();
        auto* left = poll.release();
        const auto remove = [left, gone] {
            delete left;
            gone->signal();
        };
        if (juce::MessageManager::callAsync(remove))
            juce::ignoreUnused(gone->wait(kPatienceMs));
        else // no message thread, no callback
            remove();
    }

private:
    void timerCallback() override {
        const std::lock_guard lock(mutex_);
        if (owner_ != nullptr) owner_->poll();
    }
    std::mutex mutex_;
    Processor* owner_;
};

Processor::Processor(const BusesProperties& buses, Layout layout, LatencyOf latency_of)
    : AudioProcessor(buses), layout_(std::move(layout)), latency_of_(latency_of), shared_(fallbacks(layout_)),
      values_(fallbacks(layout_)), incoming_(values_) {
    add_controls();
}

Processor::~Processor() {
    if (poll_) Poll::release(std::move(poll_));
}

void Processor::add_controls() {
    for (std::size_t index = 0; const auto& group : layout_.groups) {
        auto juce_group =
            std::make_unique<juce::AudioProcessorParameterGroup>(utf8(group.id), utf8(group.name), "|");
        for (const auto& control : group.controls) {
            auto parameter = std::make_unique<TableParameter>(control, shared_, index++);
            parameter->on_change = [this] { on_change(); };
            controls_.push_back(parameter.get());
            juce_group->addChild(std::move(parameter));
        }
        addParameterGroup(std::move(juce_group));
    }
    if (layout_.meters.empty()) return;
    auto meters = std::make_unique<juce::AudioProcessorParameterGroup>("meters", "Meters", "|");
    for (const auto& meter : layout_.meters) {
        auto parameter = std::make_unique<MeterParameter>(meter);
        meters_.push_back(parameter.get());
        meters->addChild(std::move(parameter));
    }
    addParameterGroup(std::move(meters));
}

std::vector<double> Processor::settings() const {
    std::vector<double> values(shared_.size());
    for (std::size_t i = 0; i < values.size(); ++i) values[i] = shared_.get(i);
    return values;
}

void Processor::set_control(std::size_t index, double setting) {
    auto& control = *controls_[index];
    const auto position = static_cast<float>(dsp::to_position(control.parameter(), setting));
    if (position == control.getValue()) return;
    control.beginChangeGesture();
    control.setValueNotifyingHost(position);
    control.endChangeGesture();
}

// ---- Programs and state
// ---------------------------------------------------------------------------------------

void Processor::load_programs() {
    programs_.push_back({"Default", fallbacks(layout_)});
    for (const auto& preset : factory_presets(layout_.plugin)) {
        const auto json = dsp::parse_json(preset.json);
        Program program{utf8(json.value("title", std::string(preset.file))), fallbacks(layout_)};
        if (read_blocks(json, program.values)) programs_.push_back(std::move(program));
    }
}

void Processor::apply(std::span<const double> values, int program) {
    shared_.set_all(values);
    program_.store(program);
    for (auto* control : controls_) control->sendValueChangedMessageToListeners(control->getValue());
    on_change();
}

void Processor::setCurrentProgram(int index) {
    if (index < 0 || index >= getNumPrograms()) return;
    apply(programs_[static_cast<std::size_t>(index)].values, index);
}

const juce::String Processor::getProgramName(int index) {
    if (index < 0 || index >= getNumPrograms()) return {};
    return programs_[static_cast<std::size_t>(index)].name;
}

void Processor::getStateInformation(juce::MemoryBlock& state) {
    dsp::Json json;
    json["kitfold_state"] = kStateVersion;
    json["program"] = getProgramName(getCurrentProgram()).toStdString();
    write_blocks(json, settings());
    const auto text = json.dump();
    state.replaceAll(text.data(), text.size());
}

void Processor::setStateInformation(const void* data, int size) {
    if (data == nullptr || size <= 0) return;
    try {
        // JSON holds no zero byte, and the first one ends it: some hosts store a string, and JUCE's VST3
        // wrapper appends zeros and a trailer whose length, once damaged, makes `size` reach past the state.
        const auto* first = static_cast<const char*>(data);
        const std::string_view text(first, strnlen(first, static_cast<std::size_t>(size)));
        const auto json = dsp::parse_json(text);
        auto values = fallbacks(layout_);
        if (!json.is_object() || !read_blocks(json, values)) return;
        int program = 0;
        const auto name = json.find("program");
        for (int i = 0; name != json.end() && name->is_string() && i < getNumPrograms(); ++i)
            if (getProgramName(i).toStdString() == name->get_ref<const std::string&>()) program = i;
        read_more(json);
        apply(values, program);
    } catch (const std::exception&) { // not a state: the present one stays
    }
}

// ---- Latency and meters
// ---------------------------------------------------------------------------------------

void Processor::on_change() {
    // A new latency takes locks of JUCE and in VST3 posts a message, which is not for the audio thread: there
    // the poll finds it. (Asking JUCE for its message thread takes a lock too.) In LV2 it only sets a flag,
    // and hosts read the port after the very next block.
    if (wrapperType == wrapperType_LV2 || std::this_thread::get_id() == home_)
        setLatencySamples(static_cast<int>(latency_of_(shared_, getSampleRate())));
}

// Calls nothing virtual of the plug-in: its parts are gone before the poll is.
void Processor::poll() {
    if (task_) task_->run();
    if (wrapperType != wrapperType_LV2)
        setLatencySamples(static_cast<int>(latency_of_(shared_, getSampleRate())));
    for (std::size_t i = 0; i < meters_.size(); ++i)
        meters_[i]->show(meter_values_[i].load(std::memory_order_relaxed));
}

// ---- Audio
// ----------------------------------------------------------------------------------------------------

void Processor::prepareToPlay(double rate_hz, int) {
    ready_ = prepare_dsp(rate_hz);
    const double longest = ready_ ? std::ceil(rate_hz * longest_latency_ms() / 1000.0) : 0.0;
    for (auto& delay : dry_delay_) delay.prepare(static_cast<std::size_t>(longest));
    dry_step_ = ready_ ? 1000.0 / (rate_hz * dsp::kMoveMs) : 1.0;
    find_channels();
    setLatencySamples(static_cast<int>(latency_of_(shared_, rate_hz)));
    if (!poll_ && (!meters_.empty() || longest > 0.0)) poll_ = std::make_unique<Poll>(*this);
    reset();
}

void Processor::find_channels() {
    const bool one_per_bus = layout_.side_chain_bus == 0 && getBusCount(true) > 1;
    inputs_ = 0;
    for (int bus = 0; bus < getBusCount(true); ++bus) {
        const int channels = getChannelCountOfBus(true, bus);
        for (int channel = 0; channel < (one_per_bus ? 1 : channels) && inputs_ < kMaxInputs; ++channel)
            source_[inputs_++] =
                channel < channels ? getChannelIndexInProcessBlockBuffer(true, bus, channel) : -1;
    }
    outputs_ = std::min(static_cast<std::size_t>(getMainBusNumOutputChannels()), kMaxOutputs);
}

void Processor::reset() {
    if (ready_) reset_dsp();
    for (auto& delay : dry_delay_) delay.reset();
    fresh_ = true;
}

void Processor::update(bool bypassed) noexcept {
    const bool news = shared_.read(incoming_, seen_);
    if (news) std::copy(incoming_.begin(), incoming_.end(), values_.begin());
    if (news || fresh_ || bypassed != was_bypassed_) take(values_, bypassed);
    if (fresh_) dry_part_ = bypassed ? 1.0 : 0.0;
    was_bypassed_ = bypassed, fresh_ = false;
}

void Processor::run(juce::AudioBuffer<float>& audio, bool bypassed) noexcept {
    const int frames = audio.getNumSamples();
    if (frames <= 0) return;
    constexpr int kFrames = static_cast<int>(kBlockFrames);
    if (ready_) update(bypassed);
    for (int at = 0; at < frames; at += kFrames)
        run_part(audio, at, static_cast<std::size_t>(std::min(frames - at, kFrames)), bypassed);
    if (task_ || meters_.empty()) return; // a task sets its meters
    std::array<double, kMaxMeters> meters{};
    if (ready_) read_meters(meters);
    for (std::size_t i = 0; i < meters_.size(); ++i)
        meter_values_[i].store(meters[i], std::memory_order_relaxed);
}

void Processor::copy_inputs(const juce::AudioBuffer<float>& audio, int at, std::size_t frames) noexcept {
    for (std::size_t i = 0; i < inputs_; ++i)
        if (source_[i] >= 0 && source_[i] < audio.getNumChannels())
            std::copy_n(audio.getReadPointer(source_[i], at), frames, in_[i].begin());
        else
            std::fill_n(in_[i].begin(), frames, 0.0f);
}

void Processor::run_part(juce::AudioBuffer<float>& audio, int at, std::size_t frames,
                         bool bypassed) noexcept {
    copy_inputs(audio, at, frames);
    std::array<const float*, kMaxInputs> in{};
    for (std::size_t i = 0; i < inputs_; ++i) in[i] = in_[i].data();
    std::array<float*, kMaxOutputs> out{};
    for (std::size_t i = 0; i < outputs_; ++i)
        out[i] = static_cast<int>(i) < audio.getNumChannels() ? audio.getWritePointer(static_cast<int>(i), at)
                                                              : unheard_[i].data();
    const Block block{std::span(in).first(inputs_), std::span(out).first(outputs_), frames};
    if (ready_) render(block);
    if (bypass_is_dry()) return mix_dry(block, bypassed || !ready_);
    if (ready_) return;
    for (auto* channel : block.out) std::fill_n(channel, frames, 0.0f);
}

void Processor::mix_dry(const Block& block, bool bypassed) noexcept {
    if (!bypassed && dry_part_ == 0.0 && longest_latency_ms() == 0.0) return;
    const double from = ready_ ? dry_part_ : 1.0;
    double part = from;
    for (std::size_t c = 0; c < std::min(block.out.size(), block.in.size()); ++c) {
        dry_delay_[c].process(block.in[c], dry_[c].data(), block.frames, ready_ ? latency_now() : 0);
        part = from;
        for (std::size_t n = 0; n < block.frames; ++n) {
            part = bypassed ? std::min(part + dry_step_, 1.0) : std::max(part - dry_step_, 0.0);
            const float dry = dry_[c][n];
            float& wet = block.out[c][n];
            if (part == 1.0) // exactly the input
                wet = dry;
            else if (part > 0.0)
                wet += static_cast<float>(part) * (dry - wet);
        }
    }
    dry_part_ = part;
}

} // namespace kitfold::plugins
