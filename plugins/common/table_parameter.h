#pragma once
// A control of a plug-in, built from one line of the parameter table.
#include "common/layout.h"
#include "common/shared_values.h"
#include <juce_audio_processors/juce_audio_processors.h>

namespace kitfold::plugins {

/// Reads and writes one of the shared values. Any thread; allocates only to make text.
///
/// A host moves it in positions 0..1, in float, and hands the same position back now and then: a position
/// that is the present one within float's accuracy changes nothing, so a setting from a session keeps every
/// digit.
class TableParameter final : public juce::RangedAudioParameter {
public:
    TableParameter(const Control& control, SharedValues& values, std::size_t index);

    [[nodiscard]] const dsp::Parameter& parameter() const noexcept { return parameter_; }
    [[nodiscard]] double setting() const noexcept { return values_.get(index_); }
    /// Called after every change that came by setValue, on the thread that made it.
    std::function<void()> on_change;

    float getValue() const override;
    void setValue(float position) override;
    float getDefaultValue() const override;
    juce::String getText(float position, int length) const override;
    float getValueForText(const juce::String& text) const override;
    int getNumSteps() const override;
    bool isDiscrete() const override;
    bool isBoolean() const override { return parameter_.scale == dsp::Scale::on_off; }
    const juce::NormalisableRange<float>& getNormalisableRange() const override { return range_; }

private:
    const dsp::Parameter& parameter_;
    SharedValues& values_;
    const std::size_t index_;
    const juce::NormalisableRange<float> range_;
};

/// What a plug-in shows: read only, not saved, not automatable.
class MeterParameter final : public juce::RangedAudioParameter {
public:
    explicit MeterParameter(const Control& control);
    /// Message thread: shows `value` and tells the host if it has moved by at least a step of the display.
    void show(double value);

    float getValue() const override { return position_.load(std::memory_order_relaxed); }
    void setValue(float) override {} // a meter is not set
    float getDefaultValue() const override { return 0.0f; }
    juce::String getText(float position, int length) const override;
    float getValueForText(const juce::String& text) const override;
    int getNumSteps() const override;
    bool isDiscrete() const override { return isBoolean() || parameter_.scale == dsp::Scale::choice; }
    bool isBoolean() const override { return parameter_.scale == dsp::Scale::on_off; }
    const juce::NormalisableRange<float>& getNormalisableRange() const override { return range_; }

private:
    const dsp::Parameter& parameter_;
    std::atomic<float> position_{0.0f};
    const juce::NormalisableRange<float> range_;
};

} // namespace kitfold::plugins
