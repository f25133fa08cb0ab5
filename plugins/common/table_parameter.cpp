#include "common/table_parameter.h"

namespace kitfold::plugins {
namespace {

constexpr int kVersion = 1; ///< of a parameter that was there in the first release

juce::String utf8(std::string_view text) {
    return juce::String::fromUTF8(text.data(), static_cast<int>(text.size()));
}

/// NaN stays NaN, for setValue to ignore.
juce::NormalisableRange<float> host_range(const dsp::Parameter& p) {
    const HostRange range(p);
    const auto to_setting = [range](float value) { return range.to_setting(static_cast<double>(value)); };
    return {static_cast<float>(range.start), static_cast<float>(range.end),
            [&p, range](float, float, float position) {
                return static_cast<float>(
                    range.from_setting(dsp::from_position(p, static_cast<double>(position))));
            },
            [&p, to_setting](float, float, float value) {
                return std::isnan(value) ? value : static_cast<float>(dsp::to_position(p, to_setting(value)));
            },
            [range, to_setting](float, float, float value) {
                return std::isnan(value) ? value : static_cast<float>(range.from_setting(to_setting(value)));
            }};
}

int steps(const dsp::Parameter& p) {
    if (p.scale == dsp::Scale::on_off) return 2;
    if (p.scale == dsp::Scale::choice) return static_cast<int>(p.choices.size());
    return juce::AudioProcessor::getDefaultNumParameterSteps();
}

juce::String shown(const dsp::Parameter& p, float position, int length) {
    const auto text = utf8(dsp::text(p, setting_at(p, static_cast<double>(position))));
    return length > 0 ? text.substring(0, length) : text;
}

float position_of_text(const dsp::Parameter& p, const juce::String& text, float otherwise) {
    const auto value = setting_from_text(p, text.toStdString());
    return value ? static_cast<float>(dsp::to_position(p, *value)) : otherwise;
}

} // namespace

TableParameter::TableParameter(const Control& control, SharedValues& values, std::size_t index)
    : RangedAudioParameter(juce::ParameterID(utf8(control.id), kVersion), utf8(control.name)),
      parameter_(*control.parameter), values_(values), index_(index), range_(host_range(parameter_)) {}

float TableParameter::getValue() const { return static_cast<float>(dsp::to_position(parameter_, setting())); }

void TableParameter::setValue(float position) {
    constexpr float kSame = 1e-6f; // some steps of float near 1, and far less than a step of any control
    if (std::isnan(position) || std::abs(position - getValue()) <= kSame) return;
    values_.set(index_, setting_at(parameter_, static_cast<double>(position)));
    if (on_change) on_change();
}

float TableParameter::getDefaultValue() const {
    return static_cast<float>(dsp::to_position(parameter_, parameter_.fallback));
}

juce::String TableParameter::getText(float position, int length) const {
    return shown(parameter_, position, length);
}

float TableParameter::getValueForText(const juce::String& text) const {
    return position_of_text(parameter_, text, getValue());
}

int TableParameter::getNumSteps() const { return steps(parameter_); }

bool TableParameter::isDiscrete() const { return isBoolean() || parameter_.scale == dsp::Scale::choice; }

MeterParameter::MeterParameter(const Control& control)
    : RangedAudioParameter(juce::ParameterID(utf8(control.id), kVersion), utf8(control.name),
                           juce::AudioProcessorParameterWithIDAttributes()
                               .withCategory(control.parameter->key == "gain_reduction_db"
                                                 ? compressorLimiterGainReductionMeter
                                                 : otherMeter)
                               .withAutomatable(false)),
      parameter_(*control.parameter), range_(host_range(parameter_)) {}

void MeterParameter::show(double value) {
    const auto position = static_cast<float>(
        dsp::to_position(parameter_, setting_at(parameter_, dsp::to_position(parameter_, value))));
    if (position == position_.exchange(position, std::memory_order_relaxed)) return;
    sendValueChangedMessageToListeners(position);
}

juce::String MeterParameter::getText(float position, int length) const {
    return shown(parameter_, position, length);
}

float MeterParameter::getValueForText(const juce::String& text) const {
    return position_of_text(parameter_, text, getValue());
}

int MeterParameter::getNumSteps() const { return steps(parameter_); }

} // namespace kitfold::plugins
