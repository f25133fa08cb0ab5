#include "settings/parameters.h"
#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstdio>

namespace kitfold::dsp {
namespace {

using enum Scale;

constexpr Choice kRoles[] = {{0, "kick_in", "kick in"},
                             {1, "kick_out", "kick out"},
                             {2, "snare_top", "snare top"},
                             {3, "snare_bottom", "snare bottom"},
                             {4, "rack_tom", "rack tom"},
                             {5, "rack_tom_2", "rack tom 2"},
                             {6, "floor_tom", "floor tom"},
                             {7, "floor_tom_2", "floor tom 2"},
                             {8, "hihat", "hi-hat"},
                             {9, "ride", "ride"},
                             {10, "overhead_left", "overhead left"},
                             {11, "overhead_right", "overhead right"},
                             {12, "overhead_mono", "overhead mono"},
                             {13, "room_left", "room left"},
                             {14, "room_right", "room right"},
                             {15, "room_mono", "room mono"},
                             {16, "other", "other"}};
constexpr Choice kPolarities[] = {{0, "normal", "normal"}, {1, "inverted", "inverted"}};
constexpr Choice kGateKeys[] = {{0, "own", "own"}, {1, "side_chain", "side-chain"}, {2, "kit", "kit"}};
constexpr Choice kBusKeys[] = {{0, "own", "own"}, {1, "side_chain", "side-chain"}};
constexpr Choice kHighPassSlopes[] = {
    {0, "", "off"}, {6, "", "6 dB/oct"}, {12, "", "12 dB/oct"}, {18, "", "18 dB/oct"}, {24, "", "24 dB/oct"}};
constexpr Choice kLowPassSlopes[] = {
    {0, "", "off"}, {6, "", "6 dB/oct"}, {12, "", "12 dB/oct"}, {24, "", "24 dB/oct"}};
constexpr Choice kPanLaws[] = {{0, "", "0 dB"}, {-3, "", "-3 dB"}, {-4.5, "", "-4.5 dB"}, {-6, "", "-6 dB"}};
constexpr Choice kBits[] = {{16, "", "16"}, {24, "", "24"}, {32, "", "32 float"}};
constexpr Choice kSides[] = {{0, "drummer", "drummer"}, {1, "listener", "listener"}};
constexpr Choice kTails[] = {{0, "open", "open"}, {1, "deadened", "deadened"}};

constexpr Special kOffBelow{Special::End::below, kOffDb, "-inf", "-inf dB"};
constexpr Special kNoHighPass{Special::End::below, kFilterOff, "", "off"};
constexpr Special kNoLowPass{Special::End::above, kFilterOff, "", "off"};
constexpr Special kLimit{Special::End::above, kLimitRatio, "limit", "limit"};
constexpr Special kProgramme{Special::End::above, kProgrammeRelease, "programme", "programme"};

constexpr Field<MicSettings> kMic[] = {
    {{"level_db", "Level", "dB", -90, 12, 0, linear, 1, "Level of the mic in the submix", {}, kOffBelow},
     &MicSettings::level_db},
    {{"pan", "Pan", "", -1, 1, 0, linear, 2, "Place between the speakers, -1 left to 1 right"},
     &MicSettings::pan},
    {{"polarity", "Polarity", "", 0, 1, 0, choice, 0, "Turns the mic's signal upside down", kPolarities},
     choice_of<&MicSettings::polarity>},
    {{"delay_ms", "Delay", "ms", 0, 50, 0, linear, 3,
      "Makes the mic later, to meet one that stands farther away"},
     &MicSettings::delay_ms},
    {{"mute", "Mute", "", 0, 1, 0, on_off, 0, "Takes the mic out of the submix"},
     choice_of<&MicSettings::mute>},
    {{"solo", "Solo", "", 0, 1, 0, on_off, 0, "Leaves only the soloed mics in"},
     choice_of<&MicSettings::solo>},
    {{"role", "Role", "", 0, 16, 16, choice, 0, "What the mic stands at", kRoles},
     choice_of<&MicSettings::role>},
};

constexpr Field<OfflineSettings> kOffline[] = {
    {{"bleed_reduction_db", "Bleed reduction", "dB", 0, 30, 0, linear, 1,
      "Takes down what the other mics explain of this one, by so much at most; bounce only, 0 is off"},
     &OfflineSettings::bleed_reduction_db},
};

constexpr Field<KickSettings> kKick[] = {
    {{"high_pass_hz", "High-pass", "Hz", 10, 200, 35, octaves, 1, "Corner (-3 dB) of the high-pass"},
     &KickSettings::high_pass_hz},
    {{"high_pass_slope", "High-pass slope", "dB/oct", 0, 24, 24, choice, 0,
      "Steepness of the high-pass, 0 is off", kHighPassSlopes},
     choice_of<&KickSettings::high_pass_slope>},
    {{"shelf_hz", "Low shelf", "Hz", 30, 400, 80, octaves, 1, "Where the low shelf has half its gain in dB"},
     &KickSettings::shelf_hz},
    {{"shelf_db", "Low shelf gain", "dB", -12, 18, 6, linear, 1, "Lifts or lowers the lows"},
     &KickSettings::shelf_db},
    {{"shelf_slope", "Low shelf slope", "", 0.3, 1, 0.7, linear, 2, "Steepness of the shelf, 1 is steepest"},
     &KickSettings::shelf_slope},
    {{"box_hz", "Box cut", "Hz", 150, 900, 400, octaves, 0, "Centre of the cardboard note to take out"},
     &KickSettings::box_hz},
    {{"box_db", "Box cut gain", "dB", -18, 0, 0, linear, 1, "How much of the cardboard note to take out"},
     &KickSettings::box_db},
    {{"box_q", "Box cut Q", "", 0.5, 4, 1, octaves, 2, "Narrowness of the box cut"}, &KickSettings::box_q},
    {{"bleed_cut_hz", "Bleed cut", "Hz", 500, 20000, 20000, octaves, 0,
      "Corner (-3 dB) of the low-pass that loses cymbals and snare"},
     &KickSettings::bleed_cut_hz},
    {{"bleed_cut_slope", "Bleed cut slope", "dB/oct", 0, 24, 0, choice, 0,
      "Steepness of the bleed cut, 0 is off", kLowPassSlopes},
     choice_of<&KickSettings::bleed_cut_slope>},
    {{"level_db", "Level", "dB", -24, 24, 0, linear, 1, "Output level"}, &KickSettings::level_db},
};

constexpr Field<GateSettings> kGate[] = {
    {{"threshold_db", "Threshold", "dB", -90, 0, -30, linear, 1, "Opens when the key is louder than this"},
     &GateSettings::threshold_db},
    {{"hysteresis_db", "Hysteresis", "dB", 0, 24, 4, linear, 1, "Closes this far under the threshold"},
     &GateSettings::hysteresis_db},
    {{"attack_ms", "Attack", "ms", 0.02, 50, 0.5, octaves, 2, "Time from range to fully open"},
     &GateSettings::attack_ms},
    {{"hold_ms", "Hold", "ms", 0, 2000, 60, linear, 0, "Stays open this long after the key has fallen"},
     &GateSettings::hold_ms},
    {{"release_ms", "Release", "ms", 5, 4000, 200, octaves, 0, "Time from open to range"},
     &GateSettings::release_ms},
    {{"range_db", "Range", "dB", -90, 0, -40, linear, 1, "Level when closed, -inf is silence", {}, kOffBelow},
     &GateSettings::range_db},
    {{"lookahead_ms", "Look-ahead", "ms", 0, 10, 0, linear, 2,
      "Opens this much before the hit; adds latency"},
     &GateSettings::lookahead_ms},
    {{"key", "Key", "", 0, 2, 0, choice, 0,
      "What opens it: the mic itself, the side-chain, or what the rest of the kit cannot explain", kGateKeys},
     choice_of<&GateSettings::key>},
    {{"key_listen", "Key listen", "", 0, 1, 0, on_off, 0, "Plays the key instead of the drum"},
     choice_of<&GateSettings::key_listen>},
    {{"key_high_pass_hz",
      "Key high-pass",
      "Hz",
      20,
      2000,
      0,
      octaves,
      0,
      "Keeps lows out of the key",
      {},
      kNoHighPass},
     &GateSettings::key_high_pass_hz},
    {{"key_low_pass_hz",
      "Key low-pass",
      "Hz",
      200,
      20000,
      0,
      octaves,
      0,
      "Keeps cymbals out of the key",
      {},
      kNoLowPass},
     &GateSettings::key_low_pass_hz},
};

constexpr Field<BusSettings> kBus[] = {
    {{"threshold_db", "Threshold", "dB", -60, 0, -18, linear, 1, "Compresses above this level (dBFS)"},
     &BusSettings::threshold_db},
    {{"ratio", "Ratio", ":1", 1, 20, 2, octaves, 1, "dB in for one dB out above the threshold", {}, kLimit},
     &BusSettings::ratio},
    {{"knee_db", "Knee", "dB", 0, 24, 6, linear, 1, "Width of the bend around the threshold"},
     &BusSettings::knee_db},
    {{"attack_ms", "Attack", "ms", 0.05, 200, 30, octaves, 2, "Time to 63 % of the gain reduction"},
     &BusSettings::attack_ms},
    {{"release_ms",
      "Release",
      "ms",
      10,
      3000,
      150,
      octaves,
      0,
      "Time to give back 63 %; programme: quick after a hit, slow after a loud passage",
      {},
      kProgramme},
     &BusSettings::release_ms},
    {{"key_high_pass_hz",
      "Key high-pass",
      "Hz",
      20,
      300,
      80,
      octaves,
      0,
      "Keeps the kick from pumping the cymbals",
      {},
      kNoHighPass},
     &BusSettings::key_high_pass_hz},
    {{"key", "Key", "", 0, 1, 0, choice, 0, "What is measured: the submix itself or the side-chain",
      kBusKeys},
     choice_of<&BusSettings::key>},
    {{"makeup_db", "Makeup", "dB", -12, 24, 0, linear, 1, "Gain after the compressor"},
     &BusSettings::makeup_db},
    {{"blend", "Blend", "", 0, 1, 1, linear, 2, "0 dry, 1 compressed"}, &BusSettings::blend},
};

constexpr Field<SumSettings> kSum[] = {
    {{"pan_law_db", "Pan law", "dB", -6, 0, -3, choice, 1, "Level of a centred mic in each channel",
      kPanLaws},
     choice_of<&SumSettings::pan_law_db>},
    {{"overhead_width", "Overhead width", "", 0, 1.5, 1, linear, 2,
      "Side level of the overhead pair, 0 is mono"},
     &SumSettings::overhead_width},
    {{"room_width", "Room width", "", 0, 1.5, 1, linear, 2, "Side level of the room pair, 0 is mono"},
     &SumSettings::room_width},
    {{"mono", "Mono", "", 0, 1, 0, on_off, 0, "Folds the submix to mono, to check it"},
     choice_of<&SumSettings::mono>},
};

constexpr Field<DampSettings> kDamp[] = {
    {{"amount", "Amount", "", -1, 1, 0, linear, 2, "0 as recorded, 1 as deadened as set, below 0 opens up"},
     &DampSettings::amount},
    {{"high_db_per_s", "High", "dB/s", 0, 400, 0, linear, 0, "Extra decay of the top, as a blanket gives"},
     &DampSettings::high_db_per_s},
    {{"tail_db_per_s", "Tail", "dB/s", 0, 400, 0, linear, 0, "Extra decay of everything"},
     &DampSettings::tail_db_per_s},
    {{"heard", "Listen to", "", 0, 1, 1, choice, 0, "Which of the two is heard: as recorded, or deadened",
      kTails, Special{}, "deadened"},
     choice_of<&DampSettings::heard>},
};

constexpr Field<RingBand> kRingBand[] = {
    {{"hz", "Ring", "Hz", 30, 4000, 180, octaves, 1, "Frequency of the ring"}, &RingBand::hz},
    {{"q", "Ring Q", "", 1, 60, 8, octaves, 1, "Narrowness of the band"}, &RingBand::q},
    {{"ring_ms", "Ring time", "ms", 20, 5000, 250, octaves, 0, "Time to fall 60 dB that the ring is to have"},
     &RingBand::ring_ms},
    {{"open_ring_ms", "Open ring time", "ms", 20, 10000, 600, octaves, 0,
      "Time to fall 60 dB of the ring as recorded"},
     &RingBand::open_ring_ms},
};

constexpr Field<OutputSettings> kOutput[] = {
    {{"level_db", "Output level", "dB", -90, 12, 0, linear, 1, "Level of the submix in the file"},
     &OutputSettings::level_db},
    {{"bits", "Bits", "", 16, 32, 24, choice, 0, "Sample format of the file; 32 is float", kBits},
     &OutputSettings::bits},
    {{"dither", "Dither", "", 0, 1, 1, on_off, 0, "Triangular dither when writing 16 or 24 bits"},
     choice_of<&OutputSettings::dither>},
};

constexpr Field<BalanceSettings> kBalance[] = {
    {{"kick_db", "Kick", "dB", -24, 24, 0, linear, 1, "Loudness of a kick's stroke re the snare's"},
     &BalanceSettings::kick_db},
    {{"toms_db", "Toms", "dB", -24, 24, -2, linear, 1, "Loudness of a tom's stroke re the snare's"},
     &BalanceSettings::toms_db},
    {{"hihat_db", "Hi-hat", "dB", -40, 24, -12, linear, 1, "Loudness of a hi-hat's stroke re the snare's"},
     &BalanceSettings::hihat_db},
    {{"ride_db", "Ride", "dB", -40, 24, -12, linear, 1, "Loudness of a ride's stroke re the snare's"},
     &BalanceSettings::ride_db},
    {{"cymbals_db", "Cymbals", "dB", -40, 24, -6, linear, 1, "Loudness of a crash re the snare's stroke"},
     &BalanceSettings::cymbals_db},
    {{"overheads_db", "Overheads", "dB", -40, 12, -9, linear, 1,
      "What the overheads alone bring of kick, snare and toms, re the whole of the drum"},
     &BalanceSettings::overheads_db},
    {{"rooms_db", "Rooms", "dB", -60, 12, -18, linear, 1,
      "What the room mics alone bring of kick, snare and toms, re the whole of the drum"},
     &BalanceSettings::rooms_db},
    {{"kick_out_db", "Kick out", "dB", -40, 40, -3, linear, 1, "Kick out alone re kick in alone"},
     &BalanceSettings::kick_out_db},
    {{"snare_bottom_db", "Snare bottom", "dB", -40, 40, -9, linear, 1,
      "Snare bottom alone re snare top alone"},
     &BalanceSettings::snare_bottom_db},
    {{"overhead_width", "Overhead width", "", 0, 1.5, 1, linear, 2,
      "Side level of the overhead pair, 0 is mono"},
     &BalanceSettings::overhead_width},
    {{"room_width", "Room width", "", 0, 1.5, 0.6, linear, 2, "Side level of the room pair, 0 is mono"},
     &BalanceSettings::room_width},
    {{"side", "Side", "", 0, 1, 0, choice, 0, "Left and right as the drummer sits or as a listener faces",
      kSides},
     choice_of<&BalanceSettings::side>},
};

constexpr Field<RoomSettings> kRoom[] = {
    {{"temperature_c", "Temperature", "°C", -20, 50, 20, linear, 1,
      "Air temperature, for the speed of sound"},
     &RoomSettings::temperature_c},
};

std::string number(double value, int decimals) {
    char out[40];
    std::snprintf(out, sizeof out, "%.*f", decimals, value);
    const std::string_view shown = out;
    const bool minus_nothing =
        shown.starts_with('-') && shown.find_first_not_of("-0.") == std::string_view::npos;
    return std::string(minus_nothing ? shown.substr(1) : shown); // no "-0.0 dB"
}

/// Shortest form, for ranges in messages: 0.5, 20000.
std::string shortest(double value) {
    char out[40];
    std::snprintf(out, sizeof out, "%.6g", value);
    return out;
}

/// "1.2 kHz", "20 kHz": two decimals at most.
std::string kilohertz(double value) {
    auto shown = number(value / 1000.0, 2);
    shown.erase(shown.find_last_not_of('0') + 1);
    if (shown.back() == '.') shown.pop_back();
    return shown + " kHz";
}

std::string lower(std::string_view in) {
    std::string out;
    for (const char c : in)
        if (c != ' ' && c != '\t') out += static_cast<char>(std::tolower(static_cast<unsigned char>(c)));
    return out;
}

std::string pan_text(double value) {
    const double percent = std::round(value * 100.0);
    if (percent == 0.0) return "C";
    return (percent < 0.0 ? "L " : "R ") + number(std::abs(percent), 0);
}

std::optional<double> parse_number(std::string_view typed, std::string_view& rest) {
    if (!typed.empty() && typed.front() == '+') typed.remove_prefix(1);
    double value = 0.0;
    const auto [end, error] = std::from_chars(typed.data(), typed.data() + typed.size(), value);
    if (error != std::errc{}) return std::nullopt;
    rest = typed.substr(static_cast<std::size_t>(end - typed.data()));
    return value;
}

std::optional<double> parse_pan(std::string_view typed) {
    if (typed == "c" || typed == "centre" || typed == "center") return 0.0;
    const bool left = typed.starts_with('l'), right = typed.starts_with('r');
    std::string_view rest;
    const auto value = parse_number(left || right ? typed.substr(1) : typed, rest);
    if (!value || !rest.empty()) return std::nullopt;
    if (left || right) return (left ? -1.0 : 1.0) * *value / 100.0;
    return *value;
}

} // namespace

template <> std::span<const Field<MicSettings>> fields<MicSettings>() noexcept { return kMic; }
template <> std::span<const Field<OfflineSettings>> fields<OfflineSettings>() noexcept { return kOffline; }
template <> std::span<const Field<KickSettings>> fields<KickSettings>() noexcept { return kKick; }
template <> std::span<const Field<GateSettings>> fields<GateSettings>() noexcept { return kGate; }
template <> std::span<const Field<BusSettings>> fields<BusSettings>() noexcept { return kBus; }
template <> std::span<const Field<SumSettings>> fields<SumSettings>() noexcept { return kSum; }
template <> std::span<const Field<DampSettings>> fields<DampSettings>() noexcept { return kDamp; }
template <> std::span<const Field<RingBand>> fields<RingBand>() noexcept { return kRingBand; }
template <> std::span<const Field<OutputSettings>> fields<OutputSettings>() noexcept { return kOutput; }
template <> std::span<const Field<BalanceSettings>> fields<BalanceSettings>() noexcept { return kBalance; }
template <> std::span<const Field<RoomSettings>> fields<RoomSettings>() noexcept { return kRoom; }

bool allowed(const Parameter& parameter, double value) noexcept {
    if (parameter.special.end != Special::End::none && value == parameter.special.value) return true;
    if (parameter.scale == Scale::choice)
        return std::any_of(parameter.choices.begin(), parameter.choices.end(),
                           [value](const Choice& c) { return c.value == value; });
    if (parameter.scale == Scale::on_off) return value == 0.0 || value == 1.0;
    return value >= parameter.min && value <= parameter.max;
}

const Parameter* first_refused(const DampSettings& settings) noexcept {
    if (const auto* refused = first_refused<DampSettings>(settings)) return refused;
    for (std::size_t i = 0; i < std::min(settings.band_count, kRingBands); ++i)
        if (const auto* refused = first_refused(settings.bands[i])) return refused;
    return nullptr;
}

std::string what_is_allowed(const Parameter& parameter) {
    if (parameter.scale == Scale::on_off) return "true or false";
    std::string out;
    if (parameter.scale == Scale::choice) {
        for (const auto& c : parameter.choices)
            out += (out.empty() ? "one of " : ", ") +
                   (c.token.empty() ? shortest(c.value) : "\"" + std::string(c.token) + "\"");
        return out;
    }
    out = "a number from " + shortest(parameter.min) + " to " + shortest(parameter.max);
    if (!parameter.unit.empty()) out += " (" + std::string(parameter.unit) + ")";
    if (parameter.special.end != Special::End::none)
        out += parameter.special.token.empty() ? " or " + shortest(parameter.special.value) + " (" +
                                                     std::string(parameter.special.label) + ")"
                                               : " or \"" + std::string(parameter.special.token) + "\"";
    return out;
}

std::string text(const Parameter& parameter, double value) {
    if (parameter.special.end != Special::End::none && value == parameter.special.value)
        return std::string(parameter.special.label);
    if (parameter.scale == Scale::choice) {
        for (const auto& c : parameter.choices)
            if (c.value == value) return std::string(c.label);
        return number(value, parameter.decimals);
    }
    if (parameter.scale == Scale::on_off) return value != 0.0 ? "on" : "off";
    if (parameter.key == "pan") return pan_text(value);
    if (parameter.unit == "Hz" && value >= 1000.0) return kilohertz(value);
    auto shown = number(value, parameter.decimals);
    if (parameter.unit.empty()) return shown;
    return parameter.unit == ":1" ? shown + ":1" : shown + " " + std::string(parameter.unit);
}

std::optional<double> parse_text(const Parameter& parameter, std::string_view typed) {
    const auto in = lower(typed);
    if (parameter.special.end != Special::End::none &&
        (in == lower(parameter.special.label) ||
         (!parameter.special.token.empty() && in == parameter.special.token)))
        return parameter.special.value;
    if (parameter.scale == Scale::choice)
        for (const auto& c : parameter.choices)
            if (in == lower(c.label) || (!c.token.empty() && in == c.token)) return c.value;
    if (parameter.scale == Scale::on_off) {
        if (in == "on" || in == "true" || in == "1") return 1.0;
        if (in == "off" || in == "false" || in == "0") return 0.0;
        return std::nullopt;
    }
    std::optional<double> value;
    if (parameter.key == "pan") {
        value = parse_pan(in);
    } else {
        std::string_view rest;
        value = parse_number(in, rest);
        if (value && rest.starts_with('k')) *value *= 1000.0, rest.remove_prefix(1);
        if (value && !rest.empty() && rest != lower(parameter.unit)) return std::nullopt;
    }
    // 0 ms is not a way to say "programme"
    const bool hidden = value && !parameter.special.token.empty() && std::isfinite(*value) &&
                        *value == parameter.special.value;
    return value && !hidden && allowed(parameter, *value) ? value : std::nullopt;
}

namespace {
constexpr double kSpecialTravel = 1.0 / 64.0; ///< part of a control's travel that a special value takes

/// Position 0..1 of value within min..max.
double plain_position(const Parameter& p, double value) noexcept {
    value = std::clamp(value, p.min, p.max);
    if (p.scale == Scale::octaves) return std::log(value / p.min) / std::log(p.max / p.min);
    return (value - p.min) / (p.max - p.min);
}

double plain_value(const Parameter& p, double position) noexcept {
    if (position <= 0.0) return p.min;
    if (position >= 1.0) return p.max;
    const double value = p.scale == Scale::octaves ? p.min * std::pow(p.max / p.min, position)
                                                   : p.min + position * (p.max - p.min);
    return std::clamp(value, p.min, p.max); // rounding must not leave the range
}

std::size_t nearest_choice(const Parameter& p, double value) noexcept {
    std::size_t best = 0;
    for (std::size_t i = 1; i < p.choices.size(); ++i)
        if (std::abs(p.choices[i].value - value) < std::abs(p.choices[best].value - value)) best = i;
    return best;
}
} // namespace

double to_position(const Parameter& p, double value) noexcept {
    if (std::isnan(value)) return 0.0;
    if (p.scale == Scale::on_off) return value != 0.0 ? 1.0 : 0.0;
    if (p.scale == Scale::choice)
        return static_cast<double>(nearest_choice(p, value)) / static_cast<double>(p.choices.size() - 1);
    if (p.special.end == Special::End::none) return plain_position(p, value);
    const bool special = value == p.special.value;
    if (p.special.end == Special::End::below)
        return special ? 0.0 : kSpecialTravel + (1.0 - kSpecialTravel) * plain_position(p, value);
    return special ? 1.0 : (1.0 - kSpecialTravel) * plain_position(p, value);
}

double from_position(const Parameter& p, double position) noexcept {
    position = position >= 0.0 ? std::min(position, 1.0) : 0.0; // NaN becomes 0
    if (p.scale == Scale::on_off) return position >= 0.5 ? 1.0 : 0.0;
    if (p.scale == Scale::choice)
        return p
            .choices[static_cast<std::size_t>(
                std::lround(position * static_cast<double>(p.choices.size() - 1)))]
            .value;
    if (p.special.end == Special::End::none) return plain_value(p, position);
    if (p.special.end == Special::End::below)
        return position < kSpecialTravel / 2
                   ? p.special.value
                   : plain_value(p, (position - kSpecialTravel) / (1.0 - kSpecialTravel));
    return position > 1.0 - kSpecialTravel / 2 ? p.special.value
                                               : plain_value(p, position / (1.0 - kSpecialTravel));
}

std::string_view token(Role role) noexcept { return kRoles[static_cast<std::size_t>(role)].token; }

std::optional<Role> role_from_token(std::string_view token) noexcept {
    for (std::size_t i = 0; i < kRoleCount; ++i)
        if (kRoles[i].token == token) return static_cast<Role>(i);
    return std::nullopt;
}

} // namespace kitfold::dsp
