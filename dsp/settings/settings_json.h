#pragma once
// Settings to JSON and back, by the table in parameters.h. Sessions, presets and the state of a plug-in are
// the same objects, so a strip tried in a host pastes into a session and a session's strip loads in the host:
//     {"gate": {"threshold_db": -30, "key": "own", "range_db": "-inf", …}}
// Nothing here is for the audio thread: everything allocates. All functions may run on any thread.
//
// The functions below are there for KickSettings, GateSettings, BusSettings, SumSettings, DampSettings,
// RingBand, MicSettings, OfflineSettings, BalanceSettings, OutputSettings and RoomSettings.
#include "settings/parameters.h"
#include <nlohmann/json_fwd.hpp>
#include <span>
#include <stdexcept>
#include <string>
#include <string_view>

namespace kitfold::dsp {

/// JSON whose keys stay in the order they were written.
using Json = nlohmann::ordered_json;

inline constexpr std::size_t kJsonBytes = 16u << 20; ///< longest text that parse_json takes
inline constexpr int kJsonDepth = 32;                ///< deepest nesting that parse_json takes
inline constexpr std::size_t kJsonKeys =
    1'000; ///< most keys in one object: finding one takes longer with each
inline constexpr std::size_t kJsonValues = 1'000'000; ///< most values in all

/// What is wrong with a piece of JSON, in one line: the path of the key, what it was and what would be right.
class SettingsError : public std::runtime_error {
public:
    using std::runtime_error::runtime_error;
};

/// The key under which a block stands in a session, a preset or a plug-in state: "filters", "gate", "damp",
/// "bus", "sum", "balance", "output", "room"; "mic" and "band" for the entries of the lists; "bounce" for
/// what a mic has beside them.
template <class Settings> std::string_view block_key() noexcept;

/// The key that a block had in files of earlier builds, which are read for ever; empty where it is the same.
template <class Settings> constexpr std::string_view earlier_block_key() noexcept { return {}; }
template <> constexpr std::string_view earlier_block_key<KickSettings>() noexcept { return "kick"; }

struct FoundBlock {
    std::string_view key;
    const Json* json = nullptr; ///< nullptr: the block is left out
};
/// A block of an object, under its key or else its earlier one.
FoundBlock find_block(const Json& object, std::string_view key, std::string_view earlier);
template <class Settings> FoundBlock find_block(const Json& object) {
    return find_block(object, block_key<Settings>(), earlier_block_key<Settings>());
}

// ---- Strict: for files that a person writes ---------------------------------------------------------------

/// Text to JSON. Throws SettingsError: not JSON (with line and column), longer than kJsonBytes, deeper than
/// kJsonDepth, more than kJsonKeys or kJsonValues, a key twice in one object.
Json parse_json(std::string_view text);

/// JSON to text for a person: two spaces of indent, short objects and lists on one line, a newline at the
/// end.
std::string pretty(const Json& json);

/// The settings as an object; whole numbers are written without a point, infinities and choices as their
/// tokens.
template <class Settings> Json to_json(const Settings& settings);

/// Reads those of the block's keys that are there into `settings`; other keys are not looked at. `at` is the
/// path of the object for messages ("mics[3].gate", or "" at the top). Throws SettingsError and leaves
/// `settings` as it was when a value has the wrong type or is not allowed.
template <class Settings> void read_keys(const Json& object, std::string_view at, Settings& settings);

/// The same, and throws too when there is a key that is not the block's.
template <class Settings> void read_settings(const Json& object, std::string_view at, Settings& settings);

/// The known word that what was typed is most likely meant for: the fewest letters changed, put in or left
/// out, at most a third of them (two in a short word). Empty when none is so near.
std::string_view nearest_of(std::string_view typed, std::span<const std::string_view> known);

/// Throws SettingsError when `json` is not an object, or has a key that is not in `known`: names the nearest
/// known key, or all of them when none is near.
void check_keys(const Json& json, std::string_view at, std::span<const std::string_view> known);

/// Keys of a block in the order of its table, an earlier key behind the present one, its bands last.
template <class Settings> std::span<const std::string_view> keys();

/// "gate" in "mics[3]" is "mics[3].gate"; at the top it is "gate".
std::string key_path(std::string_view at, std::string_view key);

/// A value as a message shows it: short, on one line, "an object" for an object.
std::string shown(const Json& value);

// ---- Lenient: for the state that a host hands back
// ----------------------------------------------------------

/// {"gate": {…}} as one line of text.
template <class Settings> std::string to_state_text(const Settings& settings);

/// Reads the block out of the text of a state or a preset. Unknown keys are ignored and a value that is not
/// right leaves the present one as it is. Never throws. False, and nothing changed, when the text is not
/// JSON, is too long or too deep, or does not have the block.
template <class Settings> bool read_state_text(std::string_view text, Settings& settings) noexcept;

/// The same for an object that is already parsed. Never throws; not an object: nothing changes.
template <class Settings> void read_leniently(const Json& object, Settings& settings) noexcept;

} // namespace kitfold::dsp
