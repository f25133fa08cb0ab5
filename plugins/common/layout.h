#pragma once
// What each plug-in shows a host: its controls in groups, its meters, its ports. No JUCE here: the plug-ins
// build their parameters from it, and the LV2 data files are completed from it.
#include "settings/parameters.h"
#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

namespace kitfold::plugins {

inline constexpr std::size_t kSumMics = 16;

/// A mic's gate in Sum: whether and by what it opens, with a control; then the settings that have a control,
/// and those that only a state holds, for want of room among sixteen mics.
enum class SumGate { off, own, kit };
inline constexpr std::array kSumGateControls{
    &dsp::GateSettings::threshold_db, &dsp::GateSettings::range_db,   &dsp::GateSettings::attack_ms,
    &dsp::GateSettings::hold_ms,      &dsp::GateSettings::release_ms, &dsp::GateSettings::lookahead_ms};
inline const std::array kSumGateKept{&dsp::field_of(&dsp::GateSettings::hysteresis_db),
                                     &dsp::field_of(&dsp::GateSettings::key_listen),
                                     &dsp::field_of(&dsp::GateSettings::key_high_pass_hz),
                                     &dsp::field_of(&dsp::GateSettings::key_low_pass_hz)};

/// What Sum's meters show. "Kit known": 0, a number of mics, or kKitOfOthers.
inline constexpr double kKitOfOthers = kSumMics + 1;
enum class KitLearning { nothing_yet, listening, measuring, learned, no_roles, too_few_hits, no_memory };
enum class SumGateState { off, shut, open, plain_shut, plain_open };

/// What Damp's meter "Learned" shows; 1 to 6 are the rings it has set.
inline constexpr double kLearnNothingYet = 0, kLearnListening = 7, kLearnMeasuring = 8, kLearnTooFewHits = 9,
                        kLearnNoRing = 10;
inline constexpr double kLearnSomeLeft =
    10; ///< more than the rings set: others are heard and left as they are

struct Control {
    std::string id; ///< stable: hosts store automation under it
    std::string name;
    const dsp::Parameter* parameter;
};

struct ControlGroup {
    std::string id, name;
    std::vector<Control> controls;
};

struct Layout {
    std::string_view plugin; ///< "kick", "gate" …
    std::string_view name;   ///< for people
    std::string_view lv2_class;
    std::vector<ControlGroup> groups;         ///< controls in the order of the values
    std::vector<Control> meters;              ///< what the plug-in shows and nobody sets
    std::vector<std::string> inputs, outputs; ///< names of the channels, side-chain last
    std::size_t side_chain_bus = 0;           ///< 1-based number of that input bus, 0: none
    /// Values that a state alone sets; they come after those of the controls.
    std::vector<const dsp::Parameter*> kept{};
};

/// `channels` (1 or 2) of the main bus.
Layout kick_layout(std::size_t channels);
Layout gate_layout(std::size_t channels);
Layout bus_layout();
/// The sum's controls, each mic's, each mic's gate's, learn; kept: each mic's gate's.
Layout sum_layout();
Layout damp_layout(std::size_t channels); ///< the block's controls, number of rings, each ring's, learn
/// By the plug-in's name. Throws std::invalid_argument: no such plug-in.
Layout layout_of(std::string_view plugin, std::size_t channels);

/// Number of controls, meters apart.
std::size_t control_count(const Layout& layout) noexcept;

/// A parameter as a host sees it: one unbroken range of ordinary numbers. Settings keep their own numbers,
/// but a value that is infinite or out of order ("-inf dB", a filter's "off" at the top of its range) gets a
/// place just past the range's end.
class HostRange {
public:
    explicit HostRange(const dsp::Parameter& parameter) noexcept;
    double start, end;
    [[nodiscard]] double from_setting(double value) const noexcept;
    /// Nearest allowed setting; NaN gives the parameter's default.
    [[nodiscard]] double to_setting(double host_value) const noexcept;

private:
    const dsp::Parameter* parameter_;
};

/// The setting at a control's position 0..1, rounded to what the control shows, so that what is shown is what
/// is heard and a state holds plain numbers.
double setting_at(const dsp::Parameter& parameter, double position) noexcept;

/// A typed text as a setting; a delay may be typed as a distance too ("34 cm", at 20 °C).
std::optional<double> setting_from_text(const dsp::Parameter& parameter, std::string_view typed);

} // namespace kitfold::plugins
