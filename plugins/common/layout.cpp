#include "common/layout.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>
#include <stdexcept>

namespace kitfold::plugins {
namespace {

using namespace dsp;

constexpr Parameter kGateReduction{"gain_reduction_db",
                                   "Gain reduction",
                                   "dB",
                                   0,
                                   90,
                                   0,
                                   Scale::linear,
                                   1,
                                   "How much the gate lowers the level now"};
constexpr Parameter kBusReduction{"gain_reduction_db",
                                  "Gain reduction",
                                  "dB",
                                  0,
                                  60,
                                  0,
                                  Scale::linear,
                                  1,
                                  "How much the compressor lowers the level now"};
constexpr Parameter kGateOpen{
    "gate_open", "Gate open", "", 0, 1, 0, Scale::on_off, 0, "Lights while the gate is open"};

constexpr Choice kCounts[] = {{0, "", "none"}, {1, "", "1"}, {2, "", "2"}, {3, "", "3"},
                              {4, "", "4"},    {5, "", "5"}, {6, "", "6"}};
constexpr Parameter kRings{"rings", "Rings", "", 0, 6, 0, Scale::choice, 0, "How many ring bands are in use",
                           kCounts};

constexpr Parameter kLearn{
    "learn",
    "Learn",
    "",
    0,
    1,
    0,
    Scale::on_off,
    0,
    "On: play three to ten separate hits of the drum and let each ring out. Off: the rings and "
    "the top are set from them, the tail to 0"};
constexpr Parameter kHitsHeard{
    "hits_heard", "Hits heard", "", 0, 99, 0, Scale::linear, 0, "Hits that learn has heard"};
constexpr Choice kLearnStates[] = {{kLearnNothingYet, "", "nothing yet"},
                                   {1, "", "1 ring"},
                                   {2, "", "2 rings"},
                                   {3, "", "3 rings"},
                                   {4, "", "4 rings"},
                                   {5, "", "5 rings"},
                                   {6, "", "6 rings"},
                                   {kLearnListening, "", "listening"},
                                   {kLearnMeasuring, "", "measuring"},
                                   {kLearnTooFewHits, "", "too few hits"},
                                   {kLearnNoRing, "", "no ring stands out"},
                                   {kLearnSomeLeft + 1, "", "1 ring, others unclear"},
                                   {kLearnSomeLeft + 2, "", "2 rings, others unclear"},
                                   {kLearnSomeLeft + 3, "", "3 rings, others unclear"},
                                   {kLearnSomeLeft + 4, "", "4 rings, others unclear"},
                                   {kLearnSomeLeft + 5, "", "5 rings, others unclear"},
                                   {kLearnSomeLeft + 6, "", "6 rings, others unclear"}};
constexpr Parameter kLearned{"learned",
                             "Learned",
                             "",
                             0,
                             kLearnSomeLeft + dsp::kRingBands,
                             0,
                             Scale::choice,
                             0,
                             "What learn is doing, what it has set, or why it could not; unclear: heard, but "
                             "the hits do not agree, so left as it is",
                             kLearnStates};
constexpr Parameter kOpening{"opening",
                             "Room to open up",
                             "",
                             0,
                             1,
                             0,
                             Scale::linear,
                             2,
                             "How far below 0 the noise in what learn heard lets the amount go"};

constexpr Choice kSumGates[] = {{static_cast<double>(SumGate::off), "", "off"},
                                {static_cast<double>(SumGate::own), "", "own"},
                                {static_cast<double>(SumGate::kit), "", "kit"}};
constexpr Parameter kSumGateChoice{
    "gate",
    "Gate",
    "",
    0,
    2,
    0,
    Scale::choice,
    0,
    "What opens the mic's gate: the mic itself, or what the rest of the kit cannot explain of it",
    kSumGates};
constexpr Parameter kSumLearn{
    "learn",
    "Learn",
    "",
    0,
    1,
    0,
    Scale::on_off,
    0,
    "On: play, each drum at least twice, loud and soft. Off: the bleed between the mics is learned, and the "
    "thresholds of the gates that listen to the kit are set"};
constexpr Choice kKitKnown[] = {{0, "", "nothing: plain gates"},
                                {1, "", "1 mic"},
                                {2, "", "2 mics"},
                                {3, "", "3 mics"},
                                {4, "", "4 mics"},
                                {5, "", "5 mics"},
                                {6, "", "6 mics"},
                                {7, "", "7 mics"},
                                {8, "", "8 mics"},
                                {9, "", "9 mics"},
                                {10, "", "10 mics"},
                                {11, "", "11 mics"},
                                {12, "", "12 mics"},
                                {13, "", "13 mics"},
                                {14, "", "14 mics"},
                                {15, "", "15 mics"},
                                {16, "", "16 mics"},
                                {kKitOfOthers, "", "other mics: plain gates"}};
constexpr Parameter kKnown{"kit_known",
                           "Kit known",
                           "",
                           0,
                           kKitOfOthers,
                           0,
                           Scale::choice,
                           0,
                           "For how many mics the bleed of the rest of the kit is known",
                           kKitKnown};
constexpr Choice kKitLearningStates[] = {
    {static_cast<double>(KitLearning::nothing_yet), "", "nothing yet"},
    {static_cast<double>(KitLearning::listening), "", "listening"},
    {static_cast<double>(KitLearning::measuring), "", "measuring"},
    {static_cast<double>(KitLearning::learned), "", "learned"},
    {static_cast<double>(KitLearning::no_roles), "", "set the mics' roles first"},
    {static_cast<double>(KitLearning::too_few_hits), "", "too few hits"},
    {static_cast<double>(KitLearning::no_memory), "", "not enough memory"}};
constexpr Parameter kKitLearning{"learning",
                                 "Learning",
                                 "",
                                 0,
                                 static_cast<double>(KitLearning::no_memory),
                                 0,
                                 Scale::choice,
                                 0,
                                 "What learn is doing, or why it could not",
                                 kKitLearningStates};
constexpr Parameter kHeard{
    "heard_s", "Heard", "s", 0, 120, 0, Scale::linear, 0, "How much of the take learn has heard"};
constexpr Parameter kLeastMargin{"margin_db",
                                 "Least margin",
                                 "dB",
                                 0,
                                 60,
                                 0,
                                 Scale::linear,
                                 0,
                                 "Softest own hit over loudest bleed in the keys that were learned, of the "
                                 "mic that has least; a few dB are no margin"};
constexpr Choice kSumGateStates[] = {
    {static_cast<double>(SumGateState::off), "", "off"},
    {static_cast<double>(SumGateState::shut), "", "shut"},
    {static_cast<double>(SumGateState::open), "", "open"},
    {static_cast<double>(SumGateState::plain_shut), "", "shut (plain, kit not known)"},
    {static_cast<double>(SumGateState::plain_open), "", "open (plain, kit not known)"}};
constexpr Parameter kSumGateState{"gate_state",
                                  "Gate state",
                                  "",
                                  0,
                                  static_cast<double>(SumGateState::plain_open),
                                  0,
                                  Scale::choice,
                                  0,
                                  "What the mic's gate does now; plain: it was to listen to the kit and "
                                  "listens to its own mic",
                                  kSumGateStates};

/// Hosts store automation under it, so it stays where a key was renamed.
std::string_view parameter_id(const Parameter& p) { return p.earlier_key.empty() ? p.key : p.earlier_key; }

template <class Settings> Control control(std::size_t field) {
    const auto& p = fields<Settings>()[field].parameter;
    return {std::string(parameter_id(p)), std::string(p.name), &p};
}

Control own(const Parameter& p) { return {std::string(parameter_id(p)), std::string(p.name), &p}; }

struct Part {
    const char *id, *name;
    std::string_view last; ///< key of its last control
};

/// The table of a block cut into groups; keeps the table's order.
template <class Settings> std::vector<ControlGroup> cut(std::initializer_list<Part> parts) {
    std::vector<ControlGroup> groups;
    std::size_t field = 0;
    for (const auto& part : parts) {
        ControlGroup group{part.id, part.name, {}};
        do group.controls.push_back(control<Settings>(field));
        while (fields<Settings>()[field++].parameter.key != part.last && field < fields<Settings>().size());
        groups.push_back(std::move(group));
    }
    return groups;
}

std::vector<std::string> channel_names(std::size_t channels, const std::string& prefix) {
    if (channels == 1) return {prefix};
    return {prefix + " left", prefix + " right"};
}

std::string two_digits(std::size_t n) { return (n < 10 ? "0" : "") + std::to_string(n); }

std::string lower_first(std::string_view name) {
    std::string out(name);
    out.front() = static_cast<char>(std::tolower(static_cast<unsigned char>(out.front())));
    return out;
}

/// Identifiers sort like the mics: mic_01_level_db … mic_16_level_db.
Control of_mic(std::size_t mic, const Parameter& p, const std::string& id_part = "",
               const std::string& name_part = "") {
    return {"mic_" + two_digits(mic) + "_" + id_part + std::string(p.key),
            "Mic " + std::to_string(mic) + " " + name_part + lower_first(p.name), &p};
}

ControlGroup mic_group(std::size_t mic) {
    ControlGroup group{"mic_" + two_digits(mic), "Mic " + std::to_string(mic), {}};
    for (const auto& field : fields<MicSettings>()) group.controls.push_back(of_mic(mic, field.parameter));
    return group;
}

ControlGroup mic_gate_group(std::size_t mic) {
    ControlGroup group{"mic_" + two_digits(mic) + "_gates", "Mic " + std::to_string(mic) + " gate", {}};
    group.controls.push_back(of_mic(mic, kSumGateChoice));
    for (const auto member : kSumGateControls)
        group.controls.push_back(of_mic(mic, parameter_of(member), "gate_", "gate "));
    return group;
}

std::vector<std::string> with_key(std::vector<std::string> names) {
    for (const auto& name : channel_names(2, "Key")) names.push_back(name);
    return names;
}

} // namespace

Layout kick_layout(std::size_t channels) {
    return {"kick",
            channels == 1 ? "Kitfold Kick mono" : "Kitfold Kick",
            "FilterPlugin",
            cut<KickSettings>({{"high_pass", "High-pass", "high_pass_slope"},
                               {"low_shelf", "Low shelf", "shelf_slope"},
                               {"box_cut", "Box cut", "box_q"},
                               {"bleed_cut", "Bleed cut", "bleed_cut_slope"},
                               {"output", "Output", "level_db"}}),
            {},
            channel_names(channels, "In"),
            channel_names(channels, "Out"),
            0};
}

Layout gate_layout(std::size_t channels) {
    return {"gate",
            channels == 1 ? "Kitfold Gate mono" : "Kitfold Gate",
            "GatePlugin",
            cut<GateSettings>({{"gate", "Gate", "lookahead_ms"}, {"key", "Key", "key_low_pass_hz"}}),
            {own(kGateReduction), own(kGateOpen)},
            with_key(channel_names(channels, "In")),
            channel_names(channels, "Out"),
            2};
}

Layout bus_layout() {
    return {"bus",
            "Kitfold Bus",
            "CompressorPlugin",
            cut<BusSettings>({{"compressor", "Compressor", "release_ms"},
                              {"key", "Key", "key"},
                              {"output", "Output", "blend"}}),
            {own(kBusReduction)},
            with_key(channel_names(2, "In")),
            channel_names(2, "Out"),
            2};
}

Layout sum_layout() {
    Layout layout{"sum",
                  "Kitfold Sum",
                  "MixerPlugin",
                  cut<SumSettings>({{"sum", "Sum", "mono"}}),
                  {own(kKnown), own(kKitLearning), own(kHeard), own(kLeastMargin)},
                  {},
                  channel_names(2, "Out"),
                  0};
    for (std::size_t mic = 1; mic <= kSumMics; ++mic) {
        layout.groups.push_back(mic_group(mic));
        layout.inputs.push_back("Mic " + std::to_string(mic));
        layout.meters.push_back(of_mic(mic, kSumGateState));
        for (const auto* field : kSumGateKept) layout.kept.push_back(&field->parameter);
    }
    for (std::size_t mic = 1; mic <= kSumMics; ++mic) layout.groups.push_back(mic_gate_group(mic));
    layout.groups.push_back({"learn", "Learn", {own(kSumLearn)}});
    return layout;
}

Layout damp_layout(std::size_t channels) {
    Layout layout{"damp",
                  channels == 1 ? "Kitfold Damp mono" : "Kitfold Damp",
                  "EnvelopePlugin",
                  cut<DampSettings>({{"damp", "Damp", "heard"}}),
                  {own(kHitsHeard), own(kLearned), own(kOpening)},
                  channel_names(channels, "In"),
                  channel_names(channels, "Out"),
                  0};
    layout.groups.push_back({"rings", "Rings", {own(kRings)}});
    for (std::size_t ring = 1; ring <= kRingBands; ++ring) {
        const auto number = std::to_string(ring);
        ControlGroup group{"ring_" + number, "Ring " + number, {}};
        for (const auto& field : fields<RingBand>()) {
            const auto name =
                std::string(field.parameter.name); // "Ring Q" is "Ring 1 Q", "Open ring time" stays in front
            group.controls.push_back({group.id + "_" + std::string(field.parameter.key),
                                      name.starts_with("Ring") ? group.name + name.substr(4)
                                                               : group.name + " " + lower_first(name),
                                      &field.parameter});
        }
        layout.groups.push_back(std::move(group));
    }
    layout.groups.push_back({"learn", "Learn", {own(kLearn)}});
    return layout;
}

Layout layout_of(std::string_view plugin, std::size_t channels) {
    if (plugin == "kick") return kick_layout(channels);
    if (plugin == "gate") return gate_layout(channels);
    if (plugin == "bus") return bus_layout();
    if (plugin == "sum") return sum_layout();
    if (plugin == "damp") return damp_layout(channels);
    throw std::invalid_argument("there is no plug-in " + std::string(plugin));
}

std::size_t control_count(const Layout& layout) noexcept {
    std::size_t count = 0;
    for (const auto& group : layout.groups) count += group.controls.size();
    return count;
}

HostRange::HostRange(const Parameter& p) noexcept : start(p.min), end(p.max), parameter_(&p) {
    if (p.special.end == Special::End::none) return;
    // one part in 64 of the travel, like to_position(), outwards to a number that the control can show
    const double grid = std::pow(10.0, p.decimals), steps = 63.0;
    const bool ratio = p.scale == Scale::octaves;
    const double beyond = ratio ? std::pow(p.max / p.min, 1.0 / steps) : (p.max - p.min) / steps;
    if (p.special.end == Special::End::below)
        start = std::floor((ratio ? p.min / beyond : p.min - beyond) * grid) / grid;
    else
        end = std::ceil((ratio ? p.max * beyond : p.max + beyond) * grid) / grid;
}

double HostRange::from_setting(double value) const noexcept {
    if (parameter_->special.end == Special::End::none || value != parameter_->special.value) return value;
    return parameter_->special.end == Special::End::below ? start : end;
}

double HostRange::to_setting(double host_value) const noexcept {
    const auto& p = *parameter_;
    if (std::isnan(host_value)) return p.fallback;
    if (p.scale == Scale::choice || p.scale == Scale::on_off)
        return from_position(p, to_position(p, host_value));
    if (p.special.end == Special::End::below && host_value < (start + p.min) / 2) return p.special.value;
    if (p.special.end == Special::End::above && host_value > (end + p.max) / 2) return p.special.value;
    return std::clamp(host_value, p.min, p.max);
}

double setting_at(const Parameter& p, double position) noexcept {
    const double value = from_position(p, position);
    if (p.scale == Scale::choice || p.scale == Scale::on_off) return value;
    if (p.special.end != Special::End::none && value == p.special.value) return value;
    const double grid = std::pow(10.0, p.decimals);
    return std::clamp(std::round(value * grid) / grid, p.min, p.max) + 0.0; // + 0: never -0
}

std::optional<double> setting_from_text(const Parameter& p, std::string_view typed) {
    if (const auto value = parse_text(p, typed)) return value;
    while (!typed.empty() && typed.back() == ' ') typed.remove_suffix(1);
    if (p.key != "delay_ms" || !typed.ends_with("cm")) return std::nullopt;
    constexpr double kRoomC = 20.0;
    typed.remove_suffix(2);
    const Parameter distance{"", "", "", 0, cm_from_ms(p.max, kRoomC), 0, Scale::linear, 0, ""};
    const auto cm = parse_text(distance, typed);
    return cm ? std::optional(std::clamp(ms_from_cm(*cm, kRoomC), p.min, p.max)) : std::nullopt;
}

} // namespace kitfold::plugins
