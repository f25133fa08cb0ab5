#pragma once
// One description of every numeric parameter: session parsing, error messages, plug-in parameters, presets
// and the documentation all read this table.
#include "settings/settings.h"
#include <optional>
#include <span>
#include <string>
#include <string_view>
#include <type_traits>

namespace kitfold::dsp {

enum class Scale {
    linear,  ///< plain number
    octaves, ///< frequencies and times: equal ratios are equal steps
    choice,  ///< only the listed values
    on_off   ///< 0 or 1; true or false in JSON
};

/// One value of a choice. An empty token means that JSON writes the number itself.
struct Choice {
    double value;
    std::string_view token; ///< in JSON
    std::string_view label; ///< on a control
};

/// One value outside min..max that is allowed too, such as -inf dB; a control shows it at the named end.
struct Special {
    enum class End { none, below, above };
    End end = End::none;
    double value = 0.0;
    std::string_view token; ///< in JSON; empty: the number itself
    std::string_view label; ///< on a control
};

struct Parameter {
    std::string_view key;  ///< JSON key, plug-in parameter ID, struct member; see earlier_key
    std::string_view name; ///< on a control
    std::string_view unit; ///< "Hz", "dB", "ms", "dB/oct", "dB/s", "" …
    double min, max, fallback;
    Scale scale = Scale::linear;
    int decimals = 1;
    std::string_view help;
    std::span<const Choice> choices{};
    Special special{};
    std::string_view earlier_key{}; ///< in files of earlier builds; a plug-in's ID for ever. Empty: the same
};

/// The number under which table, JSON and hosts know a choice or a switch: an enum's value, of a pan law in
/// dB; 0 or 1.
template <class T> constexpr double number_of(T value) noexcept {
    if constexpr (std::is_same_v<T, PanLaw>) return static_cast<int>(value) / 10.0;
    return static_cast<double>(value);
}
/// The inverse. @pre `number` is one that the table allows
template <class T> constexpr T from_number(double number) noexcept {
    if constexpr (std::is_same_v<T, PanLaw>) number *= 10.0;
    return static_cast<T>(static_cast<int>(number));
}

/// A parameter and the member that holds it: a number, an enum or a switch. No allocation: the audio thread
/// may ask.
template <class Settings> class Field {
public:
    constexpr Field(const Parameter& p, double Settings::*number) noexcept : parameter(p), number_(number) {}
    /// Of an enum or a switch: by `choice_of<&MicSettings::role>`.
    struct Access {
        double (*get)(const Settings&) noexcept;
        void (*set)(Settings&, double) noexcept;
        const void* (*at)(const Settings&) noexcept;
    };
    constexpr Field(const Parameter& p, Access choice) noexcept : parameter(p), choice_(choice) {}

    [[nodiscard]] double of(const Settings& s) const noexcept {
        return number_ ? s.*number_ : choice_.get(s);
    }
    /// @pre for an enum or a switch: allowed(parameter, value)
    void put(Settings& s, double value) const noexcept {
        if (number_)
            s.*number_ = value;
        else
            choice_.set(s, value);
    }
    template <class Member> [[nodiscard]] bool is(Member Settings::*member) const noexcept {
        static constexpr Settings any{};
        return (number_ ? &(any.*number_) : choice_.at(any)) == static_cast<const void*>(&(any.*member));
    }

    Parameter parameter;

private:
    double Settings::*number_ = nullptr;
    Access choice_{};
};

template <auto Member> struct ChoiceOf;
template <class Settings, class T, T Settings::*Member> struct ChoiceOf<Member> {
    static constexpr typename Field<Settings>::Access value{
        [](const Settings& s) noexcept { return number_of(s.*Member); },
        [](Settings& s, double v) noexcept { s.*Member = from_number<T>(v); },
        [](const Settings& s) noexcept -> const void* { return &(s.*Member); }};
};
template <auto Member> inline constexpr auto choice_of = ChoiceOf<Member>::value;

/// The table of a block, in the order in which a host, a preset and the documentation show it.
template <class Settings> std::span<const Field<Settings>> fields() noexcept;
template <> std::span<const Field<MicSettings>> fields<MicSettings>() noexcept;
template <> std::span<const Field<OfflineSettings>> fields<OfflineSettings>() noexcept;
template <> std::span<const Field<KickSettings>> fields<KickSettings>() noexcept;
template <> std::span<const Field<GateSettings>> fields<GateSettings>() noexcept;
template <> std::span<const Field<BusSettings>> fields<BusSettings>() noexcept;
template <> std::span<const Field<SumSettings>> fields<SumSettings>() noexcept;
template <> std::span<const Field<DampSettings>> fields<DampSettings>() noexcept; ///< without its bands
template <> std::span<const Field<RingBand>> fields<RingBand>() noexcept;
template <> std::span<const Field<OutputSettings>> fields<OutputSettings>() noexcept;
template <> std::span<const Field<BalanceSettings>> fields<BalanceSettings>() noexcept;
template <> std::span<const Field<RoomSettings>> fields<RoomSettings>() noexcept;

/// The table's line of a member. @pre it is in the table
template <class Settings, class Member> const Field<Settings>& field_of(Member Settings::*member) noexcept {
    const auto* field = fields<Settings>().data();
    while (!field->is(member)) ++field;
    return *field;
}
template <class Settings, class Member> const Parameter& parameter_of(Member Settings::*member) noexcept {
    return field_of(member).parameter;
}

/// Is `value` one that the parameter may take? NaN never is. No allocation: the audio thread may ask.
bool allowed(const Parameter& parameter, double value) noexcept;

/// The first parameter whose value is not allowed, or nullptr. No allocation: the audio thread may ask.
template <class Settings> const Parameter* first_refused(const Settings& settings) noexcept {
    for (const auto& field : fields<Settings>())
        if (!allowed(field.parameter, field.of(settings))) return &field.parameter;
    return nullptr;
}
const Parameter* first_refused(const DampSettings& settings) noexcept; ///< its bands too

/// What would be right, for an error message: "a number from -12 to 18 (dB)", "one of 0, 6, 12, 18, 24".
std::string what_is_allowed(const Parameter& parameter);

/// A value as a control shows it ("-18.0 dB", "1.2 kHz", "24 dB/oct", "L 30", "inverted", "-inf dB").
std::string text(const Parameter& parameter, double value);
/// The inverse, as a person types it: unit optional, "k" for a thousand, any case. nullopt: not understood or
/// not allowed.
std::optional<double> parse_text(const Parameter& parameter, std::string_view typed);

/// A control's position 0..1 for a value (NaN: 0), and back; from_position always gives a value that is
/// allowed. Positions are rounded to nothing: from(to(v)) == v within 1e-9 of the range; a special value sits
/// alone at its end (the nearest 1/64 of the travel).
double to_position(const Parameter& parameter, double value) noexcept;
double from_position(const Parameter& parameter, double position) noexcept;

/// Role and its spelling in a session ("kick_in").
std::string_view token(Role role) noexcept;
std::optional<Role> role_from_token(std::string_view token) noexcept;

} // namespace kitfold::dsp
